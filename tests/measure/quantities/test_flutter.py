"""Wow and flutter: truth by construction, the noise bound, other people's programs, and bad input."""

import csv
import json
import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from moving_tones import with_speed

from measure.errors import MeasureError
from measure.parts.signals import Modulation, modulated_tone, tone
from measure.parts.weighting import flutter_network
from measure.quantities.flutter import FlutterResult, flutter, scrape_flutter

REFERENCE = Path(__file__).parents[2] / "reference"
FS = 16_000
HIGH = 48_000
SECONDS = 12


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / f"{name}.csv").open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def recorded(name: str) -> tuple[np.ndarray, int]:
    signal, rate = soundfile.read(REFERENCE / f"{name}.flac")
    return signal, rate


# Sinusoidal deviation: closed forms


@pytest.mark.parametrize(
    "row", rows("flutter_sine_cases"), ids=lambda row: f"{row['mod_hz']}Hz-{row['peak_percent']}"
)
def test_sines_read_the_computed_table(row: dict[str, str]) -> None:
    """All 32 rows of the computed table (weighted columns: weighting table from memory), to its last digit."""
    result = flutter(with_speed((float(row["mod_hz"]), float(row["peak_percent"]))), FS)
    for column, reading in (
        ("unweighted_peak", result.unweighted["peak"]),
        ("unweighted_rms", result.unweighted["rms"]),
        ("unweighted_mean_abs", result.unweighted["mean"]),
        ("unweighted_two_sigma", result.unweighted["two_sigma"]),
        ("weighted_peak", result.weighted["peak"]),
        ("weighted_rms", result.weighted["rms"]),
        ("weighted_two_sigma", result.weighted["two_sigma"]),
    ):
        expected = float(row[column])
        assert reading.value == pytest.approx(expected, abs=0.6e-5 + 1e-4 * expected), column
        assert reading.warnings == ()


@pytest.mark.parametrize("rate_hz", [0.2, 0.25, 0.33, 0.5, 1, 3.7, 10, 31.1, 100, 180])
def test_bias_of_sinusoidal_deviation(rate_hz: float) -> None:
    """At most 0.001 dB from 0.2 to 180 Hz, unweighted, also over hardly two periods."""
    result = flutter(with_speed((rate_hz, 0.1), seconds=10.3), FS)
    for kind, factor in (("rms", math.sqrt(0.5)), ("two_sigma", math.cos(0.025 * math.pi)), ("mean", 2 / math.pi)):
        assert abs(20 * math.log10(result.unweighted[kind].value / (0.1 * factor))) < 0.001, kind


@pytest.mark.parametrize("rate", [8000, 44_100, 48_000, 96_000])
def test_other_sample_rates(rate: int) -> None:
    result = flutter(with_speed((4, 0.1), (30, 0.05), rate=rate), rate)
    assert result.unweighted["rms"].value == pytest.approx(math.hypot(0.1, 0.05) / math.sqrt(2), rel=1e-4)


def test_several_lines_are_named_with_rate_and_size() -> None:
    """So that the guilty part can be found: rate and peak of each, however close to the others."""
    parts = [(0.55, 0.08), (5.05, 0.1), (5.5, 0.02), (24.3, 0.03), (48.6, 0.004)]
    result = flutter(with_speed(*parts), FS)
    found = sorted((line.rate_hz, line.peak_percent) for line in result.lines[:5])
    np.testing.assert_allclose(found, parts, rtol=1e-4)
    strongest = result.lines[0]
    assert strongest.rate_hz == pytest.approx(5.05, abs=1e-4)
    assert strongest.level_db == 0.0
    assert result.lines[1].level_db == pytest.approx(20 * math.log10(0.8), abs=1e-3)
    power = 0.5 * sum(peak**2 for _, peak in parts)
    assert result.unweighted["rms"].value == pytest.approx(math.sqrt(power), rel=1e-4)


def test_wow_and_flutter_are_read_apart() -> None:
    result = flutter(with_speed((2, 0.1), (40, 0.03)), FS)
    assert result.wow["rms"].value == pytest.approx(0.1 / math.sqrt(2), rel=1e-4)
    assert result.flutter["rms"].value == pytest.approx(0.03 / math.sqrt(2), rel=1e-4)
    together = math.hypot(result.wow["rms"].value, result.flutter["rms"].value)
    assert together == pytest.approx(result.unweighted["rms"].value, rel=1e-4)
    moved = flutter(with_speed((2, 0.1), (40, 0.03)), FS, wow_limit_hz=1.0)
    assert moved.flutter["rms"].value == pytest.approx(result.unweighted["rms"].value, rel=1e-3)


def test_speed_error_and_drift_are_read_beside_wow() -> None:
    """A mean of +0.5 % and a straight drift of 0.2 % over the recording, under 0.1 % of wow."""
    seconds, fs = 20, FS
    time = np.arange(seconds * fs) / fs
    deviation_phase = -0.001 * np.cos(2 * np.pi * 3 * time) / (2 * np.pi * 3) + 0.002 * (time**2 / 40 - time / 2)
    signal = 0.5 * np.sin(2 * np.pi * 3150 * (1.005 * time + deviation_phase))
    result = flutter(signal, fs)
    assert result.speed_error.value == pytest.approx(0.5, abs=1e-5)
    slope = result.drift.conditions["slope_percent_per_minute"]
    assert slope == pytest.approx(0.2 * 3 / 1.005, rel=1e-4)
    # The ends that are not used take 12 % of a second off the drift.
    assert result.drift.value == pytest.approx(0.1 / 1.005, rel=0.01)
    assert result.unweighted["rms"].value == pytest.approx(0.1 / 1.005 / math.sqrt(2), rel=1e-4)


def test_both_nominal_tones_are_recognised() -> None:
    assert flutter(tone(3000, duration_seconds=2, sample_rate=FS), FS).speed_error.value == pytest.approx(
        0, abs=1e-9
    )
    assert flutter(tone(3030, duration_seconds=2, sample_rate=FS), FS).speed_error.value == pytest.approx(
        1, abs=1e-9
    )
    assert flutter(tone(3118.5, duration_seconds=2, sample_rate=FS), FS).speed_error.value == pytest.approx(
        -1, abs=1e-9
    )


def test_a_tone_between_the_two_nominal_ones_is_doubtful() -> None:
    result = flutter(tone(3085, duration_seconds=6, sample_rate=FS), FS)
    assert result.speed_error.value == pytest.approx(100 * (3085 / 3150 - 1), abs=1e-6)
    assert "taken for a tone of 3150 Hz though it has 3085 Hz" in result.speed_error.warnings[0]
    assert flutter(tone(3085, duration_seconds=6, sample_rate=FS), FS, carrier_hz=3150).speed_error.warnings == ()


def test_another_carrier_is_read_where_it_is_given() -> None:
    signal = modulated_tone(
        1000, duration_seconds=12, sample_rate=FS, speed=[Modulation(rate_hz=4, peak_percent=0.1)]
    )
    result = flutter(signal, FS, carrier_hz=1000)
    assert result.weighted["rms"].value == pytest.approx(0.1 / math.sqrt(2), rel=1e-4)
    assert flutter(signal, FS, carrier_hz=1200).weighted["rms"].value != result.weighted["rms"].value
    assert not flutter(signal, FS, carrier_hz=1200).weighted["rms"].defined


# Quasi-peak


@pytest.mark.parametrize("rate_hz", [2, 4, 10, 20])
def test_quasi_peak_and_two_sigma_agree_from_2_to_20_hz(rate_hz: float) -> None:
    """AES6-2008 states that the detectors agree; with the printed dynamic response they do within 6.5 %."""
    result = flutter(with_speed((rate_hz, 0.1), seconds=8), FS)
    assert result.weighted["quasi_peak"].value == pytest.approx(result.weighted["two_sigma"].value, rel=0.065)


# Noise


@pytest.mark.parametrize("snr_db", [*(pytest.param(each, marks=pytest.mark.long) for each in (40, 60)), 80])
def test_noise_floor_is_the_theoretical_bound(snr_db: float) -> None:
    """(100 / fc) sqrt(2 S B^3 / 3) / A percent, within 1 %, as the RMS over 12 seeds.

    One seed of 20 s scatters by 1.06 % (its f^2 spectrum has 111 Hz of effective bandwidth), 12 by 0.31 %.
    """
    rate, carrier, band = 8000, 3150.0, 200.0
    clean = tone(carrier, duration_seconds=20, sample_rate=rate, level_dbfs=0.0)
    variance = 0.5 * 10 ** (-snr_db / 10)
    bound = 100 / carrier * math.sqrt(2 * (2 * variance / rate) * band**3 / 3)
    squares, stated = [], []
    for seed in range(12):
        noise = math.sqrt(variance) * np.random.default_rng(seed).standard_normal(clean.size)
        reading = flutter(clean + noise, rate).unweighted["rms"]
        squares.append(reading.value**2)
        stated.append(reading.conditions["noise_percent"])
    assert math.sqrt(np.mean(squares)) == pytest.approx(bound, rel=0.01)
    assert np.mean(stated) == pytest.approx(bound, rel=0.01)


def test_a_reading_of_noise_says_so(rng: np.random.Generator) -> None:
    signal = tone(3150, duration_seconds=12, sample_rate=FS) + 1e-3 * rng.standard_normal(12 * FS)
    reading = flutter(signal, FS).unweighted["rms"]
    assert "mostly noise of the recording" in reading.warnings[-1]
    assert reading.uncertainty > 0.5 * reading.value


def test_noise_hardly_moves_a_reading_above_it_and_the_uncertainty_holds_the_truth(
    rng: np.random.Generator,
) -> None:
    for _ in range(5):
        signal = with_speed((4, 0.1), seconds=12) + 1.4e-3 * rng.standard_normal(12 * FS)
        reading = flutter(signal, FS).weighted["rms"]
        assert abs(reading.value - 0.1 / math.sqrt(2)) < 3 * reading.uncertainty
        assert reading.uncertainty < 1e-3


@pytest.mark.long
def test_stated_scatter_of_random_flutter_is_the_scatter_over_seeds() -> None:
    """Gaussian deviation, 5 to 60 Hz, 60 seeds of 6 s: their spread is known to 9 %, allowed are three times that.

    For the two-sigma the theory (asymptotic variance of a quantile) counts as good to 20 %.
    """
    rate, seconds = 8000, 6
    time = np.arange(rate * seconds) / rate
    frequency = np.fft.rfftfreq(time.size, 1 / rate)
    shape = ((frequency > 5) & (frequency < 60)).astype(float)
    values: dict[str, list[float]] = {"rms": [], "two_sigma": []}
    stated: dict[str, list[float]] = {"rms": [], "two_sigma": []}
    for seed in range(60):
        # White noise through the band, scaled so that the ensemble (not each member) has 0.1 % RMS.
        white = np.random.default_rng(seed).standard_normal(time.size)
        deviation = np.fft.irfft(np.fft.rfft(white) * shape, time.size) * 1e-3 * math.sqrt(4000 / 55)
        phase = 2 * np.pi / rate * (3150 * np.arange(time.size) + 3150 * np.cumsum(deviation))
        result = flutter(0.5 * np.sin(phase), rate, band_hz=(1, 200))
        for kind in values:
            values[kind].append(result.unweighted[kind].value)
            stated[kind].append(result.unweighted[kind].uncertainty)
    assert np.mean(values["rms"]) == pytest.approx(0.1, rel=0.01)
    assert np.mean(values["two_sigma"]) == pytest.approx(0.196, rel=0.015)
    assert np.std(values["rms"]) == pytest.approx(np.mean(stated["rms"]), rel=0.27)
    assert np.std(values["two_sigma"]) == pytest.approx(np.mean(stated["two_sigma"]), rel=0.4)


def test_sixteen_bits_with_dither_are_no_flutter(rng: np.random.Generator) -> None:
    """papers.md's own figure of a 16-bit, dithered tone at -6 dBFS is 1.4e-5 %; TPDF noise power is 0.25 LSB^2."""
    signal = tone(3150, duration_seconds=20, sample_rate=HIGH)
    stored = np.round(signal * 32767 + rng.uniform(-0.5, 0.5, signal.size) + rng.uniform(-0.5, 0.5, signal.size))
    value = flutter(stored / 32767, HIGH).unweighted["rms"].value
    density = 2 * (0.25 / 32767**2) / HIGH
    bound = 100 / 3150 * math.sqrt(2 * density * 200**3 / 3) / (10 ** (-6 / 20))
    assert value == pytest.approx(bound, rel=0.05)
    assert value < 1.6e-5


# Amplitude


@pytest.mark.parametrize("rate_hz", [0.5, 4, 30, 150])
@pytest.mark.parametrize("depth_percent", [0.1, 10.0])
def test_amplitude_modulation_is_not_flutter(rate_hz: float, depth_percent: float) -> None:
    """A 0.1 % amplitude-modulated tone without any FM must read under 0.0005 %; 10 % does, too."""
    signal = modulated_tone(
        3150,
        duration_seconds=12,
        sample_rate=FS,
        amplitude=[Modulation(rate_hz=rate_hz, peak_percent=depth_percent)],
    )
    result = flutter(signal, FS)
    for reading in (*result.weighted.values(), *result.unweighted.values()):
        assert reading.value < 1e-6


def test_a_dropout_is_bridged_and_reported() -> None:
    time = np.arange(12 * FS) / FS
    signal = with_speed((4, 0.1), seconds=12) * (1 - 0.99 * ((time > 5) & (time < 5.03)))
    reading = flutter(signal, FS).weighted["two_sigma"]
    assert reading.value == pytest.approx(0.1 * math.cos(0.025 * math.pi), rel=0.003)
    assert abs(reading.value - 0.1 * math.cos(0.025 * math.pi)) < reading.uncertainty
    assert any("drops out for 29" in warning or "drops out for 30" in warning for warning in reading.warnings)


# Clipping


@pytest.mark.parametrize("gain", [1.02, 1.1, 2.0, 10.0])
def test_a_tone_clipped_at_48_khz_only_warns_for_the_figure_is_right(gain: float) -> None:
    """The odd harmonics of 3150 Hz fold to multiples of 150 Hz away from the tone at this rate."""
    signal = np.clip(gain * with_speed((4, 0.1), seconds=8, level_dbfs=0, rate=HIGH), -1, 1)
    reading = flutter(signal, HIGH).weighted["rms"]
    assert reading.value == pytest.approx(0.1 / math.sqrt(2), rel=1e-3)
    if gain > 1.05:
        assert any("clipped" in warning for warning in reading.warnings)


def test_a_tone_clipped_at_44_1_khz_is_refused_for_its_harmonics_fold_onto_it() -> None:
    """44,100 = 14 x 3150: harmonics 13 and 15 come to lie on the tone, and move thirteenfold against it."""
    clipped = np.clip(2 * with_speed((4, 0.1), seconds=8, rate=44_100), -0.5, 0.5)
    reading = flutter(clipped, 44_100).weighted["rms"]
    assert not reading.defined
    assert "harmonic 13 folds back" in reading.warnings[0]
    # The untouched tone at the same rate is no trouble.
    assert flutter(with_speed((4, 0.1), seconds=8, rate=44_100), 44_100).weighted["rms"].warnings == ()


@pytest.mark.parametrize("gain", [1.3, 2.0, 8.0, 100.0])
@pytest.mark.parametrize("rate", [8_000, 16_000])
def test_a_clipped_tone_whose_third_harmonic_no_rate_can_show_gives_no_figure(rate: int, gain: float) -> None:
    """Read from 0.2 % too low to 150 times too high, for the sizes of the folded harmonics were not seen."""
    signal = np.clip(gain * with_speed((4, 0.1), seconds=8, level_dbfs=0, rate=rate), -1, 1)
    reading = flutter(signal, rate).weighted["two_sigma"]
    assert not reading.defined
    assert "folds back" in reading.warnings[0]


def test_what_a_hard_clipped_tone_reads_wrong_is_in_its_uncertainty() -> None:
    """0.34 % too high where it was stated to 0.01 %."""
    speed = [Modulation(rate_hz=4, peak_percent=0.1, phase_radians=0.3)]
    sound = modulated_tone(3151.7, duration_seconds=12, sample_rate=HIGH, speed=speed)
    signal = np.clip(200.0 * sound, -1, 1)
    reading = flutter(signal, HIGH).weighted["rms"]
    assert abs(reading.value - 0.1 / math.sqrt(2)) < 2.0 * reading.uncertainty < 0.02 * reading.value


# Other people's programs and libraries


@pytest.mark.parametrize(
    ("name", "percent"),
    [
        ("vibrato_4hz", 100 * math.pi * 0.1 * 239 / 12000),
        ("vibrato_10hz", 100 * math.pi * 0.01 * 239 / 4800),
        ("vibrato_30hz", 100 * math.pi * 0.005 * 239 / 1600),
    ],
)
def test_files_of_an_independent_vibrato(name: str, percent: float) -> None:
    """ffmpeg's vibrato: peak pi d (B - 1) / N, from its source text; see tests/reference/make_modulated_files.sh.

    RMS x sqrt 2 is compared, for its linear interpolation ripples; within 0.1 %.
    """
    signal, rate = recorded(name)
    result = flutter(signal, rate, band_hz=(0.5, 200))
    assert result.unweighted["rms"].value * math.sqrt(2) == pytest.approx(percent, rel=1e-3)
    assert result.lines[0].peak_percent == pytest.approx(percent, rel=1e-3)


@pytest.mark.parametrize("name", ["tremolo_ffmpeg", "tremolo_sox"])
def test_files_of_independent_tremolos_hold_no_flutter(name: str) -> None:
    signal, rate = recorded(name)
    assert flutter(signal, rate, band_hz=(0.5, 200)).unweighted["rms"].value < 2e-5


def test_file_of_an_independent_speed_change() -> None:
    """sox speed 1.005, rate -v: 3165.75 Hz; what is left of flutter is the noise of 16 bits."""
    signal, rate = recorded("speed_sox")
    result = flutter(signal, rate, band_hz=(0.5, 200))
    assert result.speed_error.value == pytest.approx(0.5, abs=1e-6)
    assert result.unweighted["rms"].value < 2e-5


@pytest.mark.parametrize(("rate_hz", "peak", "tolerance"), [(4, 0.1, 1e-3), (4, 1.0, 1e-3), (10, 0.15, 2e-3)])
def test_agrees_with_a_speech_laboratorys_pitch_track(rate_hz: float, peak: float, tolerance: float) -> None:
    """Praat's autocorrelation pitch, floor 600 Hz, fit for this up to 10 Hz.

    Where the two differ ours is right: Praat averages over its window of 5 ms, which is -0.02 % at 4 Hz and
    -0.1 % at 10 Hz.
    """
    parselmouth = pytest.importorskip("parselmouth")
    signal = with_speed((rate_hz, peak), seconds=6)
    track = parselmouth.Sound(signal, FS).to_pitch_ac(time_step=0.002, pitch_floor=600, pitch_ceiling=4000)
    frequency = track.selected_array["frequency"]
    at = track.xs()[frequency > 0]
    frequency = frequency[frequency > 0]
    basis = np.stack([np.ones(at.size), np.cos(2 * np.pi * rate_hz * at), np.sin(2 * np.pi * rate_hz * at)])
    mean, cosine, sine = np.linalg.lstsq(basis.T, frequency, rcond=None)[0]
    theirs = 100 * math.hypot(cosine, sine) / mean
    ours = flutter(signal, FS, band_hz=(0.5, 200)).lines[0].peak_percent
    assert ours == pytest.approx(theirs, rel=tolerance)
    assert ours == pytest.approx(peak, rel=1e-6)


@pytest.mark.filterwarnings("ignore:'where' used without:UserWarning")
def test_agrees_with_librosas_reassigned_spectrogram_as_far_as_that_goes() -> None:
    """A coarse check: its window of 85 ms smooths 1 Hz by some per cent, so 5 % are allowed."""
    import librosa

    signal = with_speed((1, 1.0), seconds=6)
    frequency, _, size = librosa.reassigned_spectrogram(signal, sr=FS, n_fft=4096, hop_length=480, fill_nan=True)
    best = np.argmax(size, axis=0)
    track = frequency[best, np.arange(size.shape[1])][20:-20]
    theirs = 100 * np.std(track) / np.mean(track)
    assert flutter(signal, FS, band_hz=(0.5, 200)).unweighted["rms"].value == pytest.approx(theirs, rel=0.05)


# Scrape flutter


@pytest.mark.parametrize(("carrier", "rate_hz"), [(10_000, 100), (12_500, 700), (10_000, 5000), (12_500, 3200)])
def test_scrape_flutter_is_read_from_a_high_carrier(carrier: float, rate_hz: float) -> None:
    signal = modulated_tone(
        carrier, duration_seconds=4, sample_rate=HIGH, speed=[Modulation(rate_hz=rate_hz, peak_percent=0.05)]
    )
    result = scrape_flutter(signal, HIGH)
    reading = result.unweighted["rms"]
    assert abs(20 * math.log10(reading.value / (0.05 / math.sqrt(2)))) < 0.002
    assert reading.uncertainty < 1e-3 * reading.value
    assert result.lines[0].rate_hz == pytest.approx(rate_hz, abs=0.05)
    assert result.lines[0].peak_percent == pytest.approx(0.05, rel=0.01)
    assert result.unweighted["two_sigma"].value == pytest.approx(0.05 * math.cos(0.025 * math.pi), rel=0.003)


def test_scrape_flutter_leaves_wow_out() -> None:
    signal = modulated_tone(
        12_500, duration_seconds=4, sample_rate=HIGH, speed=[Modulation(rate_hz=4, peak_percent=0.2)]
    )
    assert scrape_flutter(signal, HIGH).unweighted["rms"].value < 1e-5


def test_scrape_noise_floor_is_the_theoretical_bound(rng: np.random.Generator) -> None:
    """As for flutter, over 100 Hz to 5 kHz; one seed of 4 s scatters by 0.5 %."""
    variance = 0.5e-6
    noise = math.sqrt(variance) * rng.standard_normal(4 * HIGH)
    signal = tone(12_500, duration_seconds=4, sample_rate=HIGH, level_dbfs=0) + noise
    bound = 100 / 12_500 * math.sqrt(2 * (2 * variance / HIGH) * (5000**3 - 100**3) / 3)
    assert scrape_flutter(signal, HIGH).unweighted["rms"].value == pytest.approx(bound, rel=0.016)


def test_scrape_flutter_needs_a_high_tone() -> None:
    reading = scrape_flutter(tone(3150, duration_seconds=4, sample_rate=HIGH), HIGH).unweighted["rms"]
    assert not reading.defined
    assert "no tone within 3 % of 10000 or 12500 Hz" in reading.warnings[0]
    low = scrape_flutter(tone(3150, duration_seconds=4, sample_rate=HIGH), HIGH, carrier_hz=3150).unweighted["rms"]
    assert not low.defined
    assert "no room for deviations up to 5000 Hz" in low.warnings[0]


# Conditions


def test_too_short_for_the_band() -> None:
    """Two periods of 0.2 Hz are 10 s; the two-sigma wants 5 s."""
    six = flutter(with_speed((4, 0.1), seconds=6), FS)
    assert six.weighted["two_sigma"].defined
    assert not six.unweighted["rms"].defined
    assert "too short for the band asked: 10 s are needed" in six.unweighted["rms"].warnings[0]
    assert flutter(with_speed((4, 0.1), seconds=6), FS, band_hz=(0.5, 200)).unweighted["rms"].defined
    four = flutter(with_speed((4, 0.1), seconds=4), FS)
    assert all(not reading.defined for reading in four.weighted.values())
    assert four.speed_error.defined


def test_no_figure_without_conditions() -> None:
    result = flutter(with_speed((4, 0.1), seconds=12), FS)
    for reading in result.readings:
        conditions = reading.conditions
        assert conditions["nominal_hz"] == 3150
        assert conditions["tone_hz"] == pytest.approx(3150)
        assert conditions["level_dbfs"] == pytest.approx(-6, abs=0.01)
        assert 11.8 < float(conditions["duration_seconds"]) <= 12
        assert conditions["band_hz"] == "0.2 to 200"
        assert conditions["sample_rate_hz"] == FS
        assert reading.uncertainty_basis.startswith("theory")
        assert math.isfinite(reading.uncertainty)
    assert result.weighted["two_sigma"].standard == "AES6-2008"
    assert result.weighted["quasi_peak"].standard == "IEC 60386"
    assert "from memory" in str(result.weighted["rms"].conditions["weighting"])


@pytest.mark.parametrize("signal", [with_speed((4, 0.1), seconds=12), np.zeros(100)], ids=["tone", "silence"])
def test_goes_to_json_and_back(signal: np.ndarray) -> None:
    result = flutter(signal, FS)
    text = json.dumps(result.to_dict(), allow_nan=False)
    again = FlutterResult.from_dict(json.loads(text))
    assert again.to_dict() == result.to_dict()
    assert str(again) == str(result)
    assert [curve.x_unit for curve in again.curves] == ["Hz", "s"]


def test_spectrum_shows_the_peak_of_a_line() -> None:
    spectrum = flutter(with_speed((7.3, 0.1), seconds=12), FS).spectrum
    top = int(np.argmax(spectrum.y))
    assert spectrum.x[top] == pytest.approx(7.3, abs=0.03)
    assert spectrum.y[top] == pytest.approx(0.1, rel=0.01)


# Bad input


@pytest.mark.parametrize("meter", [flutter, scrape_flutter])
@pytest.mark.parametrize(
    ("signal", "reason"),
    [
        (np.zeros(0), "0 sample"),
        (np.zeros(1), "1 sample"),
        (np.zeros(6 * FS), "silent"),
        (np.full(6 * FS, 0.25), "constant"),
        (np.full(10, np.nan), "10 sample.* not finite"),
        (np.eye(1, 6 * FS, 1000)[0], "no single tone"),
    ],
)
def test_bad_signals_give_nan_with_the_reason(
    meter: Callable[..., FlutterResult], signal: np.ndarray, reason: str
) -> None:
    result = meter(signal, HIGH)
    assert result.readings
    for reading in result.readings:
        assert math.isnan(reading.value)
        assert re.search(reason, reading.warnings[0])
        assert "undefined" in str(reading)


@given(
    hnp.arrays(
        np.float64,
        st.integers(0, 5000),
        elements=st.floats(-1, 1, width=32) | st.sampled_from([0.0, 1.0, np.nan, np.inf, 1e300, 1e-300]),
    ),
    st.sampled_from([1.0, 100.0, 8000.0, 44_100.0, 48_000.0, 1e6]),
)
@settings(max_examples=40, deadline=None)
def test_arbitrary_arrays_never_give_a_flutter_figure(signal: np.ndarray, rate: float) -> None:
    """None of them is a tone of five seconds, so no figure may come out, and nothing may be raised."""
    result = flutter(signal, rate)
    for reading in (*result.weighted.values(), *result.unweighted.values(), *result.wow.values()):
        assert not reading.defined
        assert reading.warnings


@given(
    frequencies=st.lists(st.floats(60, 11_000), min_size=2, max_size=8, unique=True),
    levels=st.lists(st.floats(0.502, 1.0), min_size=8, max_size=8),
)
@settings(max_examples=30, deadline=None)
def test_chords_of_loud_tones_never_give_a_figure(frequencies: list[float], levels: list[float]) -> None:
    """Two to eight tones within 6 dB of one another: none is the tone, whatever their frequencies."""
    time = np.arange(6 * 24_000) / 24_000
    chord = np.sum(
        [a * np.sin(2 * np.pi * f * time + f) for f, a in zip(frequencies, levels, strict=False)], axis=0
    )
    close = max(frequencies) - min(frequencies) < 1.0
    assert close or not flutter(0.1 * chord, 24_000).weighted["rms"].defined


@given(
    rate_hz=st.floats(0.25, 150),
    peak=st.floats(0.005, 1.0),
    carrier=st.floats(3110, 3190),
    phase=st.floats(0, 6.28),
    level=st.floats(-60, 0),
)
@settings(max_examples=12, deadline=None)
def test_any_sinusoidal_deviation_is_read_right(
    rate_hz: float, peak: float, carrier: float, phase: float, level: float
) -> None:
    speed = [Modulation(rate_hz=rate_hz, peak_percent=peak, phase_radians=phase)]
    signal = modulated_tone(carrier, duration_seconds=11, sample_rate=16_000, speed=speed, level_dbfs=level)
    result = flutter(signal, 16_000)
    assert result.unweighted["rms"].value == pytest.approx(peak / math.sqrt(2), rel=1e-4)
    assert result.speed_error.value == pytest.approx(100 * (carrier / 3150 - 1), abs=1e-6)


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({"band_hz": (200, 0.2)}, "band_hz"),
        ({"band_hz": (0.0, 200)}, "band_hz"),
        ({"band_hz": (150, 200)}, "octave"),
        ({"band_hz": (1, math.inf)}, "band_hz"),
        ({"carrier_hz": -1.0}, "carrier_hz"),
        ({"wow_limit_hz": 300.0}, "wow_limit_hz"),
    ],
)
def test_impossible_arguments_are_errors(arguments: dict[str, object], match: str) -> None:
    with pytest.raises(MeasureError, match=match):
        flutter(np.zeros(10), FS, **arguments)


def test_wrong_types_are_errors() -> None:
    with pytest.raises(MeasureError, match="floating point"):
        flutter(np.zeros(10, dtype=np.int16), FS)
    with pytest.raises(MeasureError, match="one channel"):
        flutter(np.zeros((2, 10)), FS)
    with pytest.raises(MeasureError, match="sample_rate"):
        flutter(np.zeros(10), 0)


def test_a_line_is_weighted_by_the_network_at_its_rate() -> None:
    """By the network that test_weighting holds to its table: 1 at 4 Hz, about a third at 40 Hz."""
    signal = modulated_tone(
        3150,
        duration_seconds=12,
        sample_rate=FS,
        speed=[Modulation(rate_hz=4, peak_percent=0.1), Modulation(rate_hz=40, peak_percent=0.05)],
    )
    first, second = flutter(signal, FS).lines[:2]
    assert first.weighted_percent == pytest.approx(0.1, rel=0.01)
    weight = float(np.abs(flutter_network(np.array([40.0]))[0]))
    assert second.weighted_percent == pytest.approx(0.05 * weight, rel=0.01)
