"""A response trimmed at -36 dB and padded with zeros read 1.19 s for 1.5 s, without a warning."""

import math

import numpy as np
import pytest
from made_decays import RATE, SECONDS, bands, decay, noise


def trimmed(level_db: float, *, rate: int = RATE, seed: int = 0) -> np.ndarray:
    """The decay until it has fallen by so much, and two seconds of zeros."""
    h = decay(rate=rate, seed=seed)
    return np.concatenate([h[: round(-level_db / 60.0 * SECONDS * rate)], np.zeros(2 * rate)])


N = len(trimmed(-36.0))


STOPPED = {
    "zeros": trimmed(-36.0),
    "dither": trimmed(-36.0) + noise(N, -100.0),
    "dither of 16 bits": np.round(
        0.2 * trimmed(-36.0) * 32768 + np.random.default_rng(1).uniform(-0.5, 0.5, (2, N)).sum(axis=0)
    )
    / 32768,
    "noise 24 dB below the cut": trimmed(-36.0) + noise(N, -60.0),
    "a tenth of a second of dither": (trimmed(-36.0) + noise(N, -100.0))[: round(1.0 * RATE)],
    "an offset and zeros": np.where(trimmed(-36.0) != 0.0, trimmed(-36.0) + 0.05, 0.0),
    "a stuck sample": np.where(np.arange(N) < 0.9 * RATE, trimmed(-36.0), 0.003),
}


@pytest.mark.parametrize("name", STOPPED)
def test_a_response_that_is_trimmed_at_36_db_has_no_t30(name: str) -> None:
    """The audit's case read 1.19 s for 1.5 s. T20 needs 35 dB and may be read, if it is right."""
    for band in bands(STOPPED[name]):
        assert math.isnan(band.t30.value), str(band.t30)
        assert "stops" in band.t30.warnings[0]
        for reading in (band.edt, band.t20, band.likelihood):
            assert not reading.defined or abs(reading.value - SECONDS) < 3.5 * reading.uncertainty, str(reading)
        assert band.usable_range.value == pytest.approx(36.0, abs=3.0)


@pytest.mark.parametrize("rate", [22_050, 96_000])
def test_a_trimmed_response_at_other_rates(rate: int) -> None:
    h = trimmed(-36.0, rate=rate)
    for band in bands(h + noise(len(h), -95.0), rate):
        assert math.isnan(band.t30.value)
