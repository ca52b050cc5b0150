"""What the C compiler made of the same sources by the same command, kept from run to run and shared by workers.

A build of the whole library takes ten seconds of a processor, and several tests want the same one. The key of a
build is the command, the compiler, and every file beside its sources; a build that fails is not kept.
"""

import contextlib
import hashlib
import os
import shutil
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

_MOST = 80  # builds kept; the oldest go first
_PATIENCE_SECONDS = 300.0  # for another worker that builds the same


def remembering(compile_c: Callable[..., None], folder: Path) -> Callable[..., None]:
    """`compile_c`, but for builds that are there already."""

    def run(command: Sequence[str], **given: Any) -> None:
        words = list(command)
        if "-o" not in words:
            compile_c(words, **given)
            return
        place = words.index("-o") + 1
        target, kept = Path(words[place]), folder / _key(words, place)
        with _alone(kept.with_suffix(".lock"), until=kept.exists):
            if not kept.exists():
                compile_c(words, **given)
                part = kept.with_suffix(f".{os.getpid()}")
                shutil.copy(target, part)
                part.replace(kept)
                _forget_the_oldest(folder)
            else:
                # As the compiler does: a library that is loaded from there keeps its own file.
                target.unlink(missing_ok=True)
                shutil.copy(kept, target)
                os.utime(kept)

    return run


def _key(words: Sequence[str], place: int) -> str:
    digest = hashlib.sha256()
    program = shutil.which(words[0]) or words[0]
    digest.update(f"{program} {Path(program).stat().st_mtime_ns if Path(program).exists() else 0}".encode())
    for number, word in enumerate(words[1:], start=1):
        path = Path(word.removeprefix("-I"))
        if number == place:
            continue
        if not path.exists():
            digest.update(b"\0" + word.encode())
            continue
        digest.update(b"\0" + path.name.encode() + (b" in" if word.startswith("-I") else b" of"))
        for beside in sorted((path if path.is_dir() else path.parent).glob("*.[chil]*")):
            digest.update(beside.name.encode() + b"\0" + beside.read_bytes())
    return digest.hexdigest()


@contextlib.contextmanager
def _alone(lock: Path, *, until: Callable[[], bool]) -> Any:
    """Hold a lock, or go on without it as soon as what it guards is there."""
    deadline = time.monotonic() + _PATIENCE_SECONDS
    held = False
    while not (held or until() or time.monotonic() > deadline):
        try:
            lock.touch(exist_ok=False)
            held = True
        except FileExistsError:
            with contextlib.suppress(FileNotFoundError):
                if time.time() - lock.stat().st_mtime > _PATIENCE_SECONDS:
                    lock.unlink(missing_ok=True)  # of a run that was killed
            time.sleep(0.05)
    try:
        yield
    finally:
        if held:
            lock.unlink(missing_ok=True)


def _forget_the_oldest(folder: Path) -> None:
    builds = [path for path in folder.iterdir() if not path.suffix]
    for path in sorted(builds, key=lambda path: path.stat().st_mtime)[:-_MOST]:
        path.unlink(missing_ok=True)
