"""Plug-ins where hosts look for them, for this user alone."""

import contextlib
import os
import shutil
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

from tapeemu.errors import OutputError
from tapeemu.files.part_files import new_folder, write_together
from tapeemu.plugins.building import FORMATS, NAME, build, reason_of, unwritable
from tapeemu.plugins.preset_files import vst3_preset
from tapeemu.plugins.tables import shipped_presets

__all__ = ["find_installed", "folders", "install", "preset_folder", "put", "remove"]


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


def preset_folder(home: Path | None = None) -> Path:
    """The folder in which VST3 hosts look for one user's presets of the plug-in that holds a chain.

    As the format's documents name it (from memory): maker, then plug-in.
    """
    home = home or Path.home()
    base = {
        "darwin": home / "Library" / "Audio" / "Presets",
        "win32": home / "Documents" / "VST3 Presets",
    }.get(sys.platform, home / ".vst3" / "presets")
    return base / NAME / "Tape Suite Chain"


def install(home: Path | None = None) -> list[Path]:
    """Build the plug-ins where that is needed, and copy them to where hosts look; those there are replaced.

    The shipped presets go to where VST3 hosts look for presets; those of the same name are replaced.

    Returns
    -------
    list of Path
        What now stands there.

    Raises
    ------
    BuildError
        If they cannot be built.
    OutputError
        If a folder cannot be written to, or something else stands there under the name of a plug-in.
    """
    made = build()
    places = {made / f"{NAME}.{sort}": folder for sort, folder in folders(home).items()}
    presets = preset_folder(home)
    texts = {presets / f"{name}.vstpreset": vst3_preset("chain", text) for name, text in shipped_presets().items()}
    with contextlib.ExitStack() as whole:  # nothing takes its place before all is there
        placed = [whole.enter_context(_copied(plugin, folder)) for plugin, folder in places.items()]
        try:
            new_folder(presets)
        except OSError as error:
            raise unwritable(presets, error, "make it writable") from None
        write_together(texts, overwrite=True)
    return [*placed, presets]


def put(plugin: Path, folder: Path) -> Path:
    """Copy a plug-in into a folder, whole or not at all; one of the same name is replaced.

    Raises
    ------
    OutputError
        If the folder cannot be written to, or something else has the plug-in's name there.
    """
    with _copied(plugin, folder) as target:
        return target


@contextlib.contextmanager
def _copied(plugin: Path, folder: Path) -> Iterator[Path]:
    """A copy beside its place, which it takes on leaving, unless an error is what leaves."""
    target = folder / plugin.name
    part = target.with_name(f"{target.name}.part-{os.getpid()}")
    try:
        new_folder(folder)
        if not _is_ours(target):
            raise OutputError(f"{target} is no plug-in of tapeemu; move it elsewhere")
        if plugin.is_dir():
            shutil.copytree(plugin, part)
        else:
            shutil.copy2(plugin, part)
        yield target
        _delete(target)
        part.rename(target)
    except OutputError:  # of what is copied at the same time, and says all
        raise
    except OSError as error:
        raise unwritable(target, error, "make it writable, and close hosts that use it") from None
    finally:
        with contextlib.suppress(OSError):
            _delete(part)


def find_installed(home: Path | None = None) -> list[Path]:
    """The plug-ins that stand where hosts look."""
    paths = [folder / f"{NAME}.{sort}" for sort, folder in folders(home).items()]
    presets = preset_folder(home)
    shipped = any((presets / f"{name}.vstpreset").exists() for name in shipped_presets())
    return [path for path in paths if path.exists() and _is_ours(path)] + ([presets] if shipped else [])


def _is_ours(plugin: Path) -> bool:
    """Whether a file or folder, if there is one, holds a library that names the chain of this suite."""
    files = [path for path in (plugin, *plugin.rglob("*")) if path.is_file()]
    return not files or any(b"tapeemu.chain" in path.read_bytes() for path in files)


def remove(home: Path | None = None) -> list[Path]:
    """Take the plug-ins and the shipped presets away again; all else stays, presets of other names too.

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
            if path == preset_folder(home):
                _delete_presets(path)
            else:
                _delete(path)
        except OSError as error:
            remedy = "make its folder writable, and close hosts that use it"
            raise OutputError(f"{path} cannot be deleted ({reason_of(error)}); {remedy}") from None
    return found


def _delete_presets(folder: Path) -> None:
    for name in shipped_presets():
        (folder / f"{name}.vstpreset").unlink(missing_ok=True)
    for each in (folder, folder.parent):
        if not any(each.iterdir()):
            each.rmdir()


def _delete(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
