"""One module per artefact, named after it. They never import one another."""

import importlib
import inspect
import pkgutil
from functools import cache

from tapeemu.processor import Processor

__all__ = ["processor_kinds"]


@cache
def processor_kinds() -> dict[str, type[Processor]]:
    """Every processor of this package by its `kind`, found by looking through the modules."""
    found = {}
    for module_info in pkgutil.iter_modules(__path__):
        module = importlib.import_module(f"{__name__}.{module_info.name}")
        for _, member in inspect.getmembers(module, inspect.isclass):
            if (
                issubclass(member, Processor)
                and member.__module__ == module.__name__
                and not inspect.isabstract(member)
            ):
                found[member.kind] = member
    return dict(sorted(found.items()))
