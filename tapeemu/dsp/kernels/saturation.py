"""The static curve of the drive, and the filter that removes its offset."""

from tapeemu.dsp.kernels.arrays import Reals2, Reals3
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["bend", "block_offset"]

_LIMIT = 12.0
_P0, _P1, _P2 = 0.9999999999421048, 0.14258216242805963, 0.0046450328736968565
_P3, _P4, _P5 = 4.863272245402151e-05, 1.610589161470361e-07, 1.1613758580841754e-10
_Q1, _Q2, _Q3 = 0.47591549518044873, 0.02995019890818084, 0.0005448862380423399
_Q4, _Q5, _Q6 = 3.2700958994937168e-06, 5.4951021432985856e-09, 1.144966229242697e-12

_FLUSH = 1e-30


@kernel()
def hyperbolic_tangent(x: float) -> float:
    """Tangent by a rational function: relative error at most 1.4e-10 for every x.

    It is an odd function to the last bit. The coefficients minimise the largest error up to
    12 (least squares, reweighted), where the argument is held: the tangent is 1 - 7.5e-11 there.
    """
    x = min(max(x, -_LIMIT), _LIMIT)
    z = x * x
    above = ((((_P5 * z + _P4) * z + _P3) * z + _P2) * z + _P1) * z + _P0
    below = (((((_Q6 * z + _Q5) * z + _Q4) * z + _Q3) * z + _Q2) * z + _Q1) * z + 1.0
    return x * above / below


@kernel()
def bend(high: Reals3, bent: Reals3, offset: int, count: int, gain: float, bias: float, scale: float) -> None:
    """Write ``scale * (tanh(gain * x + bias) - tanh(bias))`` behind `offset` in every row.

    Parameters
    ----------
    high : ndarray, shape (channels, rows, count or more)
        Input at the top rate; see :mod:`tapeemu.dsp.kernels.oversampling`.
    bent : ndarray, shape (channels, rows, offset + count or more)
        Gets the output.
    offset, count : int
        First place of the output, and number of samples, in every row.
    gain, bias, scale : float
        Of the curve; without unit.
    """
    rest = hyperbolic_tangent(bias)
    for channel in range(high.shape[0]):
        for row in range(high.shape[1]):
            straight = high[channel, row, :count]
            curved = bent[channel, row, offset : offset + count]
            for i in range(count):
                curved[i] = scale * (hyperbolic_tangent(gain * straight[i] + bias) - rest)


@kernel()
def block_offset(audio: Reals2, keep: float, state: Reals2) -> None:
    """First-order high-pass with its zero at 0 Hz, in place: ``y[n] = keep * y[n-1] + x[n] - x[n-1]``.

    A constant, such as a remanent magnetisation, leaves differences of exactly zero; an output below 1e-30
    becomes zero, so silence ends in exact zeros and never in denormal numbers.

    Parameters
    ----------
    audio : ndarray, shape (channels, samples)
        Changed in place.
    keep : float
        Pole of the filter, 0 to 1.
    state : ndarray, shape (channels, 2)
        x[n-1] and y[n-1] of every channel, changed in place.
    """
    for channel in range(audio.shape[0]):
        row = audio[channel]
        before = state[channel, 0]
        out = state[channel, 1]
        for t in range(row.shape[0]):
            now = row[t]
            change = now - before
            out = out * keep + change
            out = out if abs(out) > _FLUSH else 0.0
            row[t] = out
            before = now
        state[channel, 0] = before
        state[channel, 1] = out
