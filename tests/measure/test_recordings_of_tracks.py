"""Azimuth, crosstalk and print-through from recordings: what was built in is read, through flutter too."""

import json
import math
import shutil
import subprocess

import numpy as np
import pytest
import soundfile

from measure import MeasureError
from measure.command_line import main
from measure.parts.signals import print_through_burst
from measure.quantities.crosstalk import crosstalk_of_tracks
from measure.quantities.print_through import print_through_of_recording
from measure.recording import read_recording

RATE = 48_000
SPEED = 1.004


def phase(hz, seconds, late_seconds=0.0):
    """Of a tone on a tape that runs 0.4 % fast, with flutter of 0.3 % at 3 Hz: the closed form."""
    t = np.arange(round(seconds * RATE)) / RATE - late_seconds
    return 2.0 * np.pi * hz * (SPEED * t + 0.003 / (2.0 * np.pi * 3.0) * np.sin(2.0 * np.pi * 3.0 * t))


def test_azimuth_of_a_recorded_tone():
    left = 0.1 * np.sin(phase(6_300.0, 2.0))
    time = np.arange(len(left)) / RATE
    late = 1e-6 * (12.5 + 3.0 * np.sin(2.0 * np.pi * 1.0 * time))
    right = 0.08 * np.sin(phase(6_300.0, 2.0) - 2.0 * np.pi * 6_300.0 * SPEED * late)
    report = read_recording(np.stack([left, right]), RATE)
    assert report["azimuth_delay_us"].value == pytest.approx(12.5, abs=0.1)
    assert report["azimuth_wander_us"].value == pytest.approx(3.0 * math.cos(0.025 * math.pi), rel=0.05)
    assert report.curves["azimuth"].x.size > 100
    assert not any(key.startswith("crosstalk") for key in report.readings)


def test_crosstalk_of_a_recorded_tone():
    tone = 0.2 * np.sin(phase(1_000.0, 2.0))
    hiss = 3e-4 * np.random.default_rng(1).standard_normal(len(tone))
    report = read_recording(np.stack([hiss + 10.0 ** (-45.0 / 20.0) * tone, tone]), RATE)
    reading = report["crosstalk_1000hz_db"]
    assert reading.agrees_with(-45.0, coverage=3.0)
    assert reading.uncertainty < 0.3
    assert "azimuth_delay_us" not in report.readings
    alone = crosstalk_of_tracks(tone, hiss, RATE, frequency_hz=1_000.0)
    assert not alone.defined
    assert "nothing is heard" in alone.warnings[0]


def test_azimuth_of_every_pair_of_many_tracks():
    """Each track later than the one before by its own amount, all through one flutter; noise of each its own."""
    lates, rng = [0.0, 12.5, 8.0, 31.0], np.random.default_rng(3)
    tracks = [0.1 * np.sin(phase(6_300.0, 2.0, 1e-6 * late)) for late in lates]
    report = read_recording(np.stack(tracks) + 1e-4 * rng.standard_normal((4, len(tracks[0]))), RATE)
    for first in range(3):
        reading = report[f"azimuth_delay_us_from_{first + 1}_to_{first + 2}"]
        assert reading.agrees_with(lates[first + 1] - lates[first], coverage=3.0)
        assert reading.uncertainty < 0.1
        assert report[f"azimuth_wander_us_from_{first + 1}_to_{first + 2}"].value < 0.2
        assert report.curves[f"azimuth_from_{first + 1}_to_{first + 2}"].x.size > 100
    assert not any(key.startswith("crosstalk") or key == "azimuth_delay_us" for key in report.readings)
    assert not any("_to_1" in key or "from_1_to_3" in key for key in report.readings)


def test_crosstalk_from_one_of_many_tracks_to_its_neighbours():
    tone, rng = 0.2 * np.sin(phase(1_000.0, 2.0)), np.random.default_rng(4)
    shares_db = [-41.0, 0.0, -47.5, -55.0, -60.0]
    tracks = np.stack([10.0 ** (share / 20.0) * tone for share in shares_db])
    tracks[[0, 2, 3, 4]] += 3e-4 * rng.standard_normal((4, len(tone)))
    report = read_recording(tracks, RATE)
    heard = {key for key in report.readings if key.startswith(("crosstalk", "azimuth"))}
    assert heard == {"crosstalk_1000hz_db_from_2_to_1", "crosstalk_1000hz_db_from_2_to_3"}
    for track in (0, 2):
        reading = report[f"crosstalk_1000hz_db_from_2_to_{track + 1}"]
        assert reading.agrees_with(shares_db[track], coverage=3.0)
        assert reading.uncertainty < 0.3


def test_crosstalk_is_refused_where_several_tracks_have_the_tone():
    """Track 3 hears both; tracks 1 and 2 share the tone, which tells azimuth."""
    tone = 0.2 * np.sin(phase(1_000.0, 2.0))
    report = read_recording(np.stack([tone, 0.9 * tone, 0.01 * tone, 0.0 * tone]), RATE)
    assert report["azimuth_delay_us_from_1_to_2"].value == pytest.approx(0.0, abs=1e-6)
    reading = report["crosstalk_1000hz_db_from_2_to_3"]
    assert not reading.defined
    assert reading.warnings == (
        "the tone is on tracks 1 and 2, which are heard together; send it to one track alone",
    )
    assert "crosstalk_1000hz_db_from_3_to_4" not in report.readings


def test_crosstalk_through_flutter_is_read_to_a_hundredth():
    """A fixed clock would lose the tone: flutter moves 10 kHz by 30 Hz."""
    tone = 0.2 * np.sin(phase(10_000.0, 2.0))
    reading = crosstalk_of_tracks(tone, 0.01 * tone, RATE, frequency_hz=10_000.0)
    assert reading.value == pytest.approx(-40.0, abs=0.01)
    with pytest.raises(MeasureError, match="same number"):
        crosstalk_of_tracks(tone, tone[1:], RATE, frequency_hz=1_000.0)
    with pytest.raises(MeasureError, match="frequency_hz"):
        crosstalk_of_tracks(tone, tone, RATE, frequency_hz=30_000.0)


def printed(rate=RATE, *, speed=1.0):
    """A burst with echoes of -48 dB, 1.2 s before, and of -44 dB, 1.3 s behind; a tape that runs wrong."""
    burst = print_through_burst(rate, level_dbfs=-12.0, silence_seconds=2.0)
    heard = burst.copy()
    before, after = round(1.2 * rate), round(1.3 * rate)
    heard[:-before] += 10.0 ** (-48.0 / 20.0) * burst[before:]
    heard[after:] += 10.0 ** (-44.0 / 20.0) * burst[:-after]
    place = np.arange(0.0, len(heard) - 1.0, speed)
    return heard if speed == 1.0 else np.interp(place, np.arange(len(heard)), heard)


def test_print_through_of_a_recording():
    report = read_recording(printed() + 2e-5 * np.random.default_rng(2).standard_normal(len(printed())), RATE)
    assert report["print_pre_db"].value == pytest.approx(-48.0, abs=0.1)
    assert report["print_post_db"].value == pytest.approx(-44.0, abs=0.1)
    assert report["print_pre_seconds"].value == pytest.approx(1.2, abs=0.5 / RATE)
    assert report["print_post_seconds"].value == pytest.approx(1.3, abs=0.5 / RATE)
    fast = read_recording(printed(speed=1.01), RATE)
    assert fast["print_post_db"].value == pytest.approx(-44.0, abs=0.05)
    assert fast["print_post_seconds"].value == pytest.approx(1.3 / 1.01, abs=1e-4)


def test_print_through_says_what_is_missing():
    whole = printed()
    cut = print_through_of_recording(whole[: len(whole) // 2 + 5_000], RATE)
    assert cut.pre.value == pytest.approx(-48.0, abs=0.1)
    assert "0.2 s" in cut.post.warnings[0]
    assert "no echo" in print_through_of_recording(print_through_burst(RATE), RATE).pre.warnings[0]
    assert "fewer" in print_through_of_recording(whole[:100], RATE).pre.warnings[0]
    assert "come back" in print_through_of_recording(np.zeros(20_000), RATE).pre.warnings[0]
    assert "finite" in print_through_of_recording(np.full(20_000, np.nan), RATE).pre.warnings[0]
    with pytest.raises(MeasureError, match="frequency_hz"):
        print_through_of_recording(whole, RATE, frequency_hz=50.0)


@pytest.mark.parametrize(
    "silent", [np.zeros(RATE), np.full(RATE, np.nan), np.zeros(1), np.zeros(0), np.full(RATE, 5e-324)]
)
def test_two_channels_without_a_tone_have_neither(silent):
    report = read_recording(np.stack([silent, silent]), RATE)
    assert set(report.readings) == {"loudness_lufs"}


@pytest.mark.long
@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
def test_ffmpeg_delays_and_mixes_what_the_command_line_reads(tmp_path, capsys):
    """`adelay` by samples is exact, `pan` mixes by the factors given; both are other people's work."""
    source = [
        "ffmpeg",
        "-loglevel",
        "error",
        "-f",
        "lavfi",
        "-i",
        "sine=frequency=1000:sample_rate=48000:duration=4",
    ]
    late = tmp_path / "late.wav"
    delayed = "pan=stereo|c0=c0|c1=c0,adelay=0|3S,atrim=start_sample=480"
    subprocess.run([*source, "-af", delayed, "-c:a", "pcm_f32le", str(late)], check=True)
    assert main([str(late), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["readings"]
    assert found["azimuth_delay_us"]["value"] == pytest.approx(62.5, abs=0.01)
    mixed = tmp_path / "mixed.wav"
    subprocess.run(
        [*source, "-af", "aformat=fltp,pan=stereo|c0=c0|c1=0.005*c0", "-c:a", "pcm_f32le", str(mixed)], check=True
    )
    assert main([str(mixed), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["readings"]
    assert found["crosstalk_1000hz_db"]["value"] == pytest.approx(20.0 * math.log10(0.005), abs=0.01)


@pytest.mark.long
@pytest.mark.skipif(shutil.which("sox") is None, reason="sox is not installed")
def test_sox_echoes_what_the_command_line_reads(tmp_path, capsys):
    assert main(["signals", "--out", str(tmp_path / "signals")]) == 0
    sent, echoed = tmp_path / "signals" / "burst_1000hz.wav", tmp_path / "echoed.wav"
    subprocess.run(
        ["sox", str(sent), "-b", "32", "-e", "floating-point", str(echoed), "echo", "1", "1", "1400", "0.005"],
        check=True,
        capture_output=True,
    )
    capsys.readouterr()
    assert main([str(echoed), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["readings"]
    assert found["print_post_db"]["value"] == pytest.approx(20.0 * math.log10(0.005), abs=0.05)
    assert found["print_post_seconds"]["value"] == pytest.approx(1.4, abs=1e-4)
    assert soundfile.info(sent).frames == len(print_through_burst(RATE))
