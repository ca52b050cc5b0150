"""LV2: files that keep to the format's own rules, states, presets, and the song's position."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from bypassing import check_bypass, played_with_bypass, wave
from lv2_host import Lv2Plugin

from tapeemu import PreampDrive, WowFlutter
from tapeemu.plugins.tables import shipped_presets
from tapeemu.plugins.turtle import literal
from tapeemu.presets.reading import parse_preset

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test host loads libraries of Linux")

KEY = "urn:tapeemu:preset"


@pytest.fixture(scope="module")
def bundle(plugins: Path) -> Path:
    return plugins / "tapeemu.lv2"


def noise(samples: int) -> npt.NDArray[np.float32]:
    return np.random.default_rng(3).normal(0.0, 0.1, (2, samples)).astype(np.float32)


def near(one: npt.NDArray[np.float32], other: npt.NDArray[np.float32]) -> bool:
    return bool(np.all(np.abs(one - other) <= 2.0 * np.spacing(np.abs(other)) + 1e-10))


@pytest.mark.skipif(
    shutil.which("lv2_validate") is None or shutil.which("sord_validate") is None,
    reason="lv2_validate or sord_validate is not installed (Debian: lv2-dev, sordi)",
)
def test_the_turtle_files_keep_to_the_schemas_of_the_format(bundle: Path) -> None:
    done = subprocess.run(
        ["lv2_validate", *sorted(map(str, bundle.glob("*.ttl")))],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert "Found 0 errors" in done.stdout + done.stderr
    assert done.returncode == 0


@pytest.mark.skipif(shutil.which("lv2info") is None, reason="lv2info is not installed (Debian: lilv-utils)")
def test_a_host_lists_the_presets(plugins: Path) -> None:
    done = subprocess.run(
        ["lv2info", "urn:tapeemu:chain"],
        env={**os.environ, "LV2_PATH": f"{plugins}:/usr/lib/lv2"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert set(shipped_presets()) <= set(done.stdout.partition("Presets:")[2].split())


def test_presets_stand_in_the_file_as_they_are(bundle: Path) -> None:
    text = (bundle / "presets.ttl").read_text("utf-8")
    states = re.findall(r"state:state \[ <urn:tapeemu:preset> (\".*\") \] \.", text)
    assert states == [literal(each) for each in shipped_presets().values()]
    assert literal('a "b"\n\\') == r'"a \"b\"\n\\"'


def test_a_state_is_the_text_of_a_preset_and_bad_ones_change_nothing(bundle: Path) -> None:
    one, other = Lv2Plugin(bundle, "urn:tapeemu:chain"), Lv2Plugin(bundle, "urn:tapeemu:chain")
    text = shipped_presets()["bounced-three-times"].encode()
    assert one.restore({KEY: text + b"\0"})
    assert one.save() == {KEY: text + b"\0"}
    assert other.restore(one.save())
    assert not other.restore({})
    assert not other.restore({KEY: b"format = 1"})
    assert not other.restore({KEY: text}, sort="Int")
    assert other.save() == one.save()
    chain = parse_preset(text.decode(), name="state").chain
    other.controls["stages_1_mix_percent"].value = chain.stages[0].mix_percent
    other.activate()
    stream = chain.stream(sample_rate=48_000.0, channels=2)
    assert near(other.run(noise(2_400)), stream.process(noise(2_400)))
    assert other.controls["latency"].value == stream.latency
    one.end()
    other.end()


def test_the_place_on_the_tape_is_that_of_the_song(bundle: Path) -> None:
    audio, flutter = noise(2_400), WowFlutter()
    plugin = Lv2Plugin(bundle, "urn:tapeemu:wow_flutter")
    plugin.activate()
    made = [plugin.run(audio[:, :1_000], {0: (480_000, 1.0)}), plugin.run(audio[:, 1_000:])]
    plugin.end()
    stream = flutter.stream(sample_rate=48_000.0, channels=2, start_sample=480_000)
    assert near(np.concatenate(made, axis=1), stream.process(audio))


def test_a_position_counts_from_its_own_sample_and_only_while_the_song_plays(bundle: Path) -> None:
    audio = noise(2_400)
    standing = Lv2Plugin(bundle, "urn:tapeemu:wow_flutter")
    free = Lv2Plugin(bundle, "urn:tapeemu:wow_flutter")
    for plugin in (standing, free):
        plugin.activate()
    expected = free.run(audio)
    assert np.array_equal(standing.run(audio, {0: (480_000, 0.0)}), expected)
    # 700 samples free, then a jump: until the change has begun to sound it is the tape that ran before.
    moved = Lv2Plugin(bundle, "urn:tapeemu:wow_flutter")
    moved.activate()
    out = moved.run(audio, {700: (480_000, 1.0)})
    assert np.array_equal(out[:, :700], expected[:, :700])
    assert np.all(np.isfinite(out))
    for plugin in (standing, free, moved):
        plugin.end()


@pytest.mark.parametrize(("port", "bypassed"), [("enabled", 0.0), ("bypass", 1.0)])
def test_the_hosts_switch_and_the_knob_bypass_without_a_click(bundle: Path, port: str, bypassed: float) -> None:
    """`lv2:enabled` is 1 while the plug-in is heard, as the schema of LV2 says."""
    plugin = Lv2Plugin(bundle, "urn:tapeemu:wow_flutter")
    plugin.activate()

    def switch(off: bool) -> None:
        plugin.controls[port].value = bypassed if off else 1.0 - bypassed

    heard = played_with_bypass(plugin.run, switch)
    late = plugin.controls["latency"].value
    plugin.end()
    check_bypass(heard, wave().astype(np.float32), int(late))


def test_a_host_that_renders_offline_hears_every_change_and_the_song_from_its_beginning(bundle: Path) -> None:
    """As fast as it can, after the plug-in ran free on other sound, as it does before a bounce begins."""
    audio = noise(24_000)

    def bounce(before: int) -> npt.NDArray[np.float32]:
        plugin = Lv2Plugin(bundle, "urn:tapeemu:preamp_drive")
        plugin.activate()
        plugin.controls["freewheel"].value = 1.0
        plugin.run(noise(before))
        parts = [plugin.run(audio[:, :12_000], {0: (0, 1.0)})]
        plugin.controls["drive_db_set"].value = 1.0
        plugin.controls["drive_db"].value = 22.0
        parts.append(plugin.run(audio[:, 12_000:]))
        plugin.end()
        return np.concatenate(parts, axis=1)

    made = bounce(9_000)
    assert np.array_equal(made, bounce(5_000))
    first, last = (
        each.stream(sample_rate=48_000.0, channels=2) for each in (PreampDrive(), PreampDrive(drive_db=22.0))
    )
    assert np.array_equal(made[:, :12_000], first.process(audio[:, :12_000]))
    assert np.max(np.abs(made[:, -600:] - last.process(audio)[:, -600:])) < 1e-4


@pytest.mark.parametrize("frame", [2**63 - 1, -(2**63)])
def test_a_place_that_no_song_has_breaks_nothing(bundle: Path, frame: int) -> None:
    plugin = Lv2Plugin(bundle, "urn:tapeemu:wow_flutter")
    plugin.activate()
    for _ in range(3):
        assert np.all(np.isfinite(plugin.run(noise(2_400), {5: (frame, 1.0)})))
    plugin.end()
