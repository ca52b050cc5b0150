"""Files that are written whole or not at all, and what is printed."""

import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from measure.errors import ResultsError

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

__all__ = ["new_folder", "open_outlets", "reason_of", "whole_file"]


class _Outlet(io.FileIO):
    """A stream that goes nowhere from when its reader has closed it; keeps the one it stands for open."""

    def __init__(self, stream: io.TextIOWrapper) -> None:
        super().__init__(stream.fileno(), "wb", closefd=False)
        self._kept = stream

    def write(self, data: "ReadableBuffer") -> int:
        try:
            return super().write(data)
        except BrokenPipeError:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.fileno())
            os.close(nowhere)
            return super().write(data)


def open_outlets() -> None:
    """Let nobody who stops reading what is printed change what is done, or the status that tells of it.

    A standard output or error stream that the caller closed, or closes on the way (``| head``), goes nowhere.
    """
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115
            continue
        buffer = getattr(stream, "buffer", None)
        raw = getattr(buffer, "raw", buffer)  # unbuffered streams have no buffer in between
        if not isinstance(stream, io.TextIOWrapper) or type(raw) is not io.FileIO:
            continue  # not a stream of the system's, or one of ours
        stream.flush()
        outlet: Any = _Outlet(stream)
        setattr(
            sys,
            name,
            io.TextIOWrapper(
                outlet if buffer is raw else io.BufferedWriter(outlet),
                encoding=stream.encoding,
                errors=stream.errors,
                line_buffering=stream.line_buffering,
                write_through=stream.write_through,
            ),
        )


@contextmanager
def new_folder(folder: Path) -> Iterator[None]:
    """Make a folder, if it is missing; what was made goes again if an error leaves it empty."""
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        with suppress(OSError):  # what is whole stays, and so its folder
            for each in missing:
                each.rmdir()
        raise


@contextmanager
def whole_file(path: str | os.PathLike[str], *, overwrite: bool = False) -> Iterator[BinaryIO]:
    """Open a file that takes its place once it is complete.

    Parameters
    ----------
    path : path
        The file; its folder is made if it is missing.
    overwrite : bool
        Replace a file that exists.

    Yields
    ------
    binary file
        A part file beside the target; it is moved to its place at the end, and removed if anything fails.

    Raises
    ------
    ResultsError
        If the file exists and may not be replaced, or cannot be written.
    """
    target = Path(path)
    partial = target.with_name(f".{target.name}.{os.getpid()}.part") if target.name else target
    try:
        if not target.name:
            raise OSError("it names no file")
        if target.exists() and not overwrite:
            raise ResultsError(f"{target} exists; choose another name, or ask for it to be overwritten")
        if target.exists() and not target.is_file():
            # It would not be written to but replaced, for whoever may.
            raise ResultsError(f"{target} is a folder or a device, but must be the name of a file; choose another")
        with new_folder(target.parent), _removed(partial):
            with partial.open("wb") as file:
                yield file
            partial.replace(target)
    except ResultsError:
        raise
    except FileExistsError:
        raise ResultsError(f"{target.parent} cannot be made, for a file has that name; choose another") from None
    except (OSError, ValueError) as error:
        raise ResultsError(
            f"{target} cannot be written ({reason_of(error)}); "
            "check space and permissions, or choose another folder"
        ) from None


@contextmanager
def _removed(partial: Path) -> Iterator[None]:
    """What is left of a part file in the end goes."""
    try:
        yield
    finally:
        with suppress(OSError, ValueError):
            partial.unlink(missing_ok=True)


def reason_of(error: Exception) -> str:
    """What the system says is wrong, without the number and the path it puts beside it."""
    return (getattr(error, "strerror", None) or str(error)).lower()
