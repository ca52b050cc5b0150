"""The settled loop of magnetised tape: its harmonics, and the field that gives a distortion.

The equations are those of :mod:`tapeemu.dsp.kernels.magnetisation`, for one branch of a loop, on which the field
only rises: there they are one smooth differential equation from the field on at which y begins to follow.
"""

import math

from tapeemu.dsp.kernels.arrays import Precise
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, power_of_ten, sine_of_turns
from tapeemu.dsp.kernels.magnetisation import ALPHA, FIELD_LIMIT, KAPPA

__all__ = ["field_of_mol", "langevin_ratio", "loop_harmonics"]

_MOL_RATIO = 0.03
_POINTS = 1024
_FEW_POINTS = 128
"""Steps of a half loop, evenly spaced in the phase of the field: for a figure, and to find where it lies."""

_LONGEST_STEP = 0.1
_LOWEST_DB, _HIGHEST_DB, _STRIDE_DB = -20, 40, 2

_FRACTION_BELOW = 4.0
_P0, _P1, _P2 = 0.33333333333333326, 0.025265757867307153, 0.000492052679502483
_P3, _P4 = 2.9764299367858075e-06, 4.254809473515562e-09
_Q1, _Q2, _Q3 = 0.14246394026858364, 0.0046245477072187876, 4.762015111324726e-05
_Q4, _Q5 = 1.4513145332980907e-07, 6.236506356134447e-11


@kernel()
def langevin_ratio(x: Precise) -> Precise:
    """Langevin function ``L(x) = coth x - 1/x`` over x, relative error at most 2e-15.

    Below 4 it is a rational function of ``x ** 2`` (relative error 3e-16; least squares, reweighted). The
    derivative is ``1 - 2 L / x - L ** 2``.
    """
    z = x * x
    u = abs(x)
    if u < _FRACTION_BELOW:
        above = (((_P4 * z + _P3) * z + _P2) * z + _P1) * z + _P0
        return above / (((((_Q5 * z + _Q4) * z + _Q3) * z + _Q2) * z + _Q1) * z + 1.0)
    e = exponential(-2.0 * u)
    return ((u - 1.0) + e * (u + 1.0)) / (z * (1.0 - e))


@kernel()
def _anhysteretic(h: Precise, y: Precise, c: Precise, guess: Precise) -> Precise:
    """A of ``A = L(h + alpha ((1 - c) y + c A))``: one Newton step from a guess, and L there."""
    known = h + ALPHA * (1.0 - c) * y
    x = known + ALPHA * c * guess
    r = langevin_ratio(x)
    value = x * r
    steep = (1.0 - 2.0 * r) - value * value
    x = x - ALPHA * c * (guess - value) / (1.0 - ALPHA * c * steep)
    return x * langevin_ratio(x)


@kernel()
def _climb(h: Precise, y: Precise, c: Precise, guess: Precise) -> Precise:
    """dy/dh on the way up where y follows A; arguments as for `_anhysteretic`."""
    gap = max(_anhysteretic(h, y, c, guess) - y, 0.0)
    return gap / (KAPPA - ALPHA * gap)


@kernel()
def _follow_up(h0: Precise, h1: Precise, y: Precise, c: Precise, guess: Precise) -> Precise:
    """Y at `h1` from y at `h0`, by Runge and Kutta's method of fourth order; `guess` is A at `h0`."""
    parts = math.ceil((h1 - h0) / _LONGEST_STEP)
    for part in range(parts):
        step = (h1 - h0) / parts
        h = h0 + step * part
        k1 = _climb(h, y, c, guess)
        k2 = _climb(h + 0.5 * step, y + 0.5 * step * k1, c, guess)
        k3 = _climb(h + 0.5 * step, y + 0.5 * step * k2, c, guess)
        k4 = _climb(h + step, y + step * k3, c, guess)
        y = y + step * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0
    return y


@kernel()
def _meeting(h0: Precise, h1: Precise, y: Precise) -> Precise:
    """Field between `h0` and `h1` at which A, on its way up, is y (bisection)."""
    low = h0
    high = h1
    for _ in range(60):
        middle = 0.5 * (low + high)
        x = middle + ALPHA * y
        if x * langevin_ratio(x) < y:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@kernel()
def _half_loop(
    start: Precise, field: Precise, c: Precise, points: int
) -> tuple[Precise, Precise, Precise, Precise, Precise]:
    """One branch from the lowest to the highest field.

    Parameters
    ----------
    start : float
        y at the lowest field.
    field : float
        Highest field; held at FIELD_LIMIT.
    c : float
        Reversible share.
    points : int
        Steps.

    Returns
    -------
    end : float
        y at the highest field.
    cosine1, sine1, cosine3, sine3 : float
        Sums of the magnetisation times cosine and sine of the phase, and of three times the phase.
    """
    y = start
    h: Precise = -min(field, FIELD_LIMIT)
    a = _anhysteretic(h, y, c, y)
    whole: Precise = 2.0 * points
    cosine1: Precise = 0.0
    sine1: Precise = 0.0
    cosine3: Precise = 0.0
    sine3: Precise = 0.0
    for k in range(points):
        m = y + c * (a - y)
        turns: Precise = k
        turns = turns / whole
        u = cosine_of_turns(turns)
        v = sine_of_turns(turns)
        cosine1 += m * u
        sine1 += m * v
        cosine3 += m * ((4.0 * u * u - 3.0) * u)
        sine3 += m * ((3.0 - 4.0 * v * v) * v)
        last = h
        turns = k + 1.0
        turns = turns / whole
        h = min(max(-field * cosine_of_turns(turns), -FIELD_LIMIT), FIELD_LIMIT)
        ahead = _anhysteretic(h, y, c, a)
        if ahead > y and h > last:
            begin = last if a >= y else _meeting(last, h, y)
            y = _follow_up(begin, h, y, c, max(a, y))
            ahead = _anhysteretic(h, y, c, ahead)
        a = ahead
    return y, cosine1, sine1, cosine3, sine3


@kernel()
def _harmonics(field: Precise, c: Precise, points: int) -> tuple[Precise, Precise]:
    """As `loop_harmonics`, with that many steps of a half loop.

    The settled loop is symmetric: the way down mirrors the way up. So the start is solved for (secant method) at
    which the end of the way up is its mirror image.
    """
    before: Precise = 0.0
    start: Precise = -1e-6
    end, cosine1, sine1, cosine3, sine3 = _half_loop(before, field, c, points)
    miss_before = end + before
    for _ in range(30):
        end, cosine1, sine1, cosine3, sine3 = _half_loop(start, field, c, points)
        miss = end + start
        if abs(miss) < 1e-13 or miss == miss_before:
            break
        step = miss * (start - before) / (miss - miss_before)
        before = start
        miss_before = miss
        start = start - step
    whole: Precise = points
    first = 2.0 * math.sqrt(cosine1 * cosine1 + sine1 * sine1) / whole
    third = 2.0 * math.sqrt(cosine3 * cosine3 + sine3 * sine3) / whole
    return first, third


@kernel()
def loop_harmonics(field: Precise, reversible: Precise) -> tuple[Precise, Precise]:
    """First and third harmonic amplitude of the magnetisation in the settled loop of a sine of that field.

    Parameters
    ----------
    field : float
        Peak of the field, in units of the shape field.
    reversible : float
        Share of the magnetisation that follows the field without hysteresis, 0 to 1.

    Returns
    -------
    first, third : float
        In units of the saturated magnetisation.
    """
    first, third = _harmonics(field, reversible, _POINTS)
    return first, third


@kernel()
def _excess(field_db: Precise, reversible: Precise, points: int) -> Precise:
    """Ratio of third harmonic to fundamental above 3 %, at a field in dB above the shape field."""
    first, third = _harmonics(power_of_ten(0.05 * field_db), reversible, points)
    return third / first - _MOL_RATIO


@kernel()
def field_of_mol(reversible: Precise) -> Precise:
    """Lowest field, in units of the shape field, whose settled loop has 3 % third harmonic (secant method)."""
    high: Precise = _LOWEST_DB
    while high < _HIGHEST_DB and _excess(high, reversible, _FEW_POINTS) <= 0.0:
        high = high + _STRIDE_DB
    low: Precise = high - _STRIDE_DB
    below = _excess(low, reversible, _POINTS)
    above = _excess(high, reversible, _POINTS)
    for _ in range(20):
        if abs(high - low) < 1e-9 or above == below:
            break
        step = above * (high - low) / (above - below)
        low = high
        below = above
        high = high - step
        above = _excess(high, reversible, _POINTS)
    return power_of_ten(0.05 * high)
