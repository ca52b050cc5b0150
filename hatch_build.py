"""At an installation: build the kernels as a library, and go on without it where that cannot be.

Where there is no C compiler, the package ziglang (100 MB) is asked for as a requirement of the build alone; it is
not installed. With ``TAPEEMU_PURE=1`` nothing is compiled, and the wheel is one for every machine. With
``TAPEEMU_BUILT=FOLDER`` the wheel gets what stands in that folder, which `tapeemu.release` has built for another
machine.
"""

import os
import platform
import sys
import sysconfig
from pathlib import Path
from types import ModuleType
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

_COMPILER = "ziglang>=0.13"
_SYSTEMS = ("linux", "darwin", "win32")
_PROCESSORS = ("x86_64", "amd64", "aarch64", "arm64")
"""Machines that the package ziglang is there for; elsewhere asking for it would end the installation."""


class LoopLibraryHook(BuildHookInterface):
    """Builds beside the package, and puts what was built into the wheel."""

    def dependencies(self) -> list[str]:
        """What a build needs beside the builder: a compiler where there is none."""
        known = sys.platform in _SYSTEMS and platform.machine().lower() in _PROCESSORS
        if _pure() or _brought() or not known or next(self._loop_library().compilers(), None) is not None:
            return []
        return [_COMPILER]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build before the files of a wheel are gathered; ``version`` is "editable" or "standard"."""
        if _pure():
            return
        if _brought():
            _bring(Path(_brought()), build_data)
            return
        loop_library = self._loop_library()
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

    def _loop_library(self) -> ModuleType:
        sys.path.insert(0, self.root)
        try:
            from tapeemu import loop_library
        finally:
            sys.path.remove(self.root)
        return loop_library


def _pure() -> bool:
    return os.environ.get("TAPEEMU_PURE", "0") not in ("", "0")


def _brought() -> str:
    return os.environ.get("TAPEEMU_BUILT", "")


def _bring(folder: Path, build_data: dict[str, Any]) -> None:
    """Into the package with all files of a folder but the one that tells the tag."""
    build_data["pure_python"] = False
    build_data["tag"] = (folder / "tag.txt").read_text("ascii")
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path != folder / "tag.txt":
            build_data["force_include"][str(path)] = f"tapeemu/{path.relative_to(folder).as_posix()}"
