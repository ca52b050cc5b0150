"""Presets: chains in TOML files, by name or by path."""

import tomllib
from pathlib import Path

from tapeemu.chain import Chain
from tapeemu.errors import ParameterError, PresetError

__all__ = ["load_chain", "shipped_folder"]


def shipped_folder() -> Path:
    """The folder of the presets that come with the package."""
    inside = Path(__file__).with_name("shipped_presets")
    return inside if inside.is_dir() else Path(__file__).parent.parent / "presets"


def load_chain(name: str | Path) -> Chain:
    """The chain of a preset."""
    path = Path(name)
    if path.suffix != ".toml":
        path = shipped_folder() / f"{name}.toml"
    if not path.is_file():
        raise PresetError(f"there is no preset {str(name)!r}; 'tapeemu presets' lists those there are")
    try:
        table = tomllib.loads(path.read_text("utf-8"))
        return Chain.from_dict({"stages": table.get("stages", [])})
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, ParameterError) as error:
        raise PresetError(f"{path}: {error}") from None
