"""Files that are written whole or not at all."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from measure.errors import ResultsError

__all__ = ["new_folder", "reason_of", "whole_file"]


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
