"""The library of sound files, asked in one place: nothing else in this package imports it."""

import os
from pathlib import Path
from typing import Any

__all__ = ["FAILURES", "can_hold", "open_source", "open_target"]

FAILURES = (OSError, RuntimeError, ValueError)
"""What the library raises when a file cannot be opened, read or written; its own errors are RuntimeErrors."""


def can_hold(container: str, subtype: str) -> bool:
    """Whether files of a container can hold samples of a format, both by the library's names."""
    import soundfile

    return bool(soundfile.check_format(container, subtype))


def open_source(path: Path) -> Any:
    """Open a file for reading.

    Raises
    ------
    TypeError
        If the file has no header, but a suffix that says so.
    OSError, RuntimeError, ValueError
        If it cannot be opened.
    """
    import soundfile

    return soundfile.SoundFile(_name(path))


def open_target(path: Path, *, sample_rate: int, channels: int, container: str, subtype: str) -> Any:
    """Open a file for writing; what was in it is gone.

    Raises
    ------
    OSError, RuntimeError, TypeError, ValueError
        If it cannot be made.
    """
    import soundfile

    return soundfile.SoundFile(
        _name(path), "w", samplerate=sample_rate, channels=channels, subtype=subtype, format=container
    )


def _name(path: Path) -> Any:
    """A name as the library takes it, even if it is not valid text."""
    return os.fsencode(path) if os.name == "posix" else path
