"""Presets: settings and the figures they produce, in TOML files, by name or by path."""

from pathlib import Path

from tapeemu.presets.places import Place, find_preset, list_places, shipped_folder, user_folder
from tapeemu.presets.preset import Preset
from tapeemu.presets.reading import parse_preset, read_text

__all__ = [
    "Place",
    "Preset",
    "find_preset",
    "list_places",
    "load_preset",
    "parse_preset",
    "shipped_folder",
    "user_folder",
]


def load_preset(name_or_path: str | Path) -> Preset:
    """Read a preset: its chain, its figures, and what it is for.

    Parameters
    ----------
    name_or_path : str or Path
        A name (the user's own presets hide shipped ones), or the path of a file.

    Raises
    ------
    PresetError
        If there is none, or with every mistake in the file, its line and its key.
    """
    place = find_preset(name_or_path)
    return parse_preset(read_text(place.path), name=place.name, path=place.path)
