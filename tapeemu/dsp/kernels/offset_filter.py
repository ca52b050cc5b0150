"""The filter that takes an offset out: a first-order high-pass with its zero at 0 Hz."""

import math

from tapeemu.dsp.kernels.arrays import Precise, Precises1, Reals1
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import exponential

__all__ = ["OFFSET_STATE", "block_offset", "offset_pole", "offset_tail"]

OFFSET_STATE = 2
"""Numbers of state that the filter keeps for a channel."""

_FLUSH = 1e-30
_LN10 = 2.302585092994046


@kernel()
def offset_pole(corner_hz: Precise, sample_rate: Precise) -> Precise:
    """Pole of the filter with a corner (-3 dB) in Hz."""
    return exponential(-2.0 * math.pi * corner_hz / sample_rate)


@kernel()
def offset_tail(corner_hz: Precise, sample_rate: Precise, level_db: Precise) -> int:
    """Samples until the answer of the filter to a step has fallen to a level re its beginning; 0 from 0 dB on."""
    if level_db >= 0.0:
        return 0
    return math.ceil(level_db * _LN10 * sample_rate / (-40.0 * math.pi * corner_hz))


@kernel()
def block_offset(audio: Reals1, keep: Precise, state: Precises1) -> None:
    """High-pass in place: ``y[n] = keep * y[n-1] + x[n] - x[n-1]``.

    A constant, such as a remanent magnetisation, leaves differences of exactly zero; an output below 1e-30
    becomes zero, so silence ends in exact zeros and never in denormal numbers.

    Parameters
    ----------
    audio : ndarray, shape (samples,)
        Of one channel; changed in place.
    keep : float
        Pole of the filter, 0 to 1.
    state : ndarray, shape (OFFSET_STATE,)
        x[n-1] and y[n-1], changed in place.
    """
    before = state[0]
    out = state[1]
    for t in range(audio.shape[0]):
        now: Precise = audio[t]
        out = out * keep + (now - before)
        out = out if abs(out) > _FLUSH else 0.0
        audio[t] = out
        before = now
    state[0] = before
    state[1] = out
