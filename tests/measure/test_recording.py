"""The command line reads what a machine of known faults recorded, and draws it."""

import json
import math

import numpy as np
import pytest
import soundfile

from measure import recording
from measure.command_line import main
from measure.plots import figures_of, save_plots
from measure.recording import read_recording, trimmed
from measure.signal_files import TEST_SIGNALS
from measure.standard_set import Report, bench

RATE = 48_000
DRAWN = ["sweep", "flutter tone", "distortion tone", "level steps", "noise bursts"]
"""Rows of the bench that give all drawings that there are."""


def machine(audio, *, speed=1.003):
    """Runs 0.3 % fast with 0.1 % flutter at 4 Hz, and cubes: x - 0.1 x^3."""
    n = np.arange(round(len(audio) / speed))
    place = speed * n + 0.001 / (2.0 * np.pi * 4.0) * RATE * np.sin(2.0 * np.pi * 4.0 * n / RATE)
    from scipy.ndimage import map_coordinates

    y = map_coordinates(audio, [place], order=5, mode="nearest")
    return y - 0.1 * y**3


def tone(frequency_hz, seconds, amplitude=0.5):
    return amplitude * np.sin(2.0 * np.pi * frequency_hz / RATE * np.arange(round(seconds * RATE)))


def test_flutter_tone_with_silence_at_its_ends():
    recorded = np.concatenate([np.zeros(RATE), machine(tone(3150.0, 12.0)), np.zeros(RATE // 2)])
    report = read_recording(recorded, RATE)
    assert report["speed_error_percent"].value == pytest.approx(0.3, abs=2e-3)
    assert report["weighted_flutter_percent"].value == pytest.approx(0.1 * math.cos(0.025 * math.pi), rel=0.01)
    u = 0.1 * 0.25  # h3 / h1 = (u / 4) / (1 - 3 u / 4)
    assert report["thd_percent"].value == pytest.approx(100.0 * (u / 4.0) / (1.0 - 0.75 * u), rel=1e-3)
    assert any("left out" in note for note in report.notes)
    assert any(note.startswith("line at 4") for note in report.notes)


def test_other_signals_are_recognised():
    high = read_recording(machine(tone(10_000.0, 3.0, 0.1)), RATE)
    assert high["scrape_flutter_rms_percent"].defined
    pair = read_recording(machine(0.4 * tone(60.0, 4.0, 1.0) + 0.1 * tone(7_000.0, 4.0, 1.0)), RATE)
    carrier = 0.1 - 0.1 * (0.75 * 0.1**3 + 1.5 * 0.16 * 0.1)
    third = 150.0 * 0.1 * 0.16 * 0.1 / carrier
    assert pair["modulation_distortion_third_percent"].value == pytest.approx(third, rel=0.01)
    equal = read_recording(machine(tone(19_000.0, 3.0, 0.2) + tone(20_000.0, 3.0, 0.2), speed=1.0), RATE)
    assert equal["difference_distortion_third_percent"].defined


def test_two_channels_are_read_apart():
    left = machine(tone(3150.0, 4.0))
    report = read_recording(np.stack([left, 0.5 * left]), RATE)
    assert set(report.stages) == {"channel 1", "channel 2"}
    levels = [report.stages[f"channel {i}"]["level_dbfs"].value for i in (1, 2)]
    assert levels[0] - levels[1] == pytest.approx(20.0 * math.log10(2.0), abs=1e-6)
    assert report["loudness_lufs"].defined
    assert Report.from_dict(json.loads(json.dumps(report.to_dict()))).to_dict() == report.to_dict()


@pytest.mark.parametrize(
    "recorded",
    [
        np.zeros(RATE),
        np.ones(3),
        np.full(RATE, 0.3),
        np.full(RATE, np.nan),
        np.random.default_rng(0).standard_normal(3 * RATE) * 0.1,
        tone(1000.0, 2.0) + tone(1410.0, 2.0),
    ],
    ids=["silence", "three samples", "constant", "not a number", "noise", "two tones"],
)
def test_what_is_no_test_signal_gives_no_distortion_and_no_flutter(recorded):
    report = read_recording(recorded, RATE)
    for key, reading in report.readings.items():
        if key not in ("peak_dbfs", "true_peak_dbtp", "rms_dbfs"):
            assert not reading.defined, key
            assert reading.warnings


def test_trimming_keeps_a_dropout():
    y = tone(1000.0, 6.0)
    y[2 * RATE : 2 * RATE + RATE // 10] *= 0.001
    assert len(trimmed(y, RATE)) == len(y)
    assert len(trimmed(np.concatenate([np.zeros(RATE), y]), RATE)) < len(y)


def test_command_line_reads_a_file(tmp_path, capsys):
    soundfile.write(tmp_path / "a.wav", machine(tone(3150.0, 11.0)), RATE, subtype="PCM_24")
    assert main([str(tmp_path / "a.wav"), "--json", "--plots", str(tmp_path / "plots")]) == 0
    report = Report.from_dict(json.loads(capsys.readouterr().out))
    assert report["weighted_flutter_percent"].defined
    drawn = {path.name for path in (tmp_path / "plots").iterdir()}
    assert drawn == {"deviation.png", "deviation_spectrum.png", "amplitude_spectrum.png", "harmonics.png"}
    soundfile.write(tmp_path / "b.wav", machine(tone(3150.0, 3.0)), RATE, subtype="PCM_24")
    assert main([str(tmp_path / "b.wav")]) == 0
    assert "weighted_flutter_percent" in capsys.readouterr().out


def test_command_line_says_what_is_wrong(tmp_path, capsys):
    assert main([str(tmp_path / "missing.wav")]) == 3
    assert "does not exist" in capsys.readouterr().err
    (tmp_path / "text.wav").write_text("not sound")
    assert main([str(tmp_path / "text.wav")]) == 3
    assert "cannot be read" in capsys.readouterr().err
    assert main(["signals", "--out", str(tmp_path), "--rate", "8000"]) == 2
    assert "44100" in capsys.readouterr().err
    assert main(["signals", "--out", str(tmp_path), "--level", "3"]) == 2
    assert "level" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["text.wav"]


def test_command_line_writes_signals_that_it_reads(tmp_path, capsys):
    assert main(["signals", "--out", str(tmp_path)]) == 0
    files = sorted(path.name for path in tmp_path.iterdir())
    assert files == [
        "burst_1000hz.wav",
        "octaves.wav",
        "pair_19000_20000hz.wav",
        "pair_60_7000hz.wav",
        "rising_levels.wav",
        "slow_sweep.wav",
        "tone_10000hz.wav",
        "tone_1000hz.wav",
        "tone_3150hz.wav",
        "tone_315hz.wav",
        "tones_and_silence.wav",
    ]
    capsys.readouterr()
    assert main([str(tmp_path / "tone_1000hz.wav"), "--json"]) == 0
    report = Report.from_dict(json.loads(capsys.readouterr().out))
    assert report["level_dbfs"].value == pytest.approx(-18.0, abs=1e-3)
    assert report["thd_percent"].value < 1e-4  # 24 bit


def test_plots_have_axes_with_units(tmp_path):
    rate = 16_000
    n = round(0.8 * rate)
    h = np.random.default_rng(3).standard_normal(n) * 10.0 ** (-3.0 * np.arange(n) / rate / 0.4)

    def system(audio, _):
        size = 1 << (len(audio) + n).bit_length()
        wet = np.fft.irfft(np.fft.rfft(audio, size) * np.fft.rfft(h, size), size)[: len(audio)]
        return np.tanh(3.0 * (audio + 0.1 * wet)) + 1e-5 * np.random.default_rng(1).standard_normal(len(audio))

    report = bench(system, sample_rate=rate, rows=DRAWN)
    figures = figures_of(report)
    assert set(figures) == {
        "deviation",
        "deviation_spectrum",
        "amplitude_spectrum",
        "harmonics",
        "distortion_against_level",
        "distortion_against_frequency",
        "response",
        "decay",
    }
    for name, figure in figures.items():
        assert figure.axes[0].get_title(), name
        for axis in figure.axes:
            if not axis.get_visible():
                continue
            assert axis.get_xlabel(), name
            assert "/" in axis.get_ylabel(), name
            # Readable without colour: every line is black or grey.
            for line in axis.get_lines():
                assert line.get_linewidth() > 0.0
                colour = line.get_color()
                assert colour == "black" or float(colour) <= 0.6
    written = save_plots(report, tmp_path)
    assert len(written) == len(figures)
    assert all(path.stat().st_size > 5_000 for path in written)
    assert not [path for path in tmp_path.iterdir() if path.suffix == ".part"]


def test_a_burst_is_read_at_the_frequency_that_it_is_written_with() -> None:
    (burst,) = [each for each in TEST_SIGNALS if each.burst]
    assert burst.frequencies_hz == (recording._BURST_HZ,)
