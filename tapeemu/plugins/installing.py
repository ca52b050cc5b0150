"""Plug-ins where hosts look for them, for this user alone."""

import os
import shutil
import sys
from collections.abc import Mapping
from pathlib import Path

from tapeemu.errors import OutputError
from tapeemu.plugins.building import FORMATS, NAME, build

__all__ = ["find_installed", "folders", "install", "remove"]


def folders(home: Path | None = None) -> Mapping[str, Path]:
    """The folder of each format in which hosts look for plug-ins of one user.

    As the formats' documents name them; the user's home is that of the system if left out.
    """
    home = home or Path.home()
    if sys.platform == "darwin":
        audio = home / "Library" / "Audio" / "Plug-Ins"
        return {"clap": audio / "CLAP", "lv2": audio / "LV2", "vst3": audio / "VST3"}
    if sys.platform == "win32":
        local = Path(os.environ.get("LOCALAPPDATA", home / "AppData" / "Local"))
        roaming = Path(os.environ.get("APPDATA", home / "AppData" / "Roaming"))
        common = local / "Programs" / "Common"
        return {"clap": common / "CLAP", "lv2": roaming / "LV2", "vst3": common / "VST3"}
    return {each: home / f".{each}" for each in FORMATS}


def install(home: Path | None = None) -> list[Path]:
    """Build the plug-ins where that is needed, and copy them to where hosts look; those there are replaced.

    Returns
    -------
    list of Path
        What now stands there.

    Raises
    ------
    BuildError
        If they cannot be built.
    OutputError
        If a folder cannot be written to.
    """
    made = build()
    placed = []
    for sort, folder in folders(home).items():
        source, target = made / f"{NAME}.{sort}", folder / f"{NAME}.{sort}"
        part = target.with_name(f"{target.name}.part-{os.getpid()}")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if source.is_dir():
                shutil.copytree(source, part)
            else:
                shutil.copy2(source, part)
            _delete(target)
            part.rename(target)
        except OSError as error:
            _delete(part)
            raise OutputError(f"{target} cannot be written ({error.strerror}); close hosts that use it") from None
        placed.append(target)
    return placed


def find_installed(home: Path | None = None) -> list[Path]:
    """The plug-ins that stand where hosts look."""
    paths = [folder / f"{NAME}.{sort}" for sort, folder in folders(home).items()]
    return [path for path in paths if path.exists()]


def remove(home: Path | None = None) -> list[Path]:
    """Take the plug-ins away again.

    Returns
    -------
    list of Path
        What was there.

    Raises
    ------
    OutputError
        If one cannot be deleted.
    """
    found = find_installed(home)
    for path in found:
        try:
            _delete(path)
        except OSError as error:
            raise OutputError(f"{path} cannot be deleted ({error.strerror}); close hosts that use it") from None
    return found


def _delete(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
