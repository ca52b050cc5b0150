"""Power of a tone whose speed may move, from a recording and the phase of the tone that was sent."""

import math
from typing import NamedTuple

import numpy as np

from measure.validation import FloatArray

__all__ = ["LinePower", "line_power"]

_LEAST_BINS = 6.0  # on either side; the main lobe of a Hann window reaches two
_BAND_SHARE = 0.03  # of the frequency: a speed that moves by a per cent or two stays inside
# Of a Hann window: size times the sum of its fourth power, over the square of that of its second.
_HANN_BINS = 35.0 / 18.0


class LinePower(NamedTuple):
    """Mean square of a tone and its sidebands.

    Attributes
    ----------
    power : float
        Of the tone within 3 % (six bins at least). As much noise as there is beside that band is taken off.
    scatter : float
        Standard uncertainty by noise.
    bound : float
        What of the noise taken off may have been sidebands.
    """

    power: float
    scatter: float
    bound: float

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the power."""
        return math.hypot(self.scatter, self.bound)


def line_power(part: FloatArray, turn: FloatArray, sample_rate: float, frequency_hz: float) -> LinePower:
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
    LinePower
        Power, and what is uncertain about it.

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
    beside, further = ((offset > n * reach) & (offset <= (n + 1) * reach) for n in (1, 2))
    counts = [int(np.count_nonzero(each)) for each in (inside, beside, further)]
    a_bin, outer = (float(np.mean(power[each])) if np.any(each) else 0.0 for each in (beside, further))
    noise = a_bin * counts[0]
    tone = float(np.sum(power[inside])) - noise
    # Noise beats with the tone, and with itself, in the band and in what is taken off.
    of_itself = _HANN_BINS * a_bin**2 * (counts[0] + counts[0] ** 2 / max(counts[1], 1))
    scatter = math.sqrt(2.0 * _HANN_BINS * max(tone, 0.0) * a_bin + of_itself)
    # Sidebands fall off, noise does not: what is less farther out, by more than chance, were sidebands.
    chance = 2.0 * math.sqrt(_HANN_BINS * (1.0 / max(counts[1], 1) + 1.0 / max(counts[2], 1))) * outer
    bound = counts[0] * max(a_bin - outer - chance, 0.0)
    return LinePower(tone, scatter, bound)
