"""Run tests of a checkout again and again, without loading numpy and its like each time.

One line of JSON comes in for each run: `files` for pytest, `all` if it shall not stop at the first failure, and
`order`, `seconds` and perhaps `quick` for the plugin `covering`. One goes out: `status` of pytest (null where time
was over), `failed`, the tests that noticed, and `seconds` of work. Every run is a process of its own, forked from
this one, which has loaded other people's libraries and nothing of ours.
"""

import contextlib
import importlib
import json
import os
import resource
import signal
import sys
import time
import traceback
from pathlib import Path
from typing import Any

HEAVY = (
    *(
        "numpy",
        "scipy.signal",
        "scipy.optimize",
        "scipy.interpolate",
        "scipy.linalg",
        "scipy.integrate",
        "scipy.stats",
    ),
    *("numba", "soundfile", "soxr", "pydantic", "typer.testing", "rich.progress", "jinja2", "joblib", "tomlkit"),
    *(
        "matplotlib.figure",
        "hypothesis",
        "hypothesis.strategies",
        "hypothesis.extra.numpy",
        "pytest",
        "pedalboard",
    ),
    *(
        "pandas",
        "mpmath",
        "pyebur128",
        "pyroomacoustics",
        "jsonschema",
        "platformdirs",
        "coverage",
        "_pytest.assertion",
    ),
)
MARGIN_SECONDS = 30.0
"""Work of one test that is allowed beyond the end."""
OTHERS = 20.0
"""How many times longer than its work a run may last: the machine may be busy with others."""

ALREADY_LOADED = "ignore:Module already imported:pytest.PytestAssertRewriteWarning"


def _child(order: str, failed: str, wanted: dict[str, Any], base: str) -> None:
    """Become the run: a group of its own, silent, with the plugin's wishes in the environment."""
    os.setsid()
    seconds = wanted["seconds"]
    if seconds != float("inf"):
        most_seconds = int(seconds + MARGIN_SECONDS)
        resource.setrlimit(resource.RLIMIT_CPU, (most_seconds, most_seconds))
    silence = os.open(os.environ.get("SERVER_LOG", os.devnull), os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    os.environ.update(COVERING_ORDER=order, COVERING_FAILED=failed, COVERING_SECONDS=str(seconds))
    if "quick" in wanted:
        os.environ["COVERING_QUICK"] = str(wanted["quick"])
    import pytest

    options = ["-q", "-p", "covering", "-p", "no:randomly", "-p", "no:cacheprovider", f"--basetemp={base}"]
    options += ["-W", ALREADY_LOADED, f"--maxfail={0 if wanted['all'] else 1}"]
    status = 3
    try:
        status = int(pytest.main([*options, *wanted["files"]]))
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def _wait(child: int, seconds: float) -> tuple[int | None, float]:
    """Exit status, or None where it had to be ended, and the seconds of its work."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found, status, used = os.wait4(child, os.WNOHANG)
        if found:
            code = os.waitstatus_to_exitcode(status)
            ended = -code in (signal.SIGXCPU, signal.SIGKILL)
            return None if ended else code, used.ru_utime + used.ru_stime
        time.sleep(0.05)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None, seconds


def main(folder: Path) -> None:
    for name in HEAVY:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    order, failed = folder / "order.txt", folder / "failed.txt"
    for line in sys.stdin:
        wanted = json.loads(line)
        order.write_text("\n".join(wanted["order"]), "utf-8")
        failed.write_text("", "utf-8")
        child = os.fork()
        if child == 0:
            _child(str(order), str(failed), wanted, str(folder / "tmp"))
        status, worked = _wait(child, OTHERS * (wanted["seconds"] + MARGIN_SECONDS))
        noticed = failed.read_text("utf-8").splitlines()
        sys.stdout.write(json.dumps({"status": status, "failed": noticed, "seconds": worked}) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
