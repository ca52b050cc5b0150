"""The figure that a two-sigma flutter meter reads from sines and noise, weighted and unweighted."""

import math
from functools import lru_cache

import numpy as np

from tapeemu.dsp.exceedance import exceeded_level
from tapeemu.dsp.noises import NoiseBand, RandomLaw, band_density, law_density, law_octaves
from tapeemu.validation import FloatArray

__all__ = ["flutter_weighting", "two_sigma_figures"]

_WEIGHTING_HZ = (0.1, 0.2, 0.315, 0.4, 0.63, 0.8, 1.0, 1.6, 2.0, 4.0, 6.3, 10.0, 20.0, 40.0, 63.0, 100.0, 200.0)
_WEIGHTING_DB = (
    *(-48.0, -30.6, -19.7, -15.0, -8.4, -6.0, -4.2, -1.8, -0.9),
    *(0.0, -0.9, -2.1, -5.9, -10.4, -14.2, -17.3, -23.0),
)


def flutter_weighting(rate_hz: FloatArray) -> FloatArray:
    """Gain of the flutter weighting curve of IEC 60386 / AES6 at some rates.

    The points of the curve are from memory (0 dB at 4 Hz, about 6 dB per octave to both sides and the
    extra fall below 0.5 Hz are confirmed by the abstract of AES6). Between points the level follows a
    monotone cubic over log frequency; beyond 0.1 Hz and 200 Hz, where the table ends, it falls on by 18 and
    6 dB per octave.
    """
    from scipy.interpolate import PchipInterpolator

    places = np.log2(np.maximum(rate_hz, 1e-6))
    table = np.log2(_WEIGHTING_HZ)
    level = PchipInterpolator(table, _WEIGHTING_DB)(np.clip(places, table[0], table[-1]))
    level += 18.0 * np.minimum(places - table[0], 0.0) - 6.0 * np.maximum(places - table[-1], 0.0)
    return np.asarray(10.0 ** (level / 20.0))


@lru_cache(maxsize=256)
def two_sigma_figures(
    lines: tuple[tuple[float, float], ...], law: RandomLaw, scrape: NoiseBand
) -> tuple[float, float]:
    """Two-sigma figures of a speed deviation.

    Parameters
    ----------
    lines : tuple of (float, float)
        Rate in Hz and peak, as a ratio, of every sine.
    law : RandomLaw
        Random part; rms as a ratio.
    scrape : NoiseBand
        Scrape flutter; rms as a ratio.

    Returns
    -------
    weighted, unweighted : float
        In percent.
    """
    power = 0.0
    if law.rms > 0.0:
        _, ratio = law_octaves(law)
        grid = np.geomspace(law.low_hz / ratio, law.high_hz * ratio, 4001)
        power += float(np.trapezoid(law_density(law, grid) * flutter_weighting(grid) ** 2, grid))
    if scrape.rms > 0.0:
        grid = np.geomspace(0.5 * scrape.low_hz, 1.2 * scrape.high_hz, 4001)
        power += float(np.trapezoid(band_density(scrape, grid) * flutter_weighting(grid) ** 2, grid))
    rates = np.array([rate for rate, _ in lines])
    peaks = np.array([peak for _, peak in lines])
    return (
        100.0 * exceeded_level(peaks * flutter_weighting(rates), math.sqrt(power)),
        100.0 * exceeded_level(peaks, math.hypot(law.rms, scrape.rms)),
    )
