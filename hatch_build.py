"""At an installation: build the kernels as a library, and go on without it where that cannot be.

Where there is no C compiler, pip gets the package ziglang (100 MB) for this build alone; it is not installed.
With ``TAPEEMU_PURE=1`` nothing is compiled, and the wheel is one for every machine. With ``TAPEEMU_BUILT=FOLDER``
the wheel gets what stands in that folder, which `tapeemu.release` has built for another machine.
"""

import os
import subprocess
import sys
import sysconfig
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

_FETCH = (
    *("install", "--quiet", "--no-deps", "--no-compile", "--only-binary", ":all:", "--retries", "1"),
    "ziglang>=0.13",
    "--target",
)
_LONGEST_SECONDS = 300.0
"""For getting the compiler; numba needs less than that where there is none."""


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
            with tempfile.TemporaryDirectory() as folder:
                command = next(loop_library.compilers(), None)
                if command is None and self._fetch(folder):
                    command = loop_library.ziglang_in(Path(folder))
                made = loop_library.build(command=command)
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

    def _fetch(self, folder: str) -> bool:
        """Let pip put ziglang into a folder; False where there is no pip, no network, or no such package."""
        self.app.display_info("there is no C compiler (gcc or clang): getting one for this build, ziglang, 100 MB")
        # A build sees only what it asks for: by PYTHONPATH pip hides from it all that is installed, itself too.
        seen = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
        command = [sys.executable, "-m", "pip", *_FETCH, folder]
        try:
            done = subprocess.run(
                command,
                env=seen,
                timeout=_LONGEST_SECONDS,
                check=False,
                stdin=subprocess.DEVNULL,
                capture_output=True,
            )
        except (OSError, subprocess.TimeoutExpired):
            return False
        return done.returncode == 0


def _bring(folder: Path, build_data: dict[str, Any]) -> None:
    """Into the package with all files of a folder but the one that tells the tag."""
    build_data["pure_python"] = False
    build_data["tag"] = (folder / "tag.txt").read_text("ascii")
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path != folder / "tag.txt":
            build_data["force_include"][str(path)] = f"tapeemu/{path.relative_to(folder).as_posix()}"
