"""Uncertainty of decay times against closed forms, and against the scatter of decays made on paper."""

import math

import numpy as np
import pytest
from scipy.signal import fftconvolve

from measure.parts.decay_doubt import integrated_sigma
from measure.parts.decay_model import DecayModel
from measure.parts.signals import noise_burst
from measure.quantities.decay import decay_from_impulse, decay_of_noise

RATE = 4_000
INTERVALS = {"EDT": (0.0, 10.0), "T20": (5.0, 25.0), "T30": (5.0, 35.0)}


def decays(seconds: float, *, duration: float, floor_db: float, runs: int, seed: int = 0) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    n = round(duration * RATE)
    shape = 10.0 ** (-3.0 * np.arange(n) / RATE / seconds)
    floor = 10.0 ** (floor_db / 20.0)
    return [rng.standard_normal(n) * shape + floor * rng.standard_normal(n) for _ in range(runs)]


def test_two_sigma_hold_the_truth_nineteen_times_in_twenty() -> None:
    """200 decays of 0.5 s over a floor: 95 +- 3 % of the intervals (two standard errors of a share of 200)."""
    bands = [
        decay_from_impulse(h, RATE, bands="broadband").bands[0]
        for h in decays(0.5, duration=0.9, floor_db=-52.0, runs=200, seed=3)
    ]
    for name in ("edt", "t20", "t30", "likelihood"):
        readings = [getattr(band, name) for band in bands]
        values = np.array([reading.value for reading in readings])
        doubts = np.array([reading.uncertainty for reading in readings])
        held = float(np.mean(np.abs(values - 0.5) < 2.0 * doubts))
        assert 0.92 <= held <= 0.98, name
        # Two standard errors of a standard deviation of 200.
        assert np.std(values) / np.mean(doubts) == pytest.approx(1.0, abs=0.12), name


def test_a_floor_near_the_interval_is_doubt_of_its_own() -> None:
    """T20 with the floor 37 dB down: noise and subtraction make it scatter more than the decay alone would."""
    bands = [
        decay_from_impulse(h, RATE, bands="broadband").bands[0]
        for h in decays(0.5, duration=0.8, floor_db=-37.5, runs=150, seed=5)
    ]
    readings = [band.t20 for band in bands if band.t20.defined]
    assert len(readings) > 100
    values = np.array([reading.value for reading in readings])
    assert np.mean([abs(reading.value - 0.5) < 2.0 * reading.uncertainty for reading in readings]) >= 0.92
    assert np.std(values) / np.mean([reading.uncertainty for reading in readings]) == pytest.approx(1.0, abs=0.25)


def test_few_independent_samples_do_not_lift_the_doubt() -> None:
    """T30 with a bandwidth times decay time of 50: the closed form, 0.550 / sqrt(B T), at the mean of 100 curves.

    What is heard by chance stands in a denominator: the doubt about it would be a sixth too large on average.
    """
    seconds, bandwidth, step = 0.3, 50.0 / 0.3, 5e-4
    rate = 6.0 * math.log(10.0) / seconds
    model = DecayModel(np.ones(1), np.array([rate]), 0.0, 0.0, np.zeros(1), 0.0)
    t = np.arange(0.0, 0.3, step)
    tail = float(model.remaining(t[-1:])[0])
    rng = np.random.default_rng(12)
    found = []
    for _ in range(100):
        # Power of independent samples, one for each 1 / B.
        held = rng.exponential(size=round(t[-1] * bandwidth) + 2)[(t * bandwidth).astype(int)]
        left = np.cumsum((held * model.signal(t) * step)[::-1])[::-1] + tail
        begin, finish = (float(each * math.log(10.0) / 10.0 / rate) for each in INTERVALS["T30"])
        slope_db = integrated_sigma(t, left, (begin, finish), model, 0.0, bandwidth, 0.0)
        found.append(slope_db * seconds / 60.0)
    assert np.mean(found) == pytest.approx(0.550 / math.sqrt(50.0), rel=0.05)


def test_more_bursts_do_not_make_a_response_surer_than_it_is() -> None:
    """Eight bursts through each of 80 responses: what is left is the scatter of responses, which stays."""
    seconds, count = 0.4, 8
    rng = np.random.default_rng(7)
    n = round(1.4 * seconds * RATE)
    found: dict[str, list[float]] = {"t20": [], "t30": [], "likelihood": []}
    for run in range(80):
        h = rng.standard_normal(n) * 10.0 ** (-3.0 * np.arange(n) / RATE / seconds)
        h /= math.sqrt(float(np.sum(h**2)))
        bursts = [noise_burst(RATE, seconds=0.5, silence_seconds=0.5, seed=100 * run + k) for k in range(count)]
        recordings = [fftconvolve(burst.signal, h)[: len(burst.signal)] for burst in bursts]
        band = decay_of_noise(recordings, bursts[0], bands="broadband").bands[0]
        for name, errors in found.items():
            reading = getattr(band, name)
            errors.append((reading.value - seconds) / reading.uncertainty)
    for name, errors in found.items():
        assert np.mean(np.abs(errors) < 2.0) >= 0.9, name
        assert 0.5 < np.std(errors) < 1.15, name


def test_a_line_that_is_mostly_chance_is_refused() -> None:
    """An octave at 63 Hz has some 50 independent samples in a second; 10 dB of 0.3 s are a handful of them."""
    h = decays(0.3, duration=0.7, floor_db=-60.0, runs=1)[0]
    reading = decay_from_impulse(h, RATE).band(63.0).edt
    assert math.isnan(reading.value)
    assert "uncertain by" in reading.warnings[0] or "too short" in reading.warnings[0]
