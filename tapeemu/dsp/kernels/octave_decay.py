"""What an octave filter reads of a decay whose time changes over frequency.

An octave holds a range of decay times, and the skirts of its filter let the neighbours in, whose slower decay
is what remains in the end. The reading is therefore not the decay time at the centre. Here it is computed as
a meter would find it: the energy that is left after t seconds behind the filter is the integral of
``|F(f)|^2 T(f) exp(-13.8 t / T(f))`` over frequency, f (Schroeder's backward integration of a decay that
starts equally strong everywhere), and a straight line is fitted to its level from -5 to -35 dB (T30, ISO 3382-1).

Filters of class 1 (IEC 61260-1) differ in their skirts. The reference is a Butterworth band-pass of nine
poles a side, half way between those of seven and of fourteen poles (pyfar's octaves). Behind either of them,
and behind the octaves of `measure`, tables designed with it read within 1 % of what was set where neighbours
differ by 2:1, and within 2 % at the limit of 2.5:1. A filter of five poles reads up to 3 % more; one of three,
which barely meets the class, a fifth more.
"""

import math

import numpy as np

from tapeemu.dsp.kernels.arrays import Precise, Precises1
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import exponential, logarithm

__all__ = ["MOMENTS", "READ_POINTS", "fill_reading_frequencies", "octave_reading", "reading_points"]

READ_POINTS = 296
"""Most frequencies at which a decay is looked at: all octaves and two beside them."""

MOMENTS = 160
"""Moments at which the energy that is left is worked out."""

_LN2 = 0.6931471805599453
_PER_OCTAVE = 24.0
_BESIDE_OCTAVES = 2.0
_REACH = 4.000000004  # those two octaves as a ratio, and a little for rounding
_HIGHEST = 0.499  # of the sample rate
_EDGE_DIFFERENCE = 0.7071067811865476  # of an octave's edges, as ratios to its centre: 2^(1/2) - 2^(-1/2)
_NEPERS = 13.815510557964274  # 60 dB as a power
_PER_NEPER_DB = 4.342944819032518
_READ_TO_SECONDS = 0.7  # longest moment, in terms of the longest decay time within reach of the filter
_FITTED = 64
_FROM_DB = 5.0
_TO_DB = 35.0
_NOTHING = 1e-40


@kernel()
def _lowest(first_hz: Precise) -> Precise:
    """Natural logarithm of the lowest frequency of a reading, in Hz."""
    return logarithm(first_hz) - _BESIDE_OCTAVES * _LN2


@kernel()
def _highest(last_hz: Precise, sample_rate: Precise) -> Precise:
    """Natural logarithm of the highest frequency of a reading, in Hz."""
    return min(logarithm(last_hz) + _BESIDE_OCTAVES * _LN2, logarithm(_HIGHEST * sample_rate))


@kernel()
def reading_points(first_hz: Precise, last_hz: Precise, sample_rate: Precise) -> int:
    """How many frequencies readings of the octaves from a first to a last centre are made of."""
    octaves = (_highest(last_hz, sample_rate) - _lowest(first_hz)) / _LN2
    return 1 + math.ceil(octaves * _PER_OCTAVE)


@kernel()
def fill_reading_frequencies(first_hz: Precise, last_hz: Precise, sample_rate: Precise, out: Precises1) -> None:
    """Write the frequencies at which the decay must be known: to two octaves beside, below half the rate.

    Parameters
    ----------
    first_hz, last_hz : float
        Centres of the octaves at both ends.
    sample_rate : float
    out : ndarray, shape (points,)
        As many as :func:`reading_points` says; gets a geometric series, in hertz.
    """
    low = _lowest(first_hz)
    high = _highest(last_hz, sample_rate)
    steps: Precise = out.size - 1
    for k in range(out.size):
        place: Precise = k
        out[k] = exponential(low + (high - low) * (place / steps))


@kernel()
def _add_falling(weight: Precise, seconds: Precise, moment: Precise, left: Precises1) -> None:
    """Add what is left of one frequency's energy at all moments, which lie like squares of whole numbers.

    ``exp(-a j^2)`` goes from j to j + 1 by a factor that itself goes by a constant factor.
    """
    steps: Precise = MOMENTS - 1
    rate = _NEPERS * moment / (seconds * steps * steps)
    factor = exponential(-rate)
    change = factor * factor
    value = weight
    for j in range(MOMENTS):
        left[j] += value
        value = value * factor
        factor = factor * change
        if value < _NOTHING:
            break


@kernel()
def _moment_of_fall(wanted_db: Precise, fall_db: Precises1, longest: Precise) -> Precise:
    """Moment at which the level has fallen so far: straight lines between those that are known."""
    steps: Precise = MOMENTS - 1
    j = 1
    while j < MOMENTS - 1 and fall_db[j] < wanted_db:
        j += 1
    before: Precise = j - 1
    behind: Precise = j
    start = longest * (before / steps) * (before / steps)
    end = longest * (behind / steps) * (behind / steps)
    way: Precise = (wanted_db - fall_db[j - 1]) / (fall_db[j] - fall_db[j - 1])
    return start + min(max(way, 0.0), 1.0) * (end - start)


@kernel()
def _fitted_decay(fall_db: Precises1, longest: Precise) -> Precise:
    """Decay time of the straight line from 5 to 35 dB down, by least squares over evenly spaced moments."""
    first = _moment_of_fall(_FROM_DB, fall_db, longest)
    last = _moment_of_fall(_TO_DB, fall_db, longest)
    steps: Precise = MOMENTS - 1
    fitted_steps: Precise = _FITTED - 1
    squares: Precise = 0.0
    products: Precise = 0.0
    j = 1
    for k in range(_FITTED):
        part: Precise = k
        way = part / fitted_steps
        moment = first + way * (last - first)
        before: Precise = j - 1
        behind: Precise = j
        while j < MOMENTS - 1 and longest * (behind / steps) * (behind / steps) < moment:
            j += 1
            before = np.float64(j - 1)
            behind = np.float64(j)
        start = longest * (before / steps) * (before / steps)
        end = longest * (behind / steps) * (behind / steps)
        fall = fall_db[j - 1] + (fall_db[j] - fall_db[j - 1]) * ((moment - start) / (end - start))
        place = (way - 0.5) * (last - first)
        squares += place * place
        products += place * fall
    return 60.0 * squares / products


@kernel()
def octave_reading(
    centre_hz: Precise, frequencies_hz: Precises1, decay_seconds: Precises1, left: Precises1
) -> Precise:
    """T30 of an octave band.

    Parameters
    ----------
    centre_hz : float
        Centre of the octave.
    frequencies_hz : ndarray, shape (points,)
        From :func:`fill_reading_frequencies`.
    decay_seconds : ndarray, shape (points,)
        Seconds per 60 dB at each of them.
    left : ndarray, shape (MOMENTS,)
        Scratch.

    Returns
    -------
    float
        Seconds.
    """
    slowest: Precise = 0.0
    for k in range(frequencies_hz.size):
        near = frequencies_hz[k] * _REACH >= centre_hz and frequencies_hz[k] <= centre_hz * _REACH
        if near and decay_seconds[k] > slowest:
            slowest = decay_seconds[k]
    longest = _READ_TO_SECONDS * slowest
    for j in range(MOMENTS):
        left[j] = 0.0
    for k in range(frequencies_hz.size):
        if frequencies_hz[k] * _REACH >= centre_hz and frequencies_hz[k] <= centre_hz * _REACH:
            ratio = frequencies_hz[k] / centre_hz
            detuning = (ratio - 1.0 / ratio) / _EDGE_DIFFERENCE
            second = detuning * detuning
            fourth = second * second
            sixteenth = fourth * fourth * (fourth * fourth)
            # The series is geometric: the width of each step is in proportion to its frequency.
            weight = ratio * decay_seconds[k] / (1.0 + second * sixteenth)
            _add_falling(weight, decay_seconds[k], longest, left)
    whole = left[0]
    for j in range(MOMENTS):
        left[j] = -_PER_NEPER_DB * logarithm(left[j] / whole)
    return _fitted_decay(left, longest)
