"""Python files that no package holds, as modules."""

import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType


def module_at(path: Path, name: str | None = None, *, known: bool = False) -> ModuleType:
    """The module of a file, run anew; if `known`, others find it by its name."""
    spec = spec_from_file_location(name or path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    if known:
        sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
