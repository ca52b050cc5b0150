"""A session in Ardour, without a screen or a sound card: insert, automate, save, reopen, bounce, compare.

In LV2 and VST3. Ardour's Lua runner does what a composer does. The stem is written into the session's file, as an
import writes it: the runner has no call that imports.
"""

import base64
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile as sf
from lv2_host import Lv2Plugin
from typer.testing import CliRunner

from tapeemu import Chain, WowFlutter
from tapeemu.chain import Stage
from tapeemu.cli import app
from tapeemu.plugins.installing import install
from tapeemu.plugins.preset_files import vst3_class
from tapeemu.presets import load_preset

RUNNER = next(filter(None, (shutil.which(f"ardour{number}-lua") for number in (7, 8, 9))), None)

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(sys.platform != "linux", reason="the plug-ins are installed as on Linux"),
    pytest.mark.skipif(RUNNER is None, reason="Ardour's Lua runner is not installed (Debian: ardour, 18 MB)"),
]

SCRIPT = Path(__file__).parents[2] / "shared" / "ardour_session.lua"
KIND, RATE, LENGTH, STEP = "wow_flutter", 48_000, 144_000, 96_000
# Ardour reads ahead by the latency, but not before the beginning: as many samples never reach the plug-in.
SETTLED = 240
TAKEN_OVER = 6_000  # a change hears the sound for up to 0.1 s, then takes over in 30 ms
TICKS = 282_240_000  # of Ardour's clock, a second

FORMAT = """<?xml version="1.0" encoding="UTF-8"?>
<ExportPreset id="{number}" name="Float">
  <ExportFormat id="20b4ab09-6452-4cb3-bd66-b921cdbd2942"/>
  <ExportFilename><Folder relative="1" path="export"/><Field name="timespan" enabled="1"/></ExportFilename>
</ExportPreset>
"""
"""What to export: Ardour's own format of 32-bit float WAV."""

NUMBER = "5f3c7f0e-3e52-4a1e-9b5e-0c6d5a1e7b01"

REGION = (
    '<Region name="stem" muted="0" opaque="1" locked="0" video-locked="0" automatic="0" whole-file="0" import="0" '
    'external="0" sync-marked="0" left-of-split="0" right-of-split="0" hidden="0" position-locked="0" '
    'valid-transients="0" start="a0" length="a{ticks}@a0" sync-position="a0" ancestral-start="a0" '
    'ancestral-length="a0@a0" stretch="1" shift="1" layering-index="0" tags="" contents="0" envelope-active="0" '
    'default-fade-in="0" default-fade-out="0" fade-in-active="0" fade-out-active="0" scale-amplitude="1" '
    'id="9002" type="audio" first-edit="nothing" source-0="9000" source-1="9001" master-source-0="9000" '
    'master-source-1="9001" channels="2"/>'
)
SOURCE = (
    '<Source name="stem.wav" take-id="" type="audio" flags="" id="{number}" channel="{channel}" origin="" '
    'gain="1"/>'
)


def ardour(home: Path, *words: str | int) -> str:
    """What the runner says."""
    command = [str(RUNNER), str(SCRIPT), str(words[0]), str(home / "session"), "session", *map(str, words[1:])]
    done = subprocess.run(
        command,
        env={"HOME": str(home), "PATH": os.environ["PATH"], "LC_ALL": "C"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
        timeout=120,
    )
    assert "Error:" not in done.stdout, done.stdout
    return done.stdout


def put_stem(session: Path, audio: npt.NDArray[np.float32]) -> None:
    """A stem at the beginning of the track, as a region without fades."""
    folder = session / "interchange" / "session" / "audiofiles"
    sf.write(folder / "stem.wav", audio.T, RATE, subtype="FLOAT")
    file = session / "session.ardour"
    text = file.read_text("utf-8")
    sources = "".join(SOURCE.format(number=9_000 + channel, channel=channel) for channel in range(2))
    region = REGION.format(ticks=LENGTH * TICKS // RATE)
    for old, new in (
        (r"<Sources/>", f"<Sources>{sources}</Sources>"),
        (r"<Playlist ([^>]*)/>", rf"<Playlist \1>{region}</Playlist>"),
        (r'id-counter="\d+"', 'id-counter="10000"'),
    ):
        text, count = re.subn(old, new, text, count=1)
        assert count == 1, old
    file.write_text(text, "utf-8")


def expected(audio: npt.NDArray[np.float32], mix_percent: float) -> npt.NDArray[np.float32]:
    """What Python makes of it. Ardour tells a plug-in the place that is heard, its latency earlier."""
    chain = Chain(stages=[Stage(processor=WowFlutter(), mix_percent=mix_percent)])
    latency = chain.stream(sample_rate=RATE, channels=2).latency
    stream = chain.stream(sample_rate=RATE, channels=2, start_sample=-latency)
    padded = np.concatenate([audio, np.zeros((2, latency), np.float32)], axis=1)
    return np.asarray(stream.process(padded)[:, latency:])


@pytest.fixture
def home(tmp_path: Path, plugins: Path) -> Path:
    install(tmp_path)
    presets = tmp_path / ".config" / f"{Path(str(RUNNER)).name.removesuffix('-lua')}" / "export"
    presets.mkdir(parents=True)
    (presets / "float.preset").write_text(FORMAT.format(number=NUMBER), "utf-8")
    return tmp_path


def found_by_ardour(home: Path) -> None:
    """Let Ardour look at the VST3 plug-ins, as its own list of plug-ins does: the runner reads what was found."""
    folder = next(Path("/usr/lib").glob(Path(str(RUNNER)).name.removesuffix("-lua")))
    subprocess.run(
        [str(folder / "ardour-vst3-scanner"), "-f", str(home / ".vst3" / "tapeemu.vst3")],
        env={"HOME": str(home), "PATH": os.environ["PATH"], "LD_LIBRARY_PATH": str(folder)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        check=True,
        timeout=120,
    )


def bounce(home: Path, name: str) -> npt.NDArray[np.float32]:
    said = ardour(home, "bounce", name, LENGTH, NUMBER)
    assert "Tape Wow and Flutter" in said
    made, rate = sf.read(home / "session" / f"{name}.wav", dtype="float32")
    assert rate == RATE
    assert sf.info(home / "session" / f"{name}.wav").subtype == "FLOAT"
    return np.asarray(made.T)


def ports(bundle: Path) -> Sequence[str]:
    plugin = Lv2Plugin(bundle, f"urn:tapeemu:{KIND}")
    plugin.activate()
    plugin.end()
    return plugin.symbols


def session_with_automation(
    home: Path, sort: str, identifier: str, number: int, port: int
) -> npt.NDArray[np.float32]:
    """A session whose track has a stem and the plug-in: whole and, from a sample on, half of it; the stem."""
    time = np.arange(LENGTH) / RATE
    noise = np.random.default_rng(3).normal(0.0, 0.02, (2, LENGTH))
    audio = (0.2 * np.sin(2.0 * np.pi * 440.0 * time) + noise).astype(np.float32)
    ardour(home, "make")
    put_stem(home / "session", audio)
    said = ardour(home, "insert", identifier, number, port, STEP, 100, 50, sort)
    assert re.search(r"automated\s+Mix\s+0\.0\s+100\.0", said), said
    assert f'automation-id="parameter-{port}"' in (home / "session" / "session.ardour").read_text("utf-8")
    return audio


def check_bounces(home: Path, audio: npt.NDArray[np.float32]) -> None:
    """Opened again by another process, twice: the bits of Python."""
    made = bounce(home, "first")
    assert np.array_equal(bounce(home, "second"), made)
    before, after = expected(audio, 100.0), expected(audio, 50.0)
    assert np.array_equal(made[:, SETTLED:STEP], before[:, SETTLED:STEP])
    assert np.array_equal(made[:, STEP + TAKEN_OVER :], after[:, STEP + TAKEN_OVER :])
    assert np.max(np.abs(made)) < 1.05 * np.max(np.abs(audio))


def check_kept(home: Path, state: Path) -> None:
    """What a host saved opens on the command line, and is the plug-in as it stood."""
    assert load_preset(str(state)).chain.stages[0].processor == WowFlutter()
    told = CliRunner().invoke(app, ["show", str(state)], catch_exceptions=False)
    assert told.exit_code == 0
    assert KIND in told.output


def test_an_lv2_session_keeps_the_plug_in_and_its_automation_and_bounces_what_python_makes(home: Path) -> None:
    port = ports(home / ".lv2" / "tapeemu.lv2").index("mix_percent")
    audio = session_with_automation(home, "LV2", f"urn:tapeemu:{KIND}", port - 4, port)
    check_kept(home, next((home / "session" / "plugins").rglob("state.ttl")))
    check_bounces(home, audio)


def test_a_vst3_session_keeps_the_plug_in_and_its_automation_and_bounces_what_python_makes(home: Path) -> None:
    found_by_ardour(home)
    audio = session_with_automation(home, "VST3", vst3_class(KIND), 1, 1)
    saved = (home / "session" / "session.ardour").read_text("utf-8")
    chunk = re.search(r"<chunk>(.*?)</chunk>", saved, re.DOTALL)
    assert chunk is not None
    state = home / "saved.vstpreset"
    state.write_bytes(base64.b64decode(chunk[1]))
    check_kept(home, state)
    check_bounces(home, audio)
