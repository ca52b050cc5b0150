"""Filters whose loss in dB is proportional to frequency: what a gap between head and tape does.

The loss at distance ``d``, tape speed ``v`` and frequency ``f`` is ``54.575 d f / v`` dB, that is, the
magnitude ``exp(-2 pi d f / v)`` (Wallace, "The reproduction of magnetically recorded signals", Bell System
Technical Journal 30, 1951; from memory). Here it is ``exp(-a w)`` with ``w`` in radians per sample and the
steepness ``a = d * sample_rate / v`` in samples; a negative ``a`` undoes such a loss. Above 20 kHz the loss
stays what it is there, which keeps a negative one within bounds at every sample rate.
"""

import math

import numpy as np

from tapeemu.dsp.aligned import aligned_copy
from tapeemu.dsp.linear_systems import solve_in_order
from tapeemu.dsp.shared_tables import shared
from tapeemu.validation import FloatArray

__all__ = ["SPACING_DB", "half_length", "spacing_table", "steepness_per_db"]

SPACING_DB = 40.0 * math.pi / math.log(10.0)
"""Loss in dB at a distance of one wavelength: 54.575."""

_LARGEST_STEP = 0.06
"""Rows of the table are this far apart, in nepers at 20 kHz: 0.004 dB error there between rows."""

_LAW_ENDS_HZ = 20_000.0


def steepness_per_db(frequency_hz: float, sample_rate: float) -> float:
    """Steepness in samples of a loss of 1 dB at a frequency."""
    return math.log(10.0) / 20.0 / (2.0 * math.pi * frequency_hz / sample_rate)


def half_length(sample_rate: float) -> int:
    """Latency of the filters: 63 samples up to 50 kHz, doubled with every octave of the sample rate.

    It keeps the dB at 1 kHz within 1.5 % of the law: the corner of ``exp(-a |w|)`` at 0 Hz needs the length.
    """
    octaves = max(0, math.ceil(math.log2(sample_rate / 50_000.0)))
    return int((64 << octaves) - 1)


@shared(maxsize=8)
def spacing_table(lowest: float, highest: float, sample_rate: float) -> tuple[FloatArray, float]:
    """Linear-phase taps for every steepness from `lowest` to `highest`.

    Each row is a weighted least-squares fit to ``exp(-a w)``. The weight falls as 1 / w, since what counts is
    the error relative to the loss in dB, and is 2 % above 0.93 of half the sample rate, where a symmetric
    filter cannot have a slope.

    Parameters
    ----------
    lowest, highest : float
        Range of the steepness, in samples.
    sample_rate : float
        Samples per second; a row has ``2 * half_length(sample_rate) + 1`` taps, padded with one zero.

    Returns
    -------
    table : ndarray, shape (rows, taps + 1)
        Row ``r`` is for the steepness ``lowest + r * step``; one row more than needed.
    step : float
        Steepness between rows.
    """
    from scipy.fft import dct

    half = half_length(sample_rate)
    end = min(math.pi, 2.0 * math.pi * _LAW_ENDS_HZ / sample_rate)
    rows = max(2, math.ceil((highest - lowest) * end / _LARGEST_STEP) + 1)
    step = max(highest - lowest, 1e-12) / (rows - 1)
    steepness = lowest + step * np.arange(rows + 1)
    points = 8 * half
    angle = np.pi * (np.arange(points) + 0.5) / points
    weight = 1.0 / (angle + 0.05)
    weight[angle > 0.93 * np.pi] *= 0.02
    power = weight**2
    wanted = np.exp(-np.minimum(angle, end) * steepness[:, None])
    # Normal equations of cosines: products of two are sums of two, so everything is a cosine transform.
    # Their condition, some 1e7, costs half of the digits and leaves the taps right to 1e-10.
    orders = np.arange(half + 1)
    twice = np.where(orders == 0, 1.0, 2.0)
    sums = 0.5 * dct(power)
    products = 0.5 * (sums[np.abs(orders[:, None] - orders)] + sums[orders[:, None] + orders])
    right = 0.5 * dct(wanted * power, axis=1)[:, : half + 1] * twice
    taps = solve_in_order(products * twice[:, None] * twice, right.T).T
    mirrored = np.concatenate([taps[:, :0:-1], taps, np.zeros((rows + 1, 1))], axis=1)
    return aligned_copy(mirrored), step
