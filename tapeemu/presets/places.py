"""Where preset files are: shipped with the package, in the user's own folder, or anywhere by path."""

import difflib
import os
import re
from pathlib import Path
from typing import Literal, NamedTuple

from tapeemu.errors import PresetError
from tapeemu.presets.host_states import HOST_ENDINGS

__all__ = ["NAME", "Place", "find_preset", "list_places", "shipped_folder", "user_folder"]

NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
"""Names of presets: lower-case words and numbers joined by hyphens."""

_FOLDER_VARIABLE = "TAPEEMU_PRESETS"


class Place(NamedTuple):
    """A preset file and where it comes from.

    Attributes
    ----------
    name : str
        Name of the preset: the file's name without its ending.
    path : Path
        The file.
    origin : str
        ``"shipped"``, ``"own"`` (in the user's folder) or ``"file"`` (given by path).
    hides : Path or None
        The shipped preset of the same name that it stands in front of.
    """

    name: str
    path: Path
    origin: Literal["shipped", "own", "file"]
    hides: Path | None = None


def shipped_folder() -> Path:
    """The folder of the presets that come with the package."""
    inside = Path(__file__).parent.parent / "shipped_presets"
    return inside if inside.is_dir() else Path(__file__).parents[2] / "presets"


def user_folder() -> Path:
    """The folder of the user's own presets; it need not exist.

    The environment variable ``TAPEEMU_PRESETS`` names it; otherwise it is the platform's usual place for
    an application's data.
    """
    named = os.environ.get(_FOLDER_VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("tapeemu", appauthor=False) / "presets"


def find_preset(name_or_path: str | Path) -> Place:
    """Find a preset by name, the user's own before the shipped ones, or by path.

    Parameters
    ----------
    name_or_path : str or Path
        A name such as ``"hall-into-drive"``, or the path of a file: anything that ends as one does (``.toml``, or
        ``.vstpreset`` and ``.ttl``, which hosts save) or holds a path separator.

    Raises
    ------
    PresetError
        If there is none; names that look alike are offered.
    """
    text = str(name_or_path)
    path = Path(text)
    if "\0" in text:
        raise PresetError(f"{text!r} is not a possible name of a preset; 'tapeemu presets' lists those there are")
    if (
        isinstance(name_or_path, Path)
        or path.suffix in (".toml", *HOST_ENDINGS)
        or len(path.parts) != 1
        or path.is_absolute()
    ):
        if not _is_file(path):
            raise PresetError(f"there is no preset file {text!r}; give a name, or the path of a .toml file")
        return Place(path.stem, path, "file")
    for place in list_places():
        if place.name == text:
            return place
    names = [place.name for place in list_places()]
    beside = Path(f"{text}.toml")
    if _is_file(beside):
        raise PresetError(f"there is no preset {text!r}; did you mean the file {str(beside)!r}?")
    near = difflib.get_close_matches(text.lower().replace("_", "-").replace(" ", "-"), names, n=3)
    listed = "'tapeemu presets' lists those there are"
    hint = f"did you mean {' or '.join(repr(each) for each in near)}?" if near else ""
    raise PresetError(f"there is no preset {text!r}; {hint or listed}")


def list_places() -> list[Place]:
    """Every preset that has a name, in order of names; the user's own hide shipped ones of the same name."""
    shipped = _files_in(shipped_folder())
    own = _files_in(user_folder())
    found = [Place(name, path, "own", shipped.get(name)) for name, path in own.items()]
    found += [Place(name, path, "shipped") for name, path in shipped.items() if name not in own]
    return sorted(found)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _files_in(folder: Path) -> dict[str, Path]:
    try:
        return {path.stem: path for path in folder.glob("*.toml") if NAME.fullmatch(path.stem) and path.is_file()}
    except OSError:
        return {}
