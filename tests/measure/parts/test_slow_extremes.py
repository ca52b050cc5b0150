"""Extremes of a slow random deviation, against deviations that are known beyond the ends of the recording."""

import numpy as np
import pytest

from measure.parts.slow_extremes import slow_extremes
from measure.parts.weighting import raised_cosine

RATE = 25.0
HZ = 0.2


def trial(
    seconds: int,
    seed: int,
    slope: float,
    drift: float,
    *,
    cliff: float = 1.0,
    line: float = 0.0,
    fitted_hz: tuple[float, ...] = (),
) -> tuple[float, float, float, float]:
    """Reading, uncertainty, truth, and what a filter reads that continues the stretch by its mirror image.

    The deviation is cut out of one four times as long, whose slow part is taken by the documented fade. A `cliff`
    scales it above 0.5 Hz, and a `line` of that peak stands there; the reading is told of lines that
    were fitted.
    """
    rng = np.random.default_rng(seed)
    total, count = int(4 * seconds * RATE), int(seconds * RATE)
    frequency = np.asarray(np.fft.rfftfreq(total, 1.0 / RATE), dtype=np.float64)
    shape = np.where(frequency > 0.0, np.maximum(frequency, 0.01) ** (-0.5 * slope), 0.0)
    shape *= np.where(frequency > 0.5, cliff, 1.0)
    spectrum = np.fft.rfft(rng.standard_normal(total)) * shape
    straight = drift * (np.arange(count) / count - 0.5)
    fade = 1.0 - raised_cosine(frequency, HZ, 0.5 * HZ)
    truth = 0.5 * float(np.ptp(np.fft.irfft(spectrum * fade)[:count] + straight))
    seen = np.fft.irfft(spectrum)[:count] + straight
    seen += line * np.sin(np.pi * np.arange(count) / RATE + seed)
    mirrored = np.concatenate([seen[::-1], seen])
    finer = np.asarray(np.fft.rfftfreq(2 * count, 1.0 / RATE), dtype=np.float64)
    fade = 1.0 - raised_cosine(finer, HZ, 0.5 * HZ)
    slow = np.fft.irfft(np.fft.rfft(mirrored) * fade)[count:]
    value, doubt = slow_extremes(seen, RATE, slow, np.zeros(count), HZ, line_hz=fitted_hz)
    return value, doubt, truth, 0.5 * float(np.ptp(slow))


@pytest.mark.parametrize(
    ("slope", "drift"),
    [(0.0, 0.0), pytest.param(1.0, 0.0, marks=pytest.mark.long), pytest.param(1.0, 3.0, marks=pytest.mark.long)],
)
def test_two_sigma_hold_the_truth_as_often_as_they_say(slope: float, drift: float) -> None:
    """Of 60 that hold with 95.4 %, 51 to 60 do in 999 of 1000 draws; and no interval is far too wide."""
    found = np.array([trial(30, 300 + seed, slope, drift) for seed in range(60)])
    error, sigma = found[:, 0] - found[:, 2], found[:, 1]
    assert np.sum(np.abs(error) < 2.0 * sigma) >= 51
    size = np.sqrt(np.mean(error**2) / np.mean(sigma**2))
    assert 0.7 < size < 1.3  # sixty errors of one deviation each: 1 +- 0.09 by chance, three times that
    assert abs(np.mean(error)) < 0.5 * np.sqrt(np.mean(sigma**2))


def test_a_long_recording_is_known_but_for_its_ends() -> None:
    """Beyond sixty seconds from the ends the filter knows all: there the reading is its own."""
    place = np.arange(int(400 * RATE)) / RATE
    seen = 1e-3 * np.random.default_rng(5).standard_normal(place.size)
    bump = np.exp(-(((place - 200.0) / 10.0) ** 2))
    value, sigma = slow_extremes(seen + bump, RATE, bump, np.zeros(place.size), HZ)
    assert value == pytest.approx(0.5, abs=2e-3)
    assert sigma < 1e-3


def test_steady_lines_count_in_full() -> None:
    """A line of 0.05 Hz is no random deviation: its extremes are read as they are."""
    place = np.arange(int(30 * RATE)) / RATE
    line = np.sin(2.0 * np.pi * 0.05 * place)
    noise = 1e-6 * np.random.default_rng(6).standard_normal(place.size)
    value, sigma = slow_extremes(noise, RATE, line, line, HZ)
    assert value == pytest.approx(1.0, abs=2e-3)
    assert sigma < 1e-4


def test_no_drift_is_not_suspected_of_one() -> None:
    """Even noise of 12 s without drift: when drifts of all sizes were alike probable it was read 33 % too large.

    The doubt was 0.51 of the truth then. What a reading cannot tell, two periods long, leaves 15 % and 0.38.
    """
    found = np.array([trial(12, 500 + seed, 0.0, 0.0) for seed in range(60)])
    error, sigma = found[:, 0] - found[:, 2], found[:, 1]
    assert np.sum(np.abs(error) < 2.0 * sigma) >= 51
    assert np.mean(error) < 0.22 * np.mean(found[:, 2])
    assert np.median(sigma / found[:, 2]) < 0.44


def test_a_cliff_beyond_the_slow_part_is_no_rise_within_it() -> None:
    """A spectrum that falls by 17.6 dB at 0.5 Hz and is even below: a power law alone read 18 % too much of it."""
    found = np.array([trial(30, 800 + seed, 0.0, 0.0, cliff=10.0 ** (-17.6 / 20.0)) for seed in range(12)])
    assert np.mean(found[:, 0] - found[:, 2]) < 0.11 * np.mean(found[:, 2])


def test_a_weak_line_beside_the_slow_part_is_no_noise() -> None:
    """A line of 0.5 Hz that none fitted, in 12 s of even noise, stands out: the reading is as if there was none.

    Counted as noise it made the value 2.3 times, the doubt four times as large.
    """
    without, beside = (
        np.array([trial(12, 800 + seed, 0.0, 0.0, line=line)[:2] for seed in range(8)]) for line in (0.0, 1.5)
    )
    assert np.all(np.mean(beside, axis=0) < 1.25 * np.mean(without, axis=0))


def test_what_a_fitted_line_took_is_not_known() -> None:
    """Told of a line, a reading does not change with what stands there; untold it read 1.9 times as much."""
    found = [trial(12, 822, 0.0, 0.0, line=line, fitted_hz=(0.5,))[0] for line in (0.0, 0.3, 0.5)]
    assert found == pytest.approx([found[0]] * 3, rel=0.02)


def test_a_drift_that_is_there_is_read_whole() -> None:
    """Drift of a thousand times the noise: nothing of it counts as noise, and nothing is taken off.

    The drift goes on for half a point at either end of 300, 0.3 %.
    """
    for drift in (1e3, -1e3):
        found = np.array([trial(12, 600 + seed, 0.0, drift) for seed in range(10)])
        assert found[:, 0] == pytest.approx(found[:, 2] * 300.0 / 299.0, rel=3e-3)
        assert np.all(found[:, 1] < 2e-3 * found[:, 0])
