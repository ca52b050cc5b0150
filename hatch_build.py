"""At an installation: build the kernels as a library where there is a C compiler, go on without it where not.

With ``TAPEEMU_PURE=1`` nothing is compiled, and the wheel is one for every machine.
"""

import os
import sys
import sysconfig
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class LoopLibraryHook(BuildHookInterface):
    """Builds beside the package, and puts what was built into the wheel."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build before the files of a wheel are gathered; ``version`` is "editable" or "standard"."""
        if os.environ.get("TAPEEMU_PURE", "0") not in ("", "0"):
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
