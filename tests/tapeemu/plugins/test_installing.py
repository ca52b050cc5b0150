"""Plug-ins where hosts look for them."""

import errno
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeemu import PreampDrive
from tapeemu.errors import OutputError
from tapeemu.plugins.installing import find_installed, install, remove
from tapeemu.plugins.tables import shipped_presets
from tapeemu.presets.host_states import vst3_preset_text


def test_plugins_are_installed_and_removed(plugins: Path, tmp_path: Path) -> None:
    assert plugins.is_dir()
    placed = install(tmp_path)
    assert install(tmp_path) == placed == find_installed(tmp_path)
    assert {path.suffix for path in placed} == {".clap", ".lv2", ".vst3", ""}
    assert remove(tmp_path) == placed
    assert not find_installed(tmp_path)
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_presets_of_ones_own_stay(plugins: Path, tmp_path: Path) -> None:
    assert plugins.is_dir()
    folder = install(tmp_path)[-1]
    names = {path.stem for path in folder.iterdir()}
    assert names == set(shipped_presets())
    for name in names:
        data = (folder / f"{name}.vstpreset").read_bytes()
        assert vst3_preset_text(data) == shipped_presets()[name]
    mine = folder / "mine.vstpreset"
    mine.write_bytes(b"mine")
    assert folder in remove(tmp_path)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == [mine]
    assert not find_installed(tmp_path)


@pytest.mark.parametrize("name", [".clap", ".vst3", ".vst3/presets"])
def test_a_home_that_cannot_be_written_to_is_said_with_a_remedy(plugins: Path, tmp_path: Path, name: str) -> None:
    """A file where a folder should be, which no rights can write into."""
    assert plugins.is_dir()
    (tmp_path / name).parent.mkdir(exist_ok=True)
    (tmp_path / name).write_text("in the way")
    with pytest.raises(OutputError, match=r"cannot be written \(.*\); make it writable") as told:
        install(tmp_path)
    assert (", and close hosts" in str(told.value)) is (name != ".vst3/presets")
    assert "\n" not in str(told.value)
    assert not list(tmp_path.rglob("*.part-*"))


@pytest.mark.parametrize("name", [".clap/tapeemu.clap", ".lv2/tapeemu.lv2/manifest.ttl"])
def test_what_others_have_under_the_same_name_stays(plugins: Path, tmp_path: Path, name: str) -> None:
    assert plugins.is_dir()
    foreign = tmp_path / name
    foreign.parent.mkdir(parents=True)
    foreign.write_text("of somebody else")
    with pytest.raises(OutputError, match=r"tapeemu\.(clap|lv2) is no plug-in of tapeemu; move it elsewhere"):
        install(tmp_path)
    assert not find_installed(tmp_path)
    assert not remove(tmp_path)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == [foreign]
    assert foreign.read_text() == "of somebody else"


@pytest.mark.parametrize("full_at", ["a plug-in", "a preset"])
def test_a_disk_that_gets_full_leaves_what_was_there(
    plugins: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, full_at: str
) -> None:
    """The third plug-in found no room when two had taken their places, and presets were written over in place."""
    assert plugins.is_dir()
    install(tmp_path)
    before = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*") if path.is_file()}
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    copy = shutil.copytree

    def copied(source: Path, target: Path) -> None:
        if source.suffix == ".vst3":
            raise full
        copy(source, target)

    if full_at == "a plug-in":
        monkeypatch.setattr(shutil, "copytree", copied)
    else:
        monkeypatch.setattr(Path, "write_bytes", lambda *_: (_ for _ in ()).throw(full))
    with pytest.raises(OutputError, match="No space left on device"):
        install(tmp_path)
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*") if path.is_file()} == before


@pytest.mark.skipif(shutil.which("lv2apply") is None, reason="lv2apply is not installed (Debian: lilv-utils)")
def test_an_lv2_host_bounces_what_python_makes(plugins: Path, tmp_path: Path) -> None:
    audio = np.random.default_rng(4).normal(0.0, 0.1, 4_800).astype(np.float32)
    soundfile.write(tmp_path / "in.wav", audio, 48_000, subtype="FLOAT")
    subprocess.run(
        [
            *("lv2apply", "-i", "in.wav", "-o", "out.wav", "-c", "drive_db_set", "1", "-c", "drive_db", "12"),
            "urn:tapeemu:preamp_drive:mono",
        ],
        cwd=tmp_path,
        env={"LV2_PATH": f"{plugins}:/usr/lib/lv2", "PATH": "/usr/bin:/bin"},
        check=True,
        timeout=60,
    )
    out = soundfile.read(tmp_path / "out.wav", dtype="float32")[0]
    expected = PreampDrive(drive_db=12.0).stream(sample_rate=48_000.0, channels=1).process(audio)
    assert np.all(np.abs(out - expected[: len(out)]) <= 2.0 * np.spacing(np.abs(expected[: len(out)])) + 1e-10)
