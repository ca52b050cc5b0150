"""Responses of systems whose response is known on paper, or computed by scipy."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.errors import MeasureError
from measure.parts.signals import synchronised_sweep
from measure.quantities.response import frequency_response, response_from_sweep

RATE = 48_000


def delayed(samples, gain=1.0):
    """An exact delay by any number of samples: a turn of phase in the spectrum."""

    def system(audio, _):
        size = 1 << (2 * len(audio) - 1).bit_length()
        turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * samples)
        return gain * np.fft.irfft(np.fft.rfft(audio, size) * turn, size)[: len(audio)]

    return system


@settings(max_examples=15, deadline=None)
@given(st.floats(0.0, 3000.0), st.floats(-40.0, 20.0), st.sampled_from([1.0, -1.0]))
def test_delay_gain_and_polarity(samples, gain_db, sign):
    r = frequency_response(delayed(samples, sign * 10.0 ** (gain_db / 20)), RATE, seconds=2.0)
    assert r.latency_samples.value == pytest.approx(samples, abs=1e-4)
    assert r.latency_seconds.value == pytest.approx(samples / RATE, abs=1e-4 / RATE)
    assert r.polarity.value == sign
    assert r.gain.value == pytest.approx(gain_db, abs=1e-5)
    inner = (r.magnitude.x > 30.0) & (r.magnitude.x < 19_000.0)
    assert np.max(np.abs(r.magnitude.y[inner] - gain_db)) < 0.01
    assert np.max(np.abs(r.group_delay.y[inner] * RATE - samples)) < 5.0
    assert math.isnan(r.low_edge.value)
    assert "within 3 dB" in r.low_edge.warnings[0]


def test_band_pass_against_scipy():
    from scipy import signal

    b, a = signal.butter(2, [100.0, 5_000.0], "bandpass", fs=RATE)
    r = frequency_response(lambda x, _: signal.lfilter(b, a, x), RATE)
    _, h = signal.freqz(b, a, r.magnitude.x, fs=RATE)
    _, delay = signal.group_delay((b, a), r.magnitude.x, fs=RATE)
    error = np.abs(r.magnitude.y - 20.0 * np.log10(np.abs(h)))
    inner = r.magnitude.x > 30.0
    assert np.max(error[inner]) < 1e-3
    assert np.max(error) < 0.01
    assert np.max(np.abs(r.group_delay.y[inner] * RATE - delay[inner])) < 0.2
    # Phase with the latency put back in, modulo a turn.
    phase = np.radians(r.phase.y) - 2.0 * np.pi * r.phase.x * r.latency_seconds.value
    assert np.max(np.abs(np.angle(np.exp(1j * phase) / (h / np.abs(h)))[inner])) < 1e-3
    assert r.low_edge.value == pytest.approx(100.0, rel=1e-3)
    assert r.high_edge.value == pytest.approx(5_000.0, rel=1e-3)


def test_distortion_does_not_enter():
    # x + 0.1 x^2 has the gain 1 for the linear part, whatever it adds at twice the frequency.
    # The sweep ends below a quarter of the rate, or that would fold back.
    r = frequency_response(lambda x, _: x + 0.1 * x**2, RATE, level_dbfs=0.0, high_hz=10_000.0)
    inner = (r.magnitude.x > 100.0) & (r.magnitude.x < 9_000.0)
    assert np.max(np.abs(r.magnitude.y[inner])) < 0.01


def test_uncertainty_holds_in_noise():
    rng = np.random.default_rng(4)
    readings = [
        frequency_response(
            lambda x, _: x + 1e-3 * rng.standard_normal(len(x)), RATE, seconds=1.0, tail_seconds=0.5
        )
        for _ in range(12)
    ]
    gains = [r.gain.value for r in readings]
    delays = [r.latency_samples.value for r in readings]
    # Twelve repeats give a standard deviation to 20 %; the statement must be of that size.
    assert 0.4 < np.std(gains) / readings[0].gain.uncertainty < 2.0
    assert 0.2 < np.std(delays) / readings[0].latency_samples.uncertainty < 2.5


def test_a_quarter_turn_has_no_polarity():
    from scipy.signal import hilbert

    r = frequency_response(lambda x, _: np.imag(hilbert(x)), RATE, seconds=1.0)
    assert math.isnan(r.polarity.value)
    assert "-90 degrees" in r.polarity.warnings[0]


def test_octaves_that_arrive_apart_are_part_of_the_doubt():
    def tape(x, _):
        n = np.arange(len(x))
        return np.interp(n - 600.0 - 0.5 * np.sin(2.0 * np.pi * 4.0 * n / RATE), n, x)

    latency = frequency_response(tape, RATE).latency_samples
    assert abs(latency.value - 600.0) < 0.5
    assert 0.05 < latency.uncertainty < 0.5
    exact = frequency_response(delayed(100.37), RATE).latency_samples
    assert abs(exact.value - 100.37) < 2 * exact.uncertainty
    assert exact.uncertainty < 1e-4


def test_latency_of_a_reverberant_response_is_its_beginning():
    h = np.random.default_rng(2).standard_normal(RATE) * 10.0 ** (-3.0 * np.arange(RATE) / RATE)
    h = np.concatenate([np.zeros(480), h])

    def room(x, _):
        size = 1 << (len(x) + len(h)).bit_length()
        return np.fft.irfft(np.fft.rfft(x, size) * np.fft.rfft(h, size), size)[: len(x)]

    r = frequency_response(room, RATE)
    assert r.latency_samples.value == pytest.approx(480.0, abs=24.0)
    assert math.isnan(r.polarity.value)


@pytest.mark.parametrize(
    "broken", [lambda x, _: 0.0 * x, lambda x, _: x * np.nan, lambda x, _: np.full(len(x), 0.25)]
)
def test_a_dead_system_has_no_response(broken):
    r = frequency_response(broken, RATE, seconds=0.5)
    for reading in r.readings:
        assert math.isnan(reading.value)
        assert reading.warnings
    assert r.magnitude.x.size == 0


def test_wrong_arguments_are_refused_with_their_rule():
    sweep = synchronised_sweep(RATE, seconds=0.5)
    with pytest.raises(MeasureError, match="samples"):
        response_from_sweep(np.zeros(100), sweep)
    with pytest.raises(MeasureError, match="swept band"):
        response_from_sweep(sweep.signal, sweep, reference_hz=5.0)


def test_the_doubt_of_the_latency_knows_no_gain():
    """Noise as strong relative to the response, at a tenth of the level: the same doubt."""
    doubts = []
    for gain in (1.0, 0.1):
        random = np.random.default_rng(5)

        def noisy(audio, _, gain=gain, random=random):
            return gain * (np.roll(audio, 20) + 0.001 * random.standard_normal(audio.shape))

        doubts.append(frequency_response(noisy, RATE, seconds=1.0).latency_seconds.uncertainty)
    assert doubts[1] == pytest.approx(doubts[0], rel=0.02)


def test_lengths_are_told_in_microseconds():
    """A sweep ends on a whole sample, whose place has more digits than anyone reads."""
    conditions = frequency_response(lambda audio, _: audio, 44_100, seconds=1.00001).magnitude.conditions
    assert conditions["sweep_seconds"] == round(conditions["sweep_seconds"], 6) != round(1.00001, 6)
