"""Response, saturation, noise and crosstalk from recordings of the longer test signals, held to closed forms.

The machine is made here: a filter, a curve and noise of numpy and scipy, a tape that runs wrong, a recorder that
begins when it likes and is as loud as it likes. No line of the suite is in it.
"""

import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal as sp

from measure import MeasureError, Report
from measure.command_line import main
from measure.recording import read_recording
from measure.signal_files import TEST_SIGNALS
from measure.validation import FloatArray

RATE = 48_000


def sent(name: str, rate: int = RATE, reference_dbfs: float = -18.0) -> FloatArray:
    (file,) = (each for each in TEST_SIGNALS if each.name == f"{name}.wav")
    return file.signal(rate, reference_dbfs)


def played(audio: FloatArray, *, before: float = 0.83, hiss: float = 1e-5, gain: float = 0.31) -> FloatArray:
    padded = np.concatenate([np.zeros(round(before * RATE)), gain * audio, np.zeros(RATE // 2)])
    return np.asarray(padded + hiss * np.random.default_rng(5).standard_normal(len(padded)))


def faster(audio: FloatArray, speed: float) -> FloatArray:
    import soxr

    return np.asarray(soxr.resample(audio, RATE * speed, RATE, "VHQ"))


def law_db(sos: FloatArray, hz: float) -> float:
    response = np.abs(sp.sosfreqz(sos, [hz, 1000.0], fs=RATE)[1])
    return float(20.0 * np.log10(response[0] / response[1]))


BAND = sp.butter(1, [60.0, 9_000.0], "bandpass", fs=RATE, output="sos")


@pytest.mark.parametrize("speed", [1.0, pytest.param(0.985, marks=pytest.mark.long)])
def test_response_of_a_recorded_sweep(speed: float) -> None:
    """A band of one pole at 60 Hz and one at 9 kHz, by its closed form."""
    heard = played(faster(np.asarray(sp.sosfilt(BAND, sent("slow_sweep"))), speed))
    report = read_recording(heard, RATE)
    for hz in (40.0, 100.0, 10_000.0, 16_000.0):
        # What was sent at one frequency is heard at another, and the filter stands before the tape.
        assert report[f"response_{hz:g}hz_db"].value == pytest.approx(law_db(BAND, hz), abs=0.03)
    assert report["low_edge_hz"].value == pytest.approx(60.0, rel=0.01)
    assert report["high_edge_hz"].value == pytest.approx(9_000.0, rel=0.01)
    curve = report.curves["response"]
    assert curve.x[0] == pytest.approx(20.0, rel=0.02)
    assert curve.x[-1] == pytest.approx(18_500.0, rel=0.03)
    assert curve.conditions["speed"] == pytest.approx(speed, abs=2e-4)


@pytest.mark.long
def test_bump_of_a_recorded_sweep_and_what_a_hostile_recording_leaves() -> None:
    bell = np.atleast_2d(sp.tf2sos(*_bell(70.0, 2.0, 1.5)))
    whole = played(np.asarray(sp.sosfilt(bell, sent("slow_sweep"))))
    report = read_recording(whole, RATE)
    assert report["bump_hz"].value == pytest.approx(70.0, rel=0.01)
    assert report["bump_db"].value == pytest.approx(2.0, abs=0.03)
    # Begun in the middle of the sweep: what is there is read, the rest is nan with the reason.
    late = read_recording(whole[15 * RATE :], RATE)
    assert late["response_10000hz_db"].value == pytest.approx(law_db(bell, 10_000.0), abs=0.03)
    assert not late["response_100hz_db"].defined
    assert "does not hold all of the sweep" in late["response_100hz_db"].warnings[0]
    assert (
        "does not hold the sweep round 1000 Hz"
        in read_recording(whole[22 * RATE :], RATE)["response_10000hz_db"].warnings[0]
    )
    peak = float(np.max(np.abs(whole)))
    clipped = read_recording(np.clip(whole, -0.9 * peak, 0.9 * peak), RATE)
    assert not clipped["response_10000hz_db"].defined
    assert "clipped" in clipped["response_10000hz_db"].warnings[0]
    # Of a recorder at another rate.
    other = sp.resample_poly(whole, 441, 480)
    assert read_recording(other, 44_100)["bump_db"].value == pytest.approx(2.0, abs=0.03)
    # Over hiss of 30 dB the figures are worse, and say so.
    rough = read_recording(played(0.1 * np.asarray(sp.sosfilt(bell, sent("slow_sweep"))), hiss=3e-4), RATE)
    assert rough["response_10000hz_db"].agrees_with(law_db(bell, 10_000.0), coverage=3.0)


def _bell(hz: float, gain_db: float, quality: float) -> tuple[list[float], list[float]]:
    """Peaking equaliser of the audio equaliser cookbook (R. Bristow-Johnson)."""
    a, turn = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * hz / RATE
    alpha = math.sin(turn) / (2.0 * quality)
    return (
        [1.0 + alpha * a, -2.0 * math.cos(turn), 1.0 - alpha * a],
        [1.0 + alpha / a, -2.0 * math.cos(turn), 1.0 - alpha / a],
    )


DRIVE = 2.5


def harmonics(level_dbfs: float) -> tuple[float, float]:
    """Fundamental and third harmonic of ``tanh(DRIVE x) / DRIVE`` for a cosine, by quadrature over a period."""
    turn = 2.0 * np.pi * (np.arange(4096) + 0.5) / 4096
    wave = np.tanh(DRIVE * 10.0 ** (level_dbfs / 20.0) * np.cos(turn)) / DRIVE
    return 2.0 * float(np.mean(wave * np.cos(turn))), -2.0 * float(np.mean(wave * np.cos(3.0 * turn)))


def gain_db(level_dbfs: float) -> float:
    return 20.0 * math.log10(harmonics(level_dbfs)[0]) - level_dbfs


def three_percent() -> float:
    low, high = -20.0, 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        first, third = harmonics(middle)
        low, high = (middle, high) if third < 0.03 * first else (low, middle)
    return low


def test_saturation_of_recorded_steps() -> None:
    """MOL and compression of ``tanh`` at any gain of the recorder: output is counted from the reference's."""
    heard = played(np.tanh(DRIVE * sent("rising_levels")) / DRIVE)
    report = read_recording(heard, RATE, reference_level_dbfs=-20.0)
    level = three_percent()
    mol = level + gain_db(level) + 20.0 - gain_db(-20.0)
    for name in ("315hz", "1000hz"):
        assert report[f"mol_{name}_output_db"].value == pytest.approx(mol, abs=0.05)
    assert report["mol_1000hz_output_db"].uncertainty >= 0.05
    squeezed = gain_db(level) - gain_db(level - 20.0)
    assert report["compression_10000hz_db"].value == pytest.approx(squeezed, abs=0.02)
    assert "still rises" in report["sol_10000hz_db"].warnings[0]
    assert "beyond 20000 Hz" in report["mol_10000hz_output_db"].warnings[0]


@pytest.mark.long
def test_saturated_output_of_a_curve_with_a_crest_and_hostile_steps() -> None:
    """``y - y^3 / 3``: the fundamental ``A - A^3 / 4`` is highest at ``A = sqrt(4 / 3)``, where it is 0.7698."""
    steps = sent("rising_levels")
    drive = 10.0 ** (7.0 / 20.0)
    heard = played((lambda y: y - y**3 / 3.0)(drive * steps) / drive)
    report = read_recording(heard, RATE, reference_level_dbfs=-18.0)
    crest = 20.0 * math.log10(2.0 / 3.0 * math.sqrt(4.0 / 3.0) / drive)
    at_reference = drive * 10.0 ** (-18.0 / 20.0)
    reference = 20.0 * math.log10((at_reference - at_reference**3 / 4.0) / drive)
    assert report["sol_1000hz_db"].value == pytest.approx(crest - reference, abs=0.05)
    # A converter that was overdriven is no tape: the levels that it clipped are not read.
    whole = played(np.tanh(DRIVE * steps) / DRIVE)
    peak = float(np.max(np.abs(whole)))
    clipped = read_recording(np.clip(whole, -0.4 * peak, 0.4 * peak), RATE)
    assert not clipped["mol_1000hz_output_db"].defined
    assert "clipped from" in clipped["mol_1000hz_output_db"].warnings[0]
    # Cut in the last tone, the others stay.
    cut = read_recording(whole[: 27 * RATE], RATE)
    assert cut["compression_1000hz_db"].defined
    assert not cut["compression_10000hz_db"].defined
    # Without 1 kHz there is no reference.
    without = read_recording(whole[16 * RATE :], RATE)
    assert not without["mol_6300hz_output_db"].defined
    with pytest.raises(MeasureError, match="steps were sent from -36 to 0 dBFS"):
        read_recording(whole, RATE, reference_level_dbfs=-60.0)


@pytest.mark.long
def test_noise_of_a_recording_is_counted_from_its_own_tone() -> None:
    """White noise of known density: its level in a third octave is that of its share of the band."""
    density = 1e-4
    heard = played(sent("tones_and_silence"), hiss=density)
    report = read_recording(heard, RATE)
    assert report["level_dbfs"].value == pytest.approx(-18.0 + 20.0 * math.log10(0.31), abs=0.001)
    flat = 20.0 * math.log10(density * math.sqrt(2.0 * 19_980.0 / (0.5 * RATE)) / (0.31 * 10.0 ** (-18.0 / 20.0)))
    assert report["noise_unweighted_db"].agrees_with(flat, coverage=3.0)
    bands = report.curves["noise_third_octaves"]
    width = bands.x * (10.0**0.05 - 10.0**-0.05)
    law = 20.0 * np.log10(density * np.sqrt(2.0 * width / (0.5 * RATE)) / (0.31 * 10.0 ** (-18.0 / 20.0)))
    high = bands.x > 500.0
    np.testing.assert_allclose(bands.y[high], law[high], atol=0.5)
    assert "does not follow the tone" in report["modulation_noise_db"].warnings[0]


@pytest.mark.long
def test_modulation_noise_of_a_recording_and_hostile_ones() -> None:
    """A gain of noise in a band of 40 to 400 Hz, of known RMS."""
    clean = sent("tones_and_silence")
    rng = np.random.default_rng(7)
    rough = sp.sosfilt(
        sp.butter(4, [40.0, 400.0], "bandpass", fs=RATE, output="sos"), rng.standard_normal(len(clean))
    )
    rough *= 0.01 / float(np.std(rough))
    heard = played(clean * (1.0 + rough), hiss=1e-4)
    assert read_recording(heard, RATE)["modulation_noise_db"].value == pytest.approx(-40.0, abs=0.3)
    short = read_recording(heard[: 14 * RATE], RATE)
    assert "of the silence behind the tones" in short["noise_a_weighted_db"].warnings[0]
    assert short["modulation_noise_db"].defined
    late = read_recording(heard[5 * RATE :], RATE)
    assert not late.readings.get("noise_a_weighted_db")  # one tone is left: it is no sequence
    peak = float(np.max(np.abs(heard)))
    clipped = read_recording(np.clip(heard, -0.7 * peak, 0.7 * peak), RATE)
    assert "clipped" in clipped["noise_a_weighted_db"].warnings[0]
    quiet = heard.copy()
    quiet[-13 * RATE :] = 0.0
    assert "silent" in read_recording(quiet, RATE)["noise_a_weighted_db"].warnings[0]


def octaves(heard: Callable[[FloatArray], FloatArray]) -> Report:
    """Of what came back from a tape that ran 0.4 % slow, with a delay that fluttered by 0.3 ms."""
    tones = sent("octaves")
    place = np.arange(0.0, len(tones) - 40.0, 0.996)
    place += 14.0 * np.sin(2.0 * np.pi * 3.0 / RATE * place) + 14.0
    tones = played(np.interp(place, np.arange(len(tones)), tones), hiss=0.0)
    noise = 2e-6 * np.random.default_rng(9).standard_normal((2, len(tones)))
    return read_recording(np.stack([heard(tones), tones]) + noise, RATE)


def test_crosstalk_of_recorded_octaves() -> None:
    """One pole at 200 Hz, 40 dB down: its closed form at every octave."""
    b, a = sp.butter(1, 200.0, fs=RATE)
    report = octaves(lambda tones: 0.01 * sp.lfilter(b, a, tones))
    for hz in (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0):
        law = -40.0 + 20.0 * math.log10(abs(sp.freqz(b, a, [0.996 * hz], fs=RATE)[1][0]))
        reading = report[f"crosstalk_{hz:.0f}hz_db"]
        assert abs(reading.value - law) < max(3.0 * reading.uncertainty, 0.02)
    assert report.curves["crosstalk"].x.size == 10
    assert report.notes == ("crosstalk from channel 2 to channel 1",)


@pytest.mark.long
def test_octaves_on_both_tracks_are_no_crosstalk() -> None:
    report = octaves(lambda tones: 0.5 * tones)
    assert "on both tracks" in report["crosstalk_1000hz_db"].warnings[0]
    alone = octaves(lambda tones: 0.0 * tones)
    assert "nothing is heard" in alone["crosstalk_16000hz_db"].warnings[0]


@pytest.mark.long
def test_crosstalk_of_octaves_to_both_neighbours() -> None:
    """Five tracks, the octaves on the third: each neighbour at its own level; those further away are no pair."""
    tones = played(sent("octaves"), hiss=0.0)
    noise = 2e-6 * np.random.default_rng(10).standard_normal((5, len(tones)))
    shares = np.array([[1e-4], [0.01], [1.0], [0.004], [3e-4]])
    report = read_recording(shares * tones + noise, RATE)
    for hz in (31.5, 250.0, 1000.0, 16_000.0):
        for track, share in ((2, 0.01), (4, 0.004)):
            reading = report[f"crosstalk_{hz:.0f}hz_db_from_3_to_{track}"]
            assert abs(reading.value - 20.0 * math.log10(share)) < max(3.0 * reading.uncertainty, 0.02)
    assert {key for key in report.curves if "crosstalk" in key} == {
        "crosstalk_from_3_to_2",
        "crosstalk_from_3_to_4",
    }
    assert report.notes == ("crosstalk from channel 3 to channels 2 and 4",)
    shares[0] = 0.5
    refused = read_recording(shares * tones + noise, RATE)["crosstalk_1000hz_db_from_3_to_2"]
    assert not refused.defined
    assert "the tone is on tracks 1 and 3" in refused.warnings[0]


@pytest.mark.long
def test_the_command_line_reads_a_recorded_sequence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["signals", "--out", str(tmp_path / "signals"), "--level", "-24", "--rate", "44100"]) == 0
    steps, rate = soundfile.read(tmp_path / "signals" / "rising_levels.wav")
    soundfile.write(tmp_path / "heard.wav", np.tanh(DRIVE * steps) / DRIVE, rate, subtype="PCM_24")
    capsys.readouterr()
    assert main([str(tmp_path / "heard.wav"), "--json", "--level", "-24"]) == 0
    found = json.loads(capsys.readouterr().out)
    level = three_percent()
    mol = level + gain_db(level) + 24.0 - gain_db(-24.0)
    assert found["readings"]["mol_1000hz_output_db"]["value"] == pytest.approx(mol, abs=0.05)
    assert "tones at rising levels" in found["notes"][0]


@pytest.mark.long
@pytest.mark.parametrize("rate", [44_100])
@pytest.mark.parametrize("name", ["slow_sweep", "rising_levels", "octaves", "tones_and_silence"])
def test_every_sequence_is_told_from_the_others_and_from_noise(name: str, rate: int) -> None:
    told = {
        "slow_sweep": "response_100hz_db",
        "rising_levels": "mol_1000hz_output_db",
        "octaves": "",
        "tones_and_silence": "noise_a_weighted_db",
    }
    readings = read_recording(sent(name, rate), rate).readings
    for other, key in told.items():
        assert (key in readings) == (key != "" and other == name)
    noise = 0.1 * np.random.default_rng(11).standard_normal(10 * rate)
    assert not set(told.values()) & set(read_recording(noise, rate).readings)
