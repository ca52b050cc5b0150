"""Power of a tone whose speed may move, from a recording and the phase of the tone that was sent."""

import math

import numpy as np

from measure.validation import FloatArray

__all__ = ["line_power"]

_LEAST_BINS = 6.0  # on either side; the main lobe of a Hann window reaches two
_BAND_SHARE = 0.03  # of the frequency: a speed that moves by a per cent or two stays inside


def line_power(part: FloatArray, turn: FloatArray, sample_rate: float, frequency_hz: float) -> tuple[float, float]:
    """Mean square of a tone and its sidebands, and its standard uncertainty.

    Parameters
    ----------
    part : ndarray, shape (samples,)
        What came back; sixteen periods or more, of which the middle counts most (Hann).
    turn : ndarray, shape (samples,)
        Phase in radians of the tone that was sent, as it should be there.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Of the tone, in the middle.

    Returns
    -------
    power, uncertainty : float
        Of the tone within 3 % (six bins at least). As much noise as there is beside that band is taken off.

    Notes
    -----
    Turned back, what is left of the tone stands at 0 Hz and its sidebands beside that. A moving delay moves power
    between these, but neither makes nor takes any, so that their sum is what the tone would have alone.
    """
    size = len(part)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(size) + 0.5) / size)
    spectrum = np.fft.fft(part * window * np.exp(-1j * turn))
    # Of a real tone half of the amplitude is here, the other half at minus twice the frequency.
    power = 2.0 * (spectrum.real**2 + spectrum.imag**2) / (size * float(np.sum(window**2)))
    offset = np.abs(np.fft.fftfreq(size, 1.0 / sample_rate))
    reach = max(_LEAST_BINS * sample_rate / size, _BAND_SHARE * frequency_hz) * (1.0 + 1e-9)
    inside = offset <= reach
    beside = (offset > reach) & (offset <= 2.0 * reach)
    a_bin = float(np.mean(power[beside])) if np.any(beside) else 0.0
    whole, noise = float(np.sum(power[inside])), a_bin * float(np.count_nonzero(inside))
    # Noise beats with the tone in about three bins; and all that is taken off may have been sidebands.
    return whole - noise, math.sqrt(6.0 * whole * a_bin + noise**2)
