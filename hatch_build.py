"""At an installation: build the kernels as a library where there is a C compiler, go on without it where not.

With ``TAPEEMU_PURE=1`` nothing is compiled, and the wheel is one for every machine. With ``TAPEEMU_BUILT=FOLDER``
the wheel gets what stands in that folder, which `tapeemu.release` has built for another machine.
"""

import os
import sys
import sysconfig
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class LoopLibraryHook(BuildHookInterface):
    """Builds beside the package, and puts what was built into the wheel."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build before the files of a wheel are gathered; ``version`` is "editable" or "standard"."""
        if os.environ.get("TAPEEMU_PURE", "0") not in ("", "0"):
            return
        brought = os.environ.get("TAPEEMU_BUILT", "")
        if brought:
            _bring(Path(brought), build_data)
            return
        sys.path.insert(0, self.root)
        try:
            from tapeemu import loop_library
        finally:
            sys.path.remove(self.root)
        try:
            made = loop_library.build()
        except loop_library.LibraryError as error:
            self.app.display_warning(f"the loops are not compiled now: {error}")
            return
        if version == "editable":
            return
        machine = sysconfig.get_platform().replace("-", "_").replace(".", "_")
        build_data["pure_python"] = False
        build_data["tag"] = f"py3-none-{machine}"
        for path in made:
            build_data["force_include"][str(path)] = f"tapeemu/native/library/{path.name}"


def _bring(folder: Path, build_data: dict[str, Any]) -> None:
    """Into the package with all files of a folder but the one that tells the tag."""
    build_data["pure_python"] = False
    build_data["tag"] = (folder / "tag.txt").read_text("ascii")
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path != folder / "tag.txt":
            build_data["force_include"][str(path)] = f"tapeemu/{path.relative_to(folder).as_posix()}"
