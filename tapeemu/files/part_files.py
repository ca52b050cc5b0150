"""Files in the making: beside their target under a name of their own, renamed when they are whole.

Whoever makes such a file holds a lock on it until the end. The system drops the lock when a process
dies, however it dies, so that the next run can tell what was left behind from what is still being made.
"""

import contextlib
import os
import re
import secrets
import shutil
from collections.abc import Mapping
from pathlib import Path
from types import ModuleType
from typing import Self

from tapeemu.errors import OutputError

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # not on Windows, where an open file cannot be removed anyway
    fcntl = None

__all__ = [
    "PartFile",
    "PartFolder",
    "check_target",
    "make_folder",
    "new_folder",
    "reason",
    "remove_empty_folders",
    "sweep",
    "write_together",
    "write_whole",
]

_made: list[Path] = []
"""Folders that this process has made, outer ones first: what is to be taken away again if nothing comes of it."""
_NAME = re.compile(r"\.tapeemu-[0-9a-f]{16}\.part")


def _new_name() -> str:
    return f".tapeemu-{secrets.token_hex(8)}.part"


def reason(error: BaseException) -> str:
    """First line of a library's message, without the path it repeats and the closing full stop."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    text = str(error).splitlines()[0] if str(error) else type(error).__name__
    return text.rpartition("': ")[2].rstrip(". ") or text


def _lock(descriptor: int) -> bool | None:
    """Take the lock: True if it is ours, False if another holds it, None where locks do not work."""
    if fcntl is None:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return None
    return True


def _still_there(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(path.stat(), os.fstat(descriptor))
    except OSError:
        return False


def check_target(target: Path, *, overwrite: bool) -> None:
    """Refuse a target that is no file, that may not be replaced, or whose folder is not there.

    Raises
    ------
    OutputError
        Says which.
    """
    try:
        there = os.path.lexists(target)
        if target.is_dir():
            raise OutputError(f"{target} is a folder, but must be the name of a file")
        if target.exists() and not target.is_file():
            # It would not be written to but replaced, for whoever may: a device is then gone for every program.
            raise OutputError(f"{target} is a device or a pipe, but must be the name of a file; choose another")
        if there and not overwrite:
            raise OutputError(f"{target} exists; choose another name or folder, or replace it with --overwrite")
        if not target.parent.is_dir():
            raise OutputError(f"{target.parent} is not an existing folder; make it first")
    except OutputError:
        raise
    except (OSError, ValueError) as error:
        raise OutputError(f"{target} is not a possible name ({reason(error)}); choose another") from None


def make_folder(folder: Path, *, parents: bool = True) -> Path:
    """Make a folder for results, parents included.

    Raises
    ------
    OutputError
        If something else has that name, or the folder cannot be made.
    """
    try:
        new_folder(folder, parents=parents)
    except FileExistsError:
        raise OutputError(f"{folder} cannot be made, for a file has that name; choose another folder") from None
    except (OSError, ValueError) as error:
        raise OutputError(f"{folder} cannot be made ({reason(error)}); choose another folder") from None
    return folder


def new_folder(folder: Path, *, parents: bool = True) -> None:
    """Make a folder as `Path.mkdir` does, if it is missing, and remember it for `remove_empty_folders`."""
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    folder.mkdir(parents=parents, exist_ok=True)
    _made.extend(reversed(missing))


def remove_empty_folders() -> None:
    """Take away the folders that this process has made and that hold nothing, after a failure."""
    while _made:
        with contextlib.suppress(OSError):
            _made.pop().rmdir()


class PartFile:
    """An empty file beside `target`, locked, that becomes the target when it is published.

    As a context manager it is published on leaving, or discarded where an error is what leaves.

    Parameters
    ----------
    target : Path
        What the file will be called.
    overwrite : bool
        Replace an existing target.

    Attributes
    ----------
    path : Path
        Where the file is now.

    Raises
    ------
    OutputError
        If the target exists and may not be replaced, or its folder cannot be written to.
    """

    def __init__(self, target: Path, *, overwrite: bool) -> None:
        self.target = target
        self._overwrite = overwrite
        check_target(target, overwrite=overwrite)
        self._check_name()
        while True:
            self.path = target.with_name(_new_name())
            try:
                self._descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666)
            except OSError as error:
                raise OutputError(
                    f"{target.parent} cannot be written to ({reason(error)}); check its permissions and space, "
                    "or choose another folder"
                ) from None
            if _lock(self._descriptor) is None or _still_there(self.path, self._descriptor):
                return
            os.close(self._descriptor)  # swept away between its making and its locking

    def _check_name(self) -> None:
        # The part's own name is short, so a name that the file system refuses must be found out now.
        try:
            os.lstat(self.target)
        except FileNotFoundError:
            return
        except (OSError, ValueError) as error:
            raise OutputError(f"{self.target} is not a possible name ({reason(error)}); choose another") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self.publish()
        else:
            self.discard()

    def write(self, content: bytes) -> None:
        """Fill the file.

        Raises
        ------
        OutputError
            If that fails; the part stays, to be discarded.
        """
        try:
            self.path.write_bytes(content)
        except OSError as error:
            raise OutputError(
                f"{self.target} cannot be written ({reason(error)}); check its permissions and the space there"
            ) from None

    def publish(self) -> None:
        """Give the file its name: on disk first, then in one step.

        Raises
        ------
        OutputError
            If that fails; the part is removed.
        """
        try:
            os.fsync(self._descriptor)
            if self._overwrite:
                self.path.replace(self.target)
            else:
                self._take_free_name()
            _sync_folder(self.target.parent)
        except OutputError:  # an OSError too, but one that says all
            self.discard()
            raise
        except OSError as error:
            self.discard()
            raise OutputError(
                f"{self.target} cannot be finished ({reason(error)}); check the space and permissions of its "
                "folder"
            ) from None
        except BaseException:
            self.discard()
            raise
        os.close(self._descriptor)

    def _take_free_name(self) -> None:
        # A link fails where a rename would silently replace what another process has made meanwhile.
        try:
            os.link(self.path, self.target)
        except FileExistsError:
            check_target(self.target, overwrite=False)
            raise
        except OSError:  # a file system without links
            check_target(self.target, overwrite=False)
            self.path.replace(self.target)
        else:
            self.path.unlink()

    def discard(self) -> None:
        """Remove the file."""
        with contextlib.suppress(OSError):
            self.path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            os.close(self._descriptor)


def write_whole(target: Path, content: bytes, *, overwrite: bool) -> None:
    """Write a file that is there whole or not at all.

    Raises
    ------
    OutputError
        If it exists and may not be replaced, or cannot be written.
    """
    with PartFile(target, overwrite=overwrite) as part:
        part.write(content)


def write_together(files: Mapping[Path, bytes], *, overwrite: bool) -> None:
    """Write files of which none takes its name before all are written.

    Raises
    ------
    OutputError
        If one exists and may not be replaced, or cannot be written.
    """
    with contextlib.ExitStack() as parts:
        for target, content in files.items():
            parts.enter_context(PartFile(target, overwrite=overwrite)).write(content)


class PartFolder:
    """A locked folder for what a rendering of several files keeps until its end; removed on leaving."""

    def __init__(self, parent: Path) -> None:
        self.path = parent / _new_name()
        self._descriptor: int | None = None
        try:
            self.path.mkdir()
            if fcntl is not None:
                self._descriptor = os.open(self.path, os.O_RDONLY)
                _lock(self._descriptor)
        except OSError as error:
            raise OutputError(
                f"{parent} cannot be written to ({reason(error)}); check its permissions and space, or choose "
                "another folder"
            ) from None

    def __enter__(self) -> Path:
        return self.path

    def __exit__(self, *_: object) -> None:
        shutil.rmtree(self.path, ignore_errors=True)
        if self._descriptor is not None:
            os.close(self._descriptor)


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError:  # some network file systems refuse; the rename stands all the same
        return
    finally:
        os.close(descriptor)


def sweep(folder: Path) -> int:
    """Remove from a folder the parts that no living process is making.

    Parameters
    ----------
    folder : Path
        Looked through without its sub-folders; it need not exist.

    Returns
    -------
    int
        How many were removed.
    """
    removed = 0
    try:
        found = [entry for entry in os.scandir(folder) if _NAME.fullmatch(entry.name)]
    except OSError:
        return 0
    for entry in found:
        with contextlib.suppress(OSError):
            if entry.is_symlink() or not (entry.is_file() or entry.is_dir()):
                continue  # not ours: parts are never links
            if fcntl is None:
                Path(entry.path).unlink()
                removed += 1
                continue
            descriptor = os.open(entry.path, os.O_RDONLY | os.O_NOFOLLOW)
            try:
                if not _lock(descriptor):
                    continue
                if entry.is_dir(follow_symlinks=False):
                    shutil.rmtree(entry.path, ignore_errors=True)
                else:
                    Path(entry.path).unlink()
                removed += 1
            finally:
                os.close(descriptor)
    return removed
