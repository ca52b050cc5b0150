"""Uncertainty of decay times against closed forms, and against the scatter of decays made on paper."""

import math

import numpy as np
import pytest
from scipy.integrate import dblquad
from scipy.signal import fftconvolve

from measure.parts.decay_doubt import integrated_sigma, response_scatter
from measure.parts.decay_model import NEPERS, DecayModel
from measure.parts.signals import noise_burst
from measure.quantities.decay import BandDecay, decay_from_impulse, decay_of_noise

RATE = 4_000
INTERVALS = {"EDT": (0.0, 10.0), "T20": (5.0, 25.0), "T30": (5.0, 35.0)}


def exponential(seconds: float, floor: float = 0.0) -> DecayModel:
    return DecayModel(
        powers=np.array([1.0]),
        rates=np.array([NEPERS / seconds]),
        floor=floor,
        cap=1e-9,
        rate_sigma=np.array([0.0]),
        log_likelihood=0.0,
    )


def decays(seconds: float, *, duration: float, floor_db: float, runs: int, seed: int = 0) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    n = round(duration * RATE)
    shape = 10.0 ** (-3.0 * np.arange(n) / RATE / seconds)
    floor = 10.0 ** (floor_db / 20.0)
    return [rng.standard_normal(n) * shape + floor * rng.standard_normal(n) for _ in range(runs)]


@pytest.mark.parametrize("name", INTERVALS)
def test_the_closed_form_of_an_integrated_decay(name: str) -> None:
    """The energy still to come has relative variance k / 2B and correlation exp(-k |t|); through a regression."""
    upper, lower = INTERVALS[name]
    nepers = (lower - upper) * math.log(10.0) / 10.0
    whole = dblquad(
        lambda v, u: 2.0 * u * v * math.exp(-nepers * (u - v)), -0.5, 0.5, lambda _: -0.5, lambda u: u
    )[0]
    expected = math.sqrt(72.0 * NEPERS * whole) / nepers  # times 1 / sqrt(B T)
    # Printed in ISO 3382-2 (from memory) after Davy, Dunn and Dubout, 1979.
    printed = {"T20": 0.88, "T30": 0.55}.get(name, expected)
    assert expected == pytest.approx(printed, rel=5e-3)
    seconds, bandwidth = 1.3, 700.0
    t = np.arange(0.0, 3.0 * seconds, 2e-4)
    model = exponential(seconds)
    slope = integrated_sigma(
        t,
        model.remaining(t),
        (upper * seconds / 60.0, lower * seconds / 60.0),
        model,
        0.0,
        bandwidth,
        0.0,
    )
    assert slope * seconds / 60.0 * math.sqrt(bandwidth * seconds) == pytest.approx(expected, rel=3e-3)
    assert response_scatter(nepers, bandwidth, seconds) * math.sqrt(bandwidth * seconds) == pytest.approx(
        expected, rel=1e-9
    )


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


def test_more_bursts_do_not_make_a_response_surer_than_it_is() -> None:
    """Eight bursts through each of 40 responses: what is left is the scatter of responses, which stays."""
    seconds, count = 0.4, 8
    rng = np.random.default_rng(7)
    n = round(1.4 * seconds * RATE)
    found: dict[str, list[float]] = {"t20": [], "t30": [], "likelihood": []}
    for run in range(40):
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


def test_floor_and_tail_are_corrected() -> None:
    """Random signs, whose truth is tight: over a floor, and cut off above any, T30 is the decay's own.

    Without the floor's subtraction, or without the tail, they are a per cent off and more.
    """
    rate, seconds = 48_000, 1.0
    rng = np.random.default_rng(11)
    n = round(2.0 * rate)
    h = rng.choice([-1.0, 1.0], n) * 10.0 ** (-3.0 * np.arange(n) / rate / seconds)
    noisy = h + 10.0 ** (-48.0 / 20.0) * rng.choice([-1.0, 1.0], n)

    def read(response: np.ndarray) -> BandDecay:
        return decay_from_impulse(response, rate, bands="broadband").bands[0]

    assert read(noisy).t20.value == pytest.approx(seconds, rel=4e-3)
    assert read(noisy).t30.value == pytest.approx(seconds, rel=6e-3)
    # The tail is a tenth of the energy at the interval's end, and the fit knows it to a few per cent.
    assert read(h[: round(35.6 / 60.0 * rate)]).t20.value == pytest.approx(seconds, rel=8e-3)
    assert read(h[: round(45.6 / 60.0 * rate)]).t30.value == pytest.approx(seconds, rel=8e-3)


def test_a_line_that_is_mostly_chance_is_refused() -> None:
    """An octave at 63 Hz has some 50 independent samples in a second; 10 dB of 0.3 s are a handful of them."""
    h = decays(0.3, duration=0.7, floor_db=-60.0, runs=1)[0]
    reading = decay_from_impulse(h, RATE).band(63.0).edt
    assert math.isnan(reading.value)
    assert "uncertain by" in reading.warnings[0] or "too short" in reading.warnings[0]
