"""Amplitude fluctuation: truth by construction, other people's tremolos, statistics, bad input."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.errors import MeasureError
from measure.parts.signals import Modulation, modulated_tone, tone
from measure.quantities.amplitude import AmplitudeResult, amplitude_fluctuation

REFERENCE = Path(__file__).parents[2] / "reference"
FS = 16_000


def with_amplitude(
    *parts: tuple[float, float], seconds: float = 12, phase: float = 0.3, **others: float
) -> np.ndarray:
    amplitude = [
        Modulation(rate_hz=rate_hz, peak_percent=peak, phase_radians=phase + index)
        for index, (rate_hz, peak) in enumerate(parts)
    ]
    return modulated_tone(3150, duration_seconds=seconds, sample_rate=FS, amplitude=amplitude, **others)


@pytest.mark.parametrize("rate_hz", [0.2, 0.5, 4, 30, 200])
@pytest.mark.parametrize("peak", [0.1, 10.0])
def test_depth_of_a_sine_is_the_closed_form(rate_hz: float, peak: float) -> None:
    """Peak p, RMS p/sqrt 2, two-sigma p cos(0.025 pi), kurtosis of a sine -1.5."""
    (channel,) = amplitude_fluctuation(with_amplitude((rate_hz, peak)), FS).channels
    assert channel.depth["peak"].value == pytest.approx(peak, rel=1e-4)
    assert channel.depth["rms"].value == pytest.approx(peak / math.sqrt(2), rel=1e-4)
    assert channel.depth["two_sigma"].value == pytest.approx(peak * math.cos(0.025 * math.pi), rel=2e-4)
    assert channel.excess_kurtosis.value == pytest.approx(-1.5, abs=1e-3)
    assert channel.lines[0].rate_hz == pytest.approx(rate_hz, rel=1e-5)
    assert channel.lines[0].peak_percent == pytest.approx(peak, rel=1e-5)


def test_depth_in_decibels_is_the_series_of_the_logarithm() -> None:
    """20 lg(1 + m sin) has the mean square of its series; for m = 5 % the RMS is 8.686 m / sqrt 2 (1 + 11/32 m^2).

    The mean of the logarithm is not 0 and counts as level, not as fluctuation.
    """
    m = 0.05
    (channel,) = amplitude_fluctuation(with_amplitude((4, 100 * m)), FS).channels
    turn = 2 * np.pi * np.arange(4096) / 4096
    level = 20 * np.log10(1 + m * np.sin(turn))
    assert channel.level["rms"].value == pytest.approx(np.std(level), rel=1e-5)
    assert channel.level["peak"].value == pytest.approx(np.max(np.abs(level - level.mean())), rel=1e-3)
    assert channel.level["rms"].unit == "dB"


@pytest.mark.parametrize("name", ["tremolo_ffmpeg", "tremolo_sox"])
def test_files_of_independent_tremolos(name: str) -> None:
    """(d/2) / (1 - d/2) with d = 0.1, from both programs' source; see tests/reference/make_modulated_files.sh."""
    signal, rate = soundfile.read(REFERENCE / f"{name}.flac")
    (channel,) = amplitude_fluctuation(signal, rate, band_hz=(0.5, 200)).channels
    assert channel.depth["rms"].value * math.sqrt(2) == pytest.approx(100 * 0.05 / 0.95, rel=1e-4)
    assert channel.lines[0].rate_hz == pytest.approx(5, abs=1e-4)


@pytest.mark.parametrize("rate_hz", [0.5, 4, 100])
def test_speed_fluctuation_is_not_amplitude_fluctuation(rate_hz: float) -> None:
    speed = [Modulation(rate_hz=rate_hz, peak_percent=0.3)]
    signal = modulated_tone(3150, duration_seconds=12, sample_rate=FS, speed=speed)
    assert amplitude_fluctuation(signal, FS).channels[0].depth["rms"].value < 1e-6


def test_noise_reads_what_theory_says(rng: np.random.Generator) -> None:
    """In-phase noise: sqrt(2 S B) / A with S the one-sided density; 12 s of 200 Hz scatter by 1.4 %."""
    variance = 0.5e-5
    signal = tone(3150, duration_seconds=12, sample_rate=FS, level_dbfs=0)
    signal = signal + math.sqrt(variance) * rng.standard_normal(signal.size)
    reading = amplitude_fluctuation(signal, FS).channels[0].depth["rms"]
    assert reading.value == pytest.approx(100 * math.sqrt(2 * (2 * variance / FS) * 200), rel=0.05)
    assert reading.conditions["noise_percent"] == pytest.approx(reading.value, rel=0.05)
    assert "mostly noise" in reading.warnings[-1]


def band_noise(rng: np.random.Generator, count: int, low: float, high: float) -> np.ndarray:
    """Gaussian noise in a band, with unit variance over the ensemble."""
    frequency = np.fft.rfftfreq(count, 1 / FS)
    shape = (frequency > low) & (frequency < high)
    return np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * shape, count) * math.sqrt(FS / 2 / (high - low))


@pytest.mark.parametrize("wanted", [0.0, 0.6, -0.9])
def test_correlation_of_channels(rng: np.random.Generator, wanted: float) -> None:
    """Envelopes mixed from independent noise; three standard uncertainties, as stated in the reading."""
    count = 12 * FS
    a, b = band_noise(rng, count, 1, 40), band_noise(rng, count, 1, 40)
    carrier = tone(3150, duration_seconds=12, sample_rate=FS)
    second = wanted * a + math.sqrt(1 - wanted**2) * b
    signal = np.stack([carrier * (1 + 0.02 * a), carrier * (1 + 0.01 * second)])
    result = amplitude_fluctuation(signal, FS)
    (reading,) = result.correlation
    truth = float(np.corrcoef(a, second)[0, 1])
    assert reading.value == pytest.approx(truth, abs=0.003)
    assert reading.value == pytest.approx(wanted, abs=3 * reading.uncertainty)
    # 39 Hz for 12 s are 936 independent samples.
    assert reading.uncertainty == pytest.approx((1 - wanted**2) / math.sqrt(936), rel=0.5)
    assert result.channels[0].depth["rms"].value == pytest.approx(2.0, rel=0.06)
    assert result.channels[0].excess_kurtosis.value == pytest.approx(0, abs=4 * 0.16)


def test_three_channels_have_three_correlations() -> None:
    signal = np.stack(
        [with_amplitude((4, 1.0)), with_amplitude((4, 2.0)), with_amplitude((4, 1.0), phase=0.3 + np.pi)]
    )
    values = [reading.value for reading in amplitude_fluctuation(signal, FS).correlation]
    np.testing.assert_allclose(values, [1, -1, -1], atol=1e-6)


def test_correlation_with_a_steady_or_a_dead_channel_is_undefined() -> None:
    steady = tone(3150, duration_seconds=12, sample_rate=FS)
    result = amplitude_fluctuation(np.stack([with_amplitude((4, 1.0)), steady, 0 * steady]), FS)
    reasons = [reading.warnings[0] for reading in result.correlation]
    assert not any(reading.defined for reading in result.correlation)
    assert reasons == [
        "the amplitude of channel 1 does not fluctuate",
        "channel 2: the signal is silent",
        "channel 2: the signal is silent",
    ]
    assert result.channels[0].depth["rms"].defined
    assert not result.channels[2].depth["rms"].defined


def test_dropouts_are_counted_with_place_length_and_depth() -> None:
    """Raised-cosine dips: the length at -6 dB and the depth are known."""
    time = np.arange(12 * FS) / FS
    places = [(2.0, 0.02, 0.9), (5.5, 0.05, 0.75), (9.0, 0.2, 0.6), (10.5, 0.1, 0.3)]
    gain = np.ones(time.size)
    expected = []
    for start, length, depth in places:
        inside = (time >= start) & (time < start + length)
        gain[inside] -= depth * 0.5 * (1 - np.cos(2 * np.pi * (time[inside] - start) / length))
        if depth > 0.5:
            # Below half of full height where 0.5 (1 - cos) exceeds 0.5012 / depth ... (6 dB is a ratio of 0.5012).
            half = math.acos(1 - 2 * (1 - 10 ** (-6 / 20)) / depth) / (2 * np.pi)
            expected.append((start + half * length, (1 - 2 * half) * length, -20 * math.log10(1 - depth)))
    (channel,) = amplitude_fluctuation(tone(3150, duration_seconds=12, sample_rate=FS) * gain, FS).channels
    assert channel.dropout_count.value == 3
    found = [(each.start_seconds, each.length_seconds, each.depth_db) for each in channel.dropouts]
    np.testing.assert_allclose(np.array(found)[:, :2], np.array(expected)[:, :2], atol=2e-4)
    np.testing.assert_allclose(np.array(found)[:, 2], np.array(expected)[:, 2], atol=0.05)
    lengths = dict(zip(channel.dropout_lengths.x, channel.dropout_lengths.y, strict=True))
    # At the threshold they last 9.3, 19.6 and 54 ms.
    assert lengths[0.005] == 1
    assert lengths[0.01] == 1
    assert lengths[0.05] == 1
    assert sum(lengths.values()) == 3


def test_the_depth_of_a_dropout_is_told_against_the_level_around_it() -> None:
    """In a fade the level around is that of the moment itself, not that of half a window before or after."""
    time = np.arange(8 * FS) / FS
    gain = 10.0 ** (np.clip(10.0 * (time - 1.6), -6.0, 6.0) / 20.0)
    gain *= 1.0 - 0.25 * (1.0 + np.cos(2.0 * np.pi * (time - 1.6) / 0.04)) * (np.abs(time - 1.6) < 0.02)
    for rising in (gain, gain[::-1]):
        signal = 0.1 * tone(3150, duration_seconds=8, sample_rate=FS) * rising
        (found,) = amplitude_fluctuation(signal, FS, dropout_db=4.0).channels[0].dropouts
        # Half a block of the median too early or too late is 0.5 dB of the fade.
        assert found.depth_db == pytest.approx(20.0 * math.log10(2.0), abs=0.2)


def test_threshold_and_shortest_length_of_a_dropout_can_be_chosen() -> None:
    time = np.arange(12 * FS) / FS
    gain = 1 - 0.4 * ((time > 3) & (time < 3.004)) - 0.4 * ((time > 6) & (time < 6.05))
    signal = tone(3150, duration_seconds=12, sample_rate=FS) * gain
    assert amplitude_fluctuation(signal, FS).channels[0].dropout_count.value == 0
    assert amplitude_fluctuation(signal, FS, dropout_db=3).channels[0].dropout_count.value == 2
    longer = amplitude_fluctuation(signal, FS, dropout_db=3, dropout_seconds=0.01).channels[0]
    assert longer.dropout_count.value == 1
    assert longer.dropouts[0].length_seconds == pytest.approx(0.05, abs=2e-4)


def test_depth_does_not_depend_on_the_carrier() -> None:
    amplitude = [Modulation(rate_hz=4, peak_percent=3.0)]
    for carrier in (1000, 6000):
        signal = modulated_tone(carrier, duration_seconds=12, sample_rate=FS, amplitude=amplitude)
        (channel,) = amplitude_fluctuation(signal, FS, carrier_hz=carrier).channels
        assert channel.depth["peak"].value == pytest.approx(3.0, rel=1e-4)


def test_too_short_for_the_band() -> None:
    (channel,) = amplitude_fluctuation(with_amplitude((4, 1.0), seconds=6), FS).channels
    assert "too short for the band asked: 10 s" in channel.depth["rms"].warnings[0]
    assert not channel.level["rms"].defined
    (channel,) = amplitude_fluctuation(with_amplitude((4, 1.0), seconds=6), FS, band_hz=(1, 200)).channels
    assert channel.depth["rms"].defined


@pytest.mark.parametrize(
    ("signal", "reason"),
    [
        (np.zeros(FS), "silent"),
        (np.zeros((2, 0)), "0 sample"),
        (np.ones(1), "1 sample"),
        (np.full(FS, np.nan), "not finite"),
        (np.full(FS, 0.5), "constant"),
        (tone(1000, duration_seconds=2, sample_rate=FS), "no tone within"),
        (
            tone(3150, duration_seconds=2, sample_rate=FS) + tone(3000, duration_seconds=2, sample_rate=FS),
            "two tones",
        ),
    ],
)
def test_bad_signals_give_nan_with_the_reason(signal: np.ndarray, reason: str) -> None:
    for channel in amplitude_fluctuation(signal, FS).channels:
        for reading in channel.readings:
            assert math.isnan(reading.value)
            assert reason in reading.warnings[0]


@given(st.floats(0.3, 150), st.floats(0.01, 30), st.floats(0, 6.28), st.floats(-80, 20))
@settings(max_examples=20, deadline=None)
def test_any_sinusoidal_depth_is_read_right(rate_hz: float, peak: float, phase: float, level: float) -> None:
    signal = with_amplitude((rate_hz, peak), phase=phase, seconds=11, level_dbfs=level)
    (channel,) = amplitude_fluctuation(signal, FS).channels
    assert channel.depth["rms"].value == pytest.approx(peak / math.sqrt(2), rel=1e-4)


@pytest.mark.parametrize("signal", [with_amplitude((4, 1.0)), np.zeros((2, 10))], ids=["tone", "silence"])
def test_goes_to_json_and_back(signal: np.ndarray) -> None:
    result = amplitude_fluctuation(signal, FS)
    again = AmplitudeResult.from_dict(json.loads(json.dumps(result.to_dict(), allow_nan=False)))
    assert again.to_dict() == result.to_dict()
    assert str(again) == str(result)
    assert len(again.curves) == 2 * len(again.channels)


def test_no_figure_without_conditions() -> None:
    (channel,) = amplitude_fluctuation(with_amplitude((4, 1.0)), FS).channels
    for reading in channel.readings:
        assert reading.conditions["tone_hz"] == pytest.approx(3150, abs=1e-3)
        assert reading.conditions["level_dbfs"] == pytest.approx(-6, abs=0.01)
        assert reading.conditions["sample_rate_hz"] == FS
        assert reading.conditions["band_hz"] == "0.2 to 200"
        assert math.isfinite(reading.uncertainty)


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({"band_hz": (5, 6)}, "octave"),
        ({"carrier_hz": math.nan}, "carrier_hz is nan"),
        ({"dropout_db": 0.0}, "dropout_db is 0.0"),
        ({"dropout_seconds": 0.0}, "dropout_seconds is 0.0"),
    ],
)
def test_impossible_arguments_are_errors(arguments: dict[str, object], match: str) -> None:
    with pytest.raises(MeasureError, match=match):
        amplitude_fluctuation(np.zeros(10), FS, **arguments)


def test_the_carrier_is_told_to_a_tenth_of_a_millihertz() -> None:
    result = amplitude_fluctuation(tone(3150.123456, duration_seconds=3, sample_rate=FS), FS)
    assert result.channels[0].dropout_count.conditions["tone_hz"] == 3150.1235
