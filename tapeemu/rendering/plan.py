"""What a batch will do: the files it finds, and the name of each result.

All is planned before anything is rendered, so that results that would collide are found in time.
"""

import glob
import os
import sys
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tapeemu.errors import AudioError, OutputError, ParameterError, TapeemuError
from tapeemu.files.encodings import SUFFIXES
from tapeemu.files.part_files import reason
from tapeemu.rendering.delivery import Delivery, target_in

__all__ = ["BatchPlan", "Failure", "Item", "plan_batch", "sound_files"]


@dataclass(frozen=True)
class Item:
    """One file of a batch: where it comes from, where it goes."""

    source: Path
    target: Path


@dataclass(frozen=True)
class Failure:
    """A file that could not be done: why, and the class of the error."""

    source: Path
    error: TapeemuError | None
    message: str

    @classmethod
    def of(cls, source: Path, error: Exception) -> "Failure":
        """Failure from an exception; one that was not raised on purpose is an internal error."""
        if isinstance(error, TapeemuError):
            message = str(error)
            return cls(source, error, message if str(source) in message else f"{source}: {message}")
        return cls(source, None, f"{source}: internal error: {type(error).__name__}: {error}; please report it")


@dataclass(frozen=True)
class BatchPlan:
    """What will be rendered, and what of the wishes cannot be.

    Raises
    ------
    OutputError
        If a result would lie outside `folder`, by its name or because a link leads out of it.
    """

    folder: Path
    items: tuple[Item, ...]
    failures: tuple[Failure, ...] = ()

    def __post_init__(self) -> None:
        inside: dict[Path, bool] = {}
        for target in (item.target for item in self.items):
            if target.parent not in inside:
                inside[target.parent] = _leads_into(self.folder, target.parent)
            if target.name in ("", "..") or not inside[target.parent]:
                raise OutputError(
                    f"{target} would lie outside {self.folder}, by its name or by a link; results stay in the "
                    "output folder: name the input otherwise, or choose another folder"
                )


def plan_batch(inputs: Sequence[str | Path], out: str | Path, *, delivery: Delivery | None = None) -> BatchPlan:
    """Find the files of a batch and the name of each result.

    Parameters
    ----------
    inputs : sequence of str or Path
        Files; folders, searched with all their sub-folders for sound files (by suffix, hidden ones left
        out); patterns with ``*``, ``?``, ``[...]`` and ``**``. Below a folder, or below the fixed part of
        a pattern, results keep the sub-folders.
    out : str or Path
        Folder for the results. What lies in it is not taken as input.
    delivery : Delivery, optional
        Its container decides the suffix of the results.

    Returns
    -------
    BatchPlan
        Items in the order of the inputs, and a failure for each input that leads to no file.

    Raises
    ------
    ParameterError
        If two results would have the same name, or a pattern goes up behind its first wildcard.
    OutputError
        If a result would replace an input or lie outside `out`.
    """
    delivery = Delivery() if delivery is None else delivery
    folder = Path(out)
    items: list[Item] = []
    failures: list[Failure] = []
    for wish in inputs:
        try:
            items += _items_of(_named(wish), folder, delivery)
        except AudioError as error:
            failures.append(Failure.of(Path(wish), error))
    items = list(dict.fromkeys(items))
    _check_names(items)
    return BatchPlan(folder, tuple(items), tuple(failures))


def sound_files(inputs: Sequence[str | Path], *, out: str | Path | None = None) -> list[Path]:
    """Find the files that inputs name, in their order, each once.

    Parameters
    ----------
    inputs, out
        As for :func:`plan_batch`; without a folder for results nothing is left out.

    Raises
    ------
    AudioError
        If an input leads to no file.
    ParameterError
        If a pattern goes up behind its first wildcard.
    """
    results = None if out is None else Path(out)
    return list(dict.fromkeys(source for wish in inputs for source, _ in _found(_named(wish), results)))


def _named(wish: str | Path) -> Path:
    """An input as a path; an AudioError if it has no name, of which a path would make the present folder."""
    if wish == "":
        raise AudioError(
            "an input is '', but must name a file, a folder or a pattern; '.' is the folder you are in"
        )
    return Path(wish)


def _found(wish: Path, out: Path | None) -> list[tuple[Path, Path]]:
    """Sound files of one input, each with its place below it.

    Raises
    ------
    AudioError
        If it leads to no file.
    """
    try:
        return _find(wish, out)
    except TapeemuError:
        raise
    except (OSError, ValueError) as error:
        raise AudioError(f"{wish} cannot be opened or searched ({reason(error)}); check its name") from None


def _items_of(wish: Path, folder: Path, delivery: Delivery) -> list[Item]:
    """Items of one input; the errors are those of :func:`_found`."""
    return [
        Item(source, target_in(folder / relative.parent, source, delivery))
        for source, relative in _found(wish, folder)
    ]


def _leads_into(folder: Path, place: Path) -> bool:
    """Whether a place lies in a folder, by its name and after links are followed."""
    return place.is_relative_to(folder) and Path(_real(place)).is_relative_to(_real(folder))


def _find(wish: Path, out: Path | None) -> list[tuple[Path, Path]]:
    """Sound files of one input, each with its place below it."""
    if wish.is_dir():
        found = [(path, path.relative_to(wish)) for path in _walk(wish, out)]
        if not found:
            raise AudioError(f"{wish} is a folder without sound files; name the files, or another folder")
        return found
    if wish.name in ("", ".."):
        raise AudioError(f"{wish} is not an existing folder; check its name")
    if os.path.lexists(wish) or not glob.has_magic(str(wish)):
        return [(wish, Path(wish.name))]
    fixed = wish
    while glob.has_magic(str(fixed)):
        fixed = fixed.parent
    inside = _outside_of(out)
    pattern = str(wish.relative_to(fixed))
    if ".." in Path(pattern).parts:
        # What is found keeps its place below the fixed part, and '..' would lead out of the output folder.
        raise ParameterError(
            f"{wish} goes up ('..') behind its first wildcard, but may only before it; give the folder to search"
        )
    files = sorted(
        path
        for path in fixed.glob(pattern)
        if inside(path)
        and not path.is_dir()
        and ("/." in f"/{pattern}" or not any(part.startswith(".") for part in path.relative_to(fixed).parts))
    )
    if not files:
        raise AudioError(f"{wish} matches no file; check the pattern")
    return [(path, path.relative_to(fixed)) for path in files]


def _walk(folder: Path, out: Path | None) -> Iterator[Path]:
    wanted = _outside_of(None if out is None or _same(folder, out) else out)
    for parent, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            path = Path(parent, name)
            if path.suffix.lower() in SUFFIXES and not name.startswith(".") and wanted(path):
                yield path


def _outside_of(out: Path | None) -> Callable[[Path], bool]:
    """Whether a file lies outside the folder of results, if there is one."""
    if out is None:
        return lambda _: True
    results = out.resolve()
    return lambda path: not path.parent.resolve().is_relative_to(results)


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def _real(path: Path) -> str:
    try:
        return os.path.realpath(path)
    except (OSError, ValueError):  # not a possible name, which is told when it is opened
        return str(path)


def _check_names(items: Iterable[Item]) -> None:
    taken: dict[str, Item] = {}
    sources = {_real(item.source): item.source for item in items}
    for item in items:
        name = str(item.target)
        if sys.platform in ("win32", "darwin"):  # file systems that take these for one name
            name = unicodedata.normalize("NFC", name).casefold()
        if name in taken:
            raise ParameterError(
                f"{taken[name].source} and {item.source} would both become {item.target}; rename one, or render "
                "them into different folders"
            )
        taken[name] = item
        own = sources.get(_real(item.target))
        if own is not None:
            raise OutputError(f"{item.target} is an input ({own}); write to another folder")
