"""Distortion against frequency against closed forms."""

import inspect

import numpy as np
import pytest

import measure
from measure.errors import MeasureError
from measure.parts.signals import synchronised_sweep
from measure.quantities.distortion import distortion_against_frequency, distortion_from_sweep

RATE = 48_000


def test_distortion_against_frequency():
    # A Chebyshev shaper has the same known harmonics at every frequency.
    def chebyshev(x, _):
        return x + 0.01 * (2.0 * x**2 - 1.0) + 0.003 * (4.0 * x**3 - 3.0 * x)

    result = distortion_against_frequency(chebyshev, RATE, level_dbfs=0.0, high_hz=7_000.0)
    tone = 1.0
    for curve, expected in zip(result.orders, (0.01, 0.003, 0.0, 0.0), strict=True):
        inner = (curve.x > 100.0) & (curve.x < 6_000.0) & np.isfinite(curve.y)
        assert np.max(np.abs(curve.y[inner] - 100.0 * expected / tone)) < 100.0 * max(2e-3 * expected, 2e-6)
    assert np.isnan(result.orders[3].y[result.orders[3].x > 4_320.0]).all()


def test_a_filter_after_the_shaper_shows_in_the_curves():
    # Behind a low-pass, harmonic 3 of a tone at f has the filter's gain at 3 f over that at f.
    from scipy import signal

    b, a = signal.butter(1, 2_000.0, fs=RATE)
    result = distortion_against_frequency(
        lambda x, _: signal.lfilter(b, a, x - 0.1 * x**3), RATE, level_dbfs=0.0, high_hz=7_000.0
    )
    curve = result.orders[1]
    inner = (curve.x > 100.0) & (curve.x < 6_000.0)
    _, at = signal.freqz(b, a, curve.x, fs=RATE)
    _, above = signal.freqz(b, a, 3.0 * curve.x, fs=RATE)
    expected = 100.0 * 0.025 / 0.925 * np.abs(above / at)
    assert np.max(np.abs(curve.y[inner] / expected[inner] - 1.0)) < 5e-3


def test_sweep_distortion_is_checked():
    sweep = synchronised_sweep(RATE, seconds=1.0)
    with pytest.raises(MeasureError, match="orders"):
        distortion_from_sweep(sweep.signal, sweep, orders=11)
    with pytest.raises(MeasureError, match="samples"):
        distortion_from_sweep(sweep.signal[:-1], sweep)
    assert np.isnan(distortion_from_sweep(0.0 * sweep.signal, sweep).thd.y).all()


def test_a_harmonic_that_a_lead_may_hide_is_undefined_and_says_what_to_do():
    # Harmonic 3 of 0.3 % by construction, and a faint copy 0.2 s early, where this sweep has its harmonic 2.
    sweep = synchronised_sweep(RATE, low_hz=20.0, high_hz=7_000.0, seconds=4.0, tail_seconds=0.5, level_dbfs=0.0)
    early = np.concatenate([sweep.signal[round(0.2 * RATE) :], np.zeros(round(0.2 * RATE))])
    recording = sweep.signal + 0.003 * (4.0 * sweep.signal**3 - 3.0 * sweep.signal) + 0.01 * early
    blind = distortion_from_sweep(recording, sweep, orders=3)
    assert np.nanmax(blind.orders[0].y) > 0.1, "unsaid, the copy is read as a second harmonic"
    result = distortion_from_sweep(recording, sweep, orders=3, lead_seconds=0.2)
    assert np.isnan(result.orders[0].y).all()
    assert "harmonic 2 cannot be told from what sounds 0.2 s before its input" in result.orders[0].warnings[0]
    assert "times as long" in result.thd.warnings[0]
    inner = (result.orders[1].x > 100.0) & (result.orders[1].x < 5_000.0)
    assert np.nanmax(np.abs(result.orders[1].y[inner] - 0.3)) < 0.01
    assert result.orders[1].warnings == ()


@pytest.mark.parametrize("name", ["low_hz", "high_hz", "level_dbfs"])
def test_the_sweep_is_that_of_the_response_unless_told(name):
    both = (distortion_against_frequency, measure.frequency_response)
    one, other = (inspect.signature(function).parameters[name].default for function in both)
    assert one == other
