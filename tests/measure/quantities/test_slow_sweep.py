"""Response by a slow sweep, and the bump: filters of known formula, still and with flutter behind them."""

import math

import numpy as np
import pytest

from measure import MeasureError, slow_response
from measure.parts.signals import synchronised_sweep
from measure.quantities.response import frequency_response
from measure.quantities.slow_sweep import response_from_slow_sweep

RATE = 16_000.0  # cheap, and the bass is what matters
DEPTH, ECHO_SECONDS, SMEAR_SECONDS = 0.15, 0.010, 0.0012
# Published case of a transport: 0.1 % at 1 Hz, 0.05 % at 10 Hz, 0.02 % at 70 Hz, peak.
FLUTTER = ((1.0, 0.1), (10.0, 0.05), (70.0, 0.02))


def gain_of_echoes(f):
    """Two echoes, early and late alike, each smeared by a Gaussian: no phase, and a rise where they oppose."""
    smear = np.exp(-0.5 * (2.0 * np.pi * f * SMEAR_SECONDS) ** 2)
    return 1.0 - DEPTH * np.cos(2.0 * np.pi * f * ECHO_SECONDS) * smear


def echoes(audio, rate):
    spectrum = np.fft.rfft(audio, 2 * len(audio))
    f = np.fft.rfftfreq(2 * len(audio), 1.0 / rate)
    return np.fft.irfft(spectrum * gain_of_echoes(f))[: len(audio)]


def fluttering(audio, rate, deviations=FLUTTER):
    """The audio at a moving place, by an eightfold finer grid and a spline of fifth order (scipy)."""
    from scipy.ndimage import map_coordinates
    from scipy.signal import resample_poly

    place = np.arange(len(audio), dtype=np.float64)
    for hz, percent in deviations:
        place -= (
            0.01 * percent * rate / (2.0 * np.pi * hz) * np.sin(2.0 * np.pi * hz * np.arange(len(audio)) / rate)
        )
    fine = resample_poly(audio, 4, 1)
    return map_coordinates(fine, [4.0 * place], order=5, mode="constant")


def true_bump():
    f = np.linspace(20.0, 300.0, 280_001)
    top = int(np.argmax(gain_of_echoes(f)))
    return f[top], 20.0 * math.log10(gain_of_echoes(f[top]))


def misses(result):
    return result.magnitude.y - 20.0 * np.log10(gain_of_echoes(result.magnitude.x))


def test_a_bump_of_known_formula():
    result = slow_response(echoes, 48_000.0, seconds=10.0)
    hz, height = true_bump()
    assert np.max(np.abs(misses(result))) < 0.03
    assert result.bump_frequency.value == pytest.approx(hz, rel=0.005)
    assert result.bump_height.value == pytest.approx(height, abs=0.01)
    assert result.bump_height.agrees_with(height)
    assert result.gain.value == pytest.approx(0.0, abs=0.01)
    assert result.at(10_000.0).value == pytest.approx(0.0, abs=0.01)


def test_flutter_that_spoils_a_deconvolved_sweep_does_not_count():
    """Deconvolution reads tenths of a decibel of ripple from the same tape (published: 0.6 dB at most)."""
    result = slow_response(lambda x, r: fluttering(echoes(x, r), r), RATE, seconds=10.0)
    assert np.max(np.abs(misses(result))) < 0.04
    assert result.bump_height.value == pytest.approx(true_bump()[1], abs=0.02)
    worse = slow_response(lambda x, r: fluttering(echoes(x, r), r, ((4.0, 1.0),)), RATE, seconds=10.0)
    assert np.max(np.abs(misses(worse))) < 0.04
    spoilt = frequency_response(lambda x, r: fluttering(echoes(x, r), r), RATE, seconds=10.0)
    f = spoilt.magnitude.x
    off = spoilt.magnitude.y - 20.0 * np.log10(gain_of_echoes(f))
    assert np.max(np.abs(off[(f > 50.0) & (f < 5_000.0)])) > 0.2


@pytest.mark.long
@pytest.mark.parametrize("rate", [22_050.0, 44_100.0, 96_000.0])
@pytest.mark.parametrize("speed", [FLUTTER, ((4.0, 1.0),), ((0.5, 2.0),)])
def test_other_rates_and_faster_tapes(rate, speed):
    result = slow_response(lambda x, r: fluttering(echoes(x, r), r, speed), rate, seconds=20.0, high_hz=8_000.0)
    assert np.max(np.abs(misses(result))) < 0.05
    assert result.bump_height.value == pytest.approx(true_bump()[1], abs=0.03)


def test_noise_counts_in_the_uncertainty():
    rng = np.random.default_rng(3)
    noise = 0.02 * rng.standard_normal(round(12.0 * RATE))
    result = slow_response(lambda x, r: echoes(x, r) + noise[: len(x)], RATE, seconds=10.0)
    off = misses(result) / result.magnitude.uncertainty
    assert np.mean(np.abs(off) < 2.0) > 0.9
    assert np.median(result.magnitude.uncertainty) > 0.02


def test_the_gain_is_doubted_as_a_mean_of_windows_that_overlap():
    """Scatter of 40 readings in hiss, told to a tenth; as if nine points were one it was said to be twice that."""
    sweep = synchronised_sweep(RATE, low_hz=500.0, high_hz=2_000.0, seconds=2.2, tail_seconds=0.1)
    rng = np.random.default_rng(4)
    gains = [
        response_from_slow_sweep(
            sweep.signal + 0.01 * rng.standard_normal(len(sweep.signal)), sweep, latency_seconds=0.0
        ).gain
        for _ in range(40)
    ]
    scatter = np.std([gain.value for gain in gains])
    assert np.mean([gain.uncertainty for gain in gains]) == pytest.approx(scatter, rel=0.25)


def test_without_noise_the_gain_is_that_of_a_third_octave_within_its_doubt():
    """A first-order fall, by its formula: its points lie lopsided, 0.05 dB off where 5e-5 were said."""
    sweep = synchronised_sweep(RATE, low_hz=500.0, high_hz=2_000.0, seconds=2.2, tail_seconds=0.1)
    spectrum = np.fft.rfft(sweep.signal)
    f = np.fft.rfftfreq(len(sweep.signal), 1.0 / RATE)
    fallen = np.fft.irfft(spectrum / np.sqrt(1.0 + (f / 1_000.0) ** 2), len(sweep.signal))
    gain = response_from_slow_sweep(fallen, sweep, latency_seconds=0.0).gain
    third = 2.0 ** np.linspace(-1.0 / 6.0, 1.0 / 6.0, 2001)
    truth = 10.0 * math.log10(np.mean(1.0 / (1.0 + third**2)))
    assert abs(gain.value - truth) < 2.0 * gain.uncertainty < 0.0025


def test_a_late_system_is_read_where_its_sweep_is():
    late = 1_601
    shifted = slow_response(lambda x, _: np.concatenate([np.zeros(late), x])[: len(x)], RATE, seconds=10.0)
    assert np.nanmax(np.abs(shifted.magnitude.y)) < 0.02
    told = slow_response(
        lambda x, r: np.concatenate([np.zeros(late), echoes(x, r)])[: len(x)],
        RATE,
        seconds=10.0,
        latency_seconds=late / RATE,
    )
    assert told.bump_frequency.value == pytest.approx(true_bump()[0], rel=0.005)


def test_where_there_is_no_bump_none_is_read():
    flat = slow_response(lambda x, _: 0.5 * x, RATE, seconds=10.0)
    assert flat.gain.value == pytest.approx(-6.0206, abs=1e-3)
    assert not flat.bump_height.defined
    assert "rises by no more" in flat.bump_height.warnings[0]

    def boosted(x, rate):  # a shelf: rises on to the lowest note
        f = np.fft.rfftfreq(len(x), 1.0 / rate)
        return np.fft.irfft(np.fft.rfft(x) * (1.0 + 1.0 / (1.0 + (f / 60.0) ** 2)), len(x))

    shelf = slow_response(boosted, RATE, seconds=10.0)
    assert not shelf.bump_frequency.defined
    assert "rises on to its end below" in shelf.bump_frequency.warnings[0]

    def humped(x, rate):  # beyond the bass
        octaves = np.log2(np.maximum(np.fft.rfftfreq(len(x), 1.0 / rate), 1.0) / 350.0)
        return np.fft.irfft(np.fft.rfft(x) * (1.0 + np.exp(-((octaves / 0.7) ** 2))), len(x))

    hump = slow_response(humped, RATE, seconds=10.0)
    assert not hump.bump_frequency.defined
    assert "rises on to its end above" in hump.bump_frequency.warnings[0]


def test_what_cannot_be_read_says_why():
    silent = slow_response(lambda x, _: 0.0 * x, RATE, seconds=7.0)
    assert not silent.gain.defined
    assert "silent" in silent.gain.warnings[0]
    assert not silent.at(100.0).defined
    broken = slow_response(lambda x, _: x * np.nan, RATE, seconds=7.0)
    assert "finite" in broken.bump_height.warnings[0]
    assert "the sweep was read" in slow_response(lambda x, _: x, RATE, seconds=7.0).at(7_500.0).warnings[0]
    sweep = synchronised_sweep(RATE, seconds=2.0)
    with pytest.raises(MeasureError, match="an octave"):
        response_from_slow_sweep(sweep.signal, sweep)
    sweep = synchronised_sweep(RATE, seconds=7.0)
    with pytest.raises(MeasureError, match="samples"):
        response_from_slow_sweep(sweep.signal[1:], sweep)
    with pytest.raises(MeasureError, match="swept band"):
        response_from_slow_sweep(sweep.signal, sweep, reference_hz=1.2 * sweep.low_hz)


def test_edges_of_a_band_pass_are_those_it_was_designed_for():
    """Butterworth's half power points are where the design puts them, re the flat middle."""
    from scipy import signal

    sos = signal.butter(2, [100.0, 4_000.0], "bandpass", fs=24_000.0, output="sos")
    result = slow_response(lambda x, _: signal.sosfilt(sos, x), 24_000.0, seconds=10.0, reference_hz=632.0)
    assert result.low_edge.value == pytest.approx(100.0, rel=2e-3)
    assert result.high_edge.value == pytest.approx(4_000.0, rel=2e-3)
    assert result.low_edge.agrees_with(100.0)
    assert result.high_edge.agrees_with(4_000.0)
    still = frequency_response(lambda x, _: signal.sosfilt(sos, x), 24_000.0, reference_hz=632.0)
    assert result.high_edge.value == pytest.approx(still.high_edge.value, rel=2e-3)


@pytest.mark.parametrize("step", [2.0**-15, None], ids=["nothing", "noise"])
def test_an_edge_is_read_where_nothing_or_noise_lies_beyond_it(step):
    """Rounded to 16 bits, what is cut away is exactly nothing."""
    noise = 1e-3 * np.random.default_rng(5).standard_normal(round(12.0 * RATE))

    def cut(audio, rate):
        spectrum = np.fft.rfft(audio)
        spectrum[np.fft.rfftfreq(len(audio), 1.0 / rate) > 3_000.0] = 0.0
        rest = np.fft.irfft(spectrum, len(audio))
        return step * np.round(rest / step) if step else rest + noise[: len(audio)]

    edge = slow_response(cut, RATE, seconds=10.0).high_edge
    assert edge.value == pytest.approx(
        3_000.0, rel=2.0 ** (1.0 / 12.0) - 1.0
    )  # the window that it is read through


def test_a_response_that_does_not_fall_has_no_edges():
    flat = slow_response(lambda x, _: x, RATE, seconds=7.0)
    for edge in (flat.low_edge, flat.high_edge):
        assert not edge.defined
        assert "within 3 dB as far as" in edge.warnings[0]
    assert not slow_response(lambda x, _: 0.0 * x, RATE, seconds=7.0).high_edge.defined
