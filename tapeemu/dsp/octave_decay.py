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

from tapeemu.validation import FloatArray

__all__ = ["READ_TO_SECONDS", "octave_readings", "reading_frequencies"]

_POLES_A_SIDE = 9
_NEPERS = 3.0 * math.log(10.0) * 2.0  # 60 dB as a power
_PER_OCTAVE = 24
_BESIDE_OCTAVES = 2.0
_MOMENTS = 160
_FITTED = 64
READ_TO_SECONDS = 0.7
"""Longest moment that is looked at, in terms of the longest decay time within reach of the filter."""


def reading_frequencies(centres_hz: FloatArray, sample_rate: float) -> FloatArray:
    """Frequencies at which the decay must be known: to two octaves beside all centres, below half the rate.

    Returns
    -------
    ndarray, shape (frequencies,)
        Hertz, a geometric series.
    """
    low = math.log2(float(centres_hz[0])) - _BESIDE_OCTAVES
    high = min(math.log2(float(centres_hz[-1])) + _BESIDE_OCTAVES, math.log2(0.499 * sample_rate))
    return 2.0 ** np.linspace(low, high, 1 + math.ceil((high - low) * _PER_OCTAVE))


def octave_readings(frequencies_hz: FloatArray, decay_seconds: FloatArray, centres_hz: FloatArray) -> FloatArray:
    """T30 of every octave band.

    Parameters
    ----------
    frequencies_hz : ndarray, shape (frequencies,)
        From :func:`reading_frequencies`.
    decay_seconds : ndarray, shape (frequencies,)
        Seconds per 60 dB at each of them.
    centres_hz : ndarray, shape (bands,)
        Centres of the octaves.

    Returns
    -------
    ndarray, shape (bands,)
        Seconds. Sums are taken in a fixed order: the same bits on any number of threads.
    """
    found = np.empty(centres_hz.size)
    for band, centre in enumerate(centres_hz):
        near = np.abs(np.log2(frequencies_hz / centre)) <= _BESIDE_OCTAVES + 1e-9
        ratio = frequencies_hz[near] / centre
        seconds = decay_seconds[near]
        detuning = (ratio - 1.0 / ratio) / (math.sqrt(2.0) - math.sqrt(0.5))
        # The series is geometric: the width of each step is in proportion to its frequency.
        weights = ratio * seconds / (1.0 + detuning ** (2 * _POLES_A_SIDE))
        moments = READ_TO_SECONDS * float(seconds.max()) * np.linspace(0.0, 1.0, _MOMENTS) ** 2
        left = np.sum(weights * np.exp(-_NEPERS * moments[:, None] / seconds), axis=1)
        fall = -10.0 * np.log10(left / left[0])
        first, last = np.interp([5.0, 35.0], fall, moments)
        places = np.linspace(first, last, _FITTED) - 0.5 * (first + last)
        fitted = np.interp(places + 0.5 * (first + last), moments, fall)
        found[band] = 60.0 * np.sum(places**2) / np.sum(places * fitted)
    return found
