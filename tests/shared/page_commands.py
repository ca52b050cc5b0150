"""Commands of a page, run as a reader would, in a folder of their own."""

import os
import subprocess
import sys
from pathlib import Path


def run(command: str, folder: Path) -> str:
    """Run lines of a shell and give what they print; none may fail or show where Python stumbled."""
    environment = {
        **os.environ,
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        # Presets of whoever runs the tests are none of the page's.
        "TAPEEMU_PRESETS": str(folder / "no-presets-here"),
    }
    done = subprocess.run(
        ["sh", "-ec", command], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr
    return done.stdout
