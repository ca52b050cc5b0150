"""Spectra of the noise that moves the tape: their shape, their power, and where they end."""

import math

from tapeemu.dsp.kernels.arrays import Precise
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, logarithm, sine_of_turns

__all__ = [
    "BAND",
    "HIGHEST_SHARE",
    "LAW",
    "delivered_rms",
    "noise_highest",
    "noise_power",
    "spectrum_begin",
    "spectrum_end",
    "spectrum_ratio",
    "spectrum_shape",
]

_LN2 = 0.6931471805599453
_TURN = 6.283185307179586
_NEPERS_PER_DB = 0.11512925464970229

# Kinds of spectrum.
LAW = 0
BAND = 1

HIGHEST_SHARE = 0.45
"""Highest frequency, as a share of the sample rate: what lies above is left out."""


@kernel()
def _law_octaves(low_hz: Precise, high_hz: Precise) -> int:
    """Octaves between the edges of a law, rounded so that a ratio is 0.63 to 1.25 of them."""
    return max(1, math.ceil(logarithm(high_hz / low_hz) / _LN2 - 0.25))


@kernel()
def _law_ratio(low_hz: Precise, high_hz: Precise) -> Precise:
    """Ratio of frequencies over which a law falls to nothing beyond its edges: an octave, or nearly."""
    return exponential(logarithm(high_hz / low_hz) / _law_octaves(low_hz, high_hz))


@kernel()
def spectrum_end(kind: int, low_hz: Precise, high_hz: Precise) -> Precise:
    """Frequency from which on a spectrum is nothing."""
    if kind == LAW:
        return high_hz * _law_ratio(low_hz, high_hz)
    return 1.15 * high_hz


@kernel()
def spectrum_begin(kind: int, low_hz: Precise, high_hz: Precise) -> Precise:
    """Frequency up to which a spectrum is nothing."""
    if kind == LAW:
        return low_hz / _law_ratio(low_hz, high_hz)
    return 0.65 * low_hz


@kernel()
def spectrum_shape(
    kind: int,
    low_hz: Precise,
    high_hz: Precise,
    slope_db_per_octave: Precise,
    ratio: Precise,
    frequency_hz: Precise,
) -> Precise:
    """Amplitude of a spectrum at a frequency, not yet scaled.

    Parameters
    ----------
    kind : int
        LAW: the power density follows one slope between the edges; beyond, it falls along a squared cosine
        over the logarithm of the frequency, to nothing one `ratio` away. BAND: flat, the amplitude rises along a
        sine from 0.65 to 1.35 times the lower edge (which may be 0) and falls from 0.85 to 1.15 times the
        upper one.
    low_hz, high_hz : float
        Edges.
    slope_db_per_octave, ratio : float
        Of a law, see :func:`spectrum_ratio`.
    frequency_hz : float
        0 or more.
    """
    if kind == LAW:
        if frequency_hz <= low_hz / ratio or frequency_hz >= high_hz * ratio:
            return 0.0
        octaves = logarithm(frequency_hz / low_hz) / _LN2
        shape = exponential(slope_db_per_octave * _NEPERS_PER_DB * octaves)
        if frequency_hz < low_hz or frequency_hz > high_hz:
            beyond = max(low_hz / frequency_hz, frequency_hz / high_hz)
            shape = shape * cosine_of_turns(0.25 * min(logarithm(beyond) / logarithm(ratio), 1.0))
        return shape
    place = min(max((frequency_hz / high_hz - 1.0) / 0.15, -1.0), 1.0)
    shape = 0.5 * (1.0 - sine_of_turns(0.25 * place))
    if low_hz > 0.0:
        place = min(max((frequency_hz / low_hz - 1.0) / 0.35, -1.0), 1.0)
        shape = shape * (0.5 * (1.0 + sine_of_turns(0.25 * place)))
    return shape


@kernel()
def spectrum_ratio(kind: int, low_hz: Precise, high_hz: Precise) -> Precise:
    """What :func:`spectrum_shape` takes as the ratio: that of a law."""
    return _law_ratio(low_hz, high_hz) if kind == LAW else 1.0


@kernel()
def noise_power(kind: int, low_hz: Precise, high_hz: Precise, slope_db_per_octave: Precise) -> Precise:
    """Integral over frequency of the square of :func:`spectrum_shape`."""
    if kind == BAND and 1.35 * low_hz <= 0.85 * high_hz:
        # In closed form: the mean square of a rising edge is 3/8.
        return 0.9625 * high_hz - 1.0875 * low_hz
    begin = spectrum_begin(kind, low_hz, high_hz)
    end = spectrum_end(kind, low_hz, high_hz)
    return _power_between(kind, low_hz, high_hz, slope_db_per_octave, False, begin, end)


@kernel()
def _power_between(
    kind: int,
    low_hz: Precise,
    high_hz: Precise,
    slope_db_per_octave: Precise,
    integrated: bool,
    begin: Precise,
    end: Precise,
) -> Precise:
    """Integral of a spectrum's square, or of that of its integral over time, between two frequencies above 0.

    Midpoints over the logarithm of the frequency, 24 an octave or more.
    """
    ratio = spectrum_ratio(kind, low_hz, high_hz)
    width = logarithm(end / begin)
    parts = max(96, math.ceil(24.0 / _LN2 * width))
    step = width / parts
    growth = exponential(step)
    frequency = begin * exponential(0.5 * step)
    power: Precise = 0.0
    for _ in range(parts):
        shape = spectrum_shape(kind, low_hz, high_hz, slope_db_per_octave, ratio, frequency)
        if integrated:
            shape = shape / (_TURN * frequency)
        power += step * frequency * shape * shape
        frequency = frequency * growth
    return power


@kernel()
def delivered_rms(
    kind: int,
    low_hz: Precise,
    high_hz: Precise,
    rms: Precise,
    slope_db_per_octave: Precise,
    integrated: bool,
    sample_rate: Precise,
) -> Precise:
    """Standard deviation of what a noise delivers, by its spectrum.

    Arguments as for :func:`tapeemu.dsp.kernels.octave_noise.design_noise`.
    """
    begin = spectrum_begin(kind, low_hz, high_hz)
    end = min(spectrum_end(kind, low_hz, high_hz), HIGHEST_SHARE * sample_rate)
    if rms <= 0.0 or begin >= end:
        return 0.0
    if not integrated and end == spectrum_end(kind, low_hz, high_hz):
        return rms
    if begin <= 0.0:
        # Of a band down to 0 Hz nearly nothing lies below.
        begin = 1e-4 * end
    power = _power_between(kind, low_hz, high_hz, slope_db_per_octave, integrated, begin, end)
    return rms * math.sqrt(power / noise_power(kind, low_hz, high_hz, slope_db_per_octave))


@kernel()
def noise_highest(kind: int, low_hz: Precise, high_hz: Precise, sample_rate: Precise) -> Precise:
    """Highest frequency of the octaves of a noise: twice the centre of the topmost that the sample rate can carry.

    It is the end of the spectrum, halved until the centre lies below 0.45 of the sample rate.
    """
    highest = spectrum_end(kind, low_hz, high_hz)
    while 0.5 * highest > HIGHEST_SHARE * sample_rate:
        highest = 0.5 * highest
    return highest
