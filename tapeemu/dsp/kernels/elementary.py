"""Elementary functions from multiplications and additions alone, so that no platform's library decides a bit.

The last bits of sine, exponential and logarithm differ between mathematical libraries; these give the same on
every machine that rounds as IEEE 754 says. Series and reductions are those of any textbook of analysis. They work
in double precision in every build, because designs, phases and places stand on them.
"""

import math

import numpy as np

from tapeemu.dsp.kernels.arrays import Precise
from tapeemu.dsp.kernels.compilation import kernel

__all__ = [
    "bessel_i0",
    "cosine_of_turns",
    "exponential",
    "exponential_less_one",
    "fade",
    "logarithm",
    "logarithm_of_ten",
    "power_of_ten",
    "sine_of_turns",
    "tangent_hyperbolic",
]

_TURN = 6.283185307179586
_LN2_HIGH = 0.6931471803691238  # 32 bits of ln 2: its product with an exponent is exact
_LN2_LOW = 1.9082149292705877e-10
_PER_LN2 = 1.4426950408889634
_LN10 = 2.302585092994046
_PER_LN10 = 0.4342944819032518
_PER_LOG2 = 3.321928094887362  # log2(10)
_LOG2_HIGH = 0.30102999560767785  # 33 bits of log10(2): its product with an exponent is exact
_LOG2_LOW = 5.630334806675098e-11
_ROOT_HALF = 0.7071067811865476
_LARGEST_EXPONENT = 709.782712893384
_SMALLEST_EXPONENT = -745.1332191019412
_LARGEST_POWER = 308.2547155599167
_SMALLEST_POWER = -323.6


@kernel()
def _sine_near(x: Precise) -> Precise:
    """Sine of an angle from -pi/4 to pi/4, in radians: Taylor series to the 17th power."""
    z = x * x
    s = z / 355687428096000.0 - 1.0 / 1307674368000.0
    s = z * s + 1.0 / 6227020800.0
    s = z * s - 1.0 / 39916800.0
    s = z * s + 1.0 / 362880.0
    s = z * s - 1.0 / 5040.0
    s = z * s + 1.0 / 120.0
    s = z * s - 1.0 / 6.0
    return x + x * (z * s)


@kernel()
def _cosine_near(x: Precise) -> Precise:
    """Cosine of an angle from -pi/4 to pi/4, in radians: Taylor series to the 18th power."""
    z = x * x
    s = 1.0 / 20922789888000.0 - z / 6402373705728000.0
    s = z * s - 1.0 / 87178291200.0
    s = z * s + 1.0 / 479001600.0
    s = z * s - 1.0 / 3628800.0
    s = z * s + 1.0 / 40320.0
    s = z * s - 1.0 / 720.0
    s = z * s + 1.0 / 24.0
    half = 0.5 * z
    rest = 1.0 - half
    return rest + (((1.0 - rest) - half) + z * z * s)


@kernel()
def sine_of_turns(turns: Precise) -> Precise:
    """Sine of an angle in whole turns: absolute error at most 3e-16 for the angle as given, exact at quarters."""
    turns = turns - np.floor(turns)
    eighth = math.floor(8.0 * turns)
    if eighth == 0:
        value = _sine_near(_TURN * turns)
    elif eighth <= 2:
        value = _cosine_near(_TURN * (turns - 0.25))
    elif eighth <= 4:
        value = -_sine_near(_TURN * (turns - 0.5))
    elif eighth <= 6:
        value = -_cosine_near(_TURN * (turns - 0.75))
    else:
        value = _sine_near(_TURN * (turns - 1.0))
    return value


@kernel()
def cosine_of_turns(turns: Precise) -> Precise:
    """Cosine of an angle in whole turns: error and quarters as for :func:`sine_of_turns`."""
    turns = turns - np.floor(turns)
    eighth = math.floor(8.0 * turns)
    if eighth == 0:
        value = _cosine_near(_TURN * turns)
    elif eighth <= 2:
        value = -_sine_near(_TURN * (turns - 0.25))
    elif eighth <= 4:
        value = -_cosine_near(_TURN * (turns - 0.5))
    elif eighth <= 6:
        value = _sine_near(_TURN * (turns - 0.75))
    else:
        value = _cosine_near(_TURN * (turns - 1.0))
    return value


@kernel()
def _times_power_of_two(x: Precise, exponent: int) -> Precise:
    """``x * 2 ** exponent``, exact but where the result is too small for full precision."""
    factor: Precise = 2.0
    if exponent < 0:
        factor = 0.5
        exponent = -exponent
    while exponent > 0:
        if exponent % 2 == 1:
            x = x * factor
        exponent = exponent // 2
        if exponent > 0:
            factor = factor * factor
    return x


@kernel()
def _exponential_rest(r: Precise) -> Precise:
    """``(exp(r) - 1 - r) / r ** 2`` for r from -0.35 to 0.35: Taylor series to the 13th power."""
    s = r / 6227020800.0 + 1.0 / 479001600.0
    s = r * s + 1.0 / 39916800.0
    s = r * s + 1.0 / 3628800.0
    s = r * s + 1.0 / 362880.0
    s = r * s + 1.0 / 40320.0
    s = r * s + 1.0 / 5040.0
    s = r * s + 1.0 / 720.0
    s = r * s + 1.0 / 120.0
    s = r * s + 1.0 / 24.0
    s = r * s + 1.0 / 6.0
    return r * s + 0.5


@kernel()
def _scaled_exponential(r: Precise, lost: Precise, exponent: int) -> Precise:
    """``exp(r + lost) * 2 ** exponent`` for r from -0.35 to 0.35, and `lost` the last bits of it."""
    value = 1.0 + (r + (lost + r * r * _exponential_rest(r)))
    # In two steps: the power alone may be beyond the range where the product is not.
    part = exponent // 2
    return _times_power_of_two(_times_power_of_two(value, part), exponent - part)


@kernel()
def exponential(x: Precise) -> Precise:
    """Exponential function: relative error at most 5e-16; 0 and infinity beyond the range of numbers."""
    if x > _LARGEST_EXPONENT:
        return math.inf
    if x < _SMALLEST_EXPONENT:
        return 0.0
    exponent = math.floor(x * _PER_LN2 + 0.5)
    whole: Precise = exponent
    high = x - whole * _LN2_HIGH
    low = whole * _LN2_LOW
    r = high - low
    return _scaled_exponential(r, (high - r) - low, exponent)


@kernel()
def exponential_less_one(x: Precise) -> Precise:
    """``exp(x) - 1``: relative error at most 1e-15, also for the smallest x."""
    if abs(x) < 0.35:
        return x + x * x * _exponential_rest(x)
    return exponential(x) - 1.0


@kernel()
def power_of_ten(x: Precise) -> Precise:
    """``10 ** x``: relative error at most 5e-16; 0 and infinity beyond the range of numbers."""
    if x > _LARGEST_POWER:
        return math.inf
    if x < _SMALLEST_POWER:
        return 0.0
    exponent = math.floor(x * _PER_LOG2 + 0.5)
    whole: Precise = exponent
    r = ((x - whole * _LOG2_HIGH) - whole * _LOG2_LOW) * _LN10
    return _scaled_exponential(r, 0.0, exponent)


@kernel()
def logarithm(x: Precise) -> Precise:
    """Natural logarithm: relative error at most 5e-16; minus infinity at 0, no number below."""
    if not x > 0.0:
        return -math.inf if x == 0.0 else math.nan
    if x == math.inf:
        return x
    exponent = 0
    step = 512
    while step > 0:
        power = _times_power_of_two(1.0, step)
        while x >= power:
            x = x / power
            exponent += step
        while x * power < 1.0:
            x = x * power
            exponent -= step
        step = step // 2
    if x < 1.0:
        x = 2.0 * x
        exponent -= 1
    x = 0.5 * x  # from 1/2 to 1
    exponent += 1
    if x < _ROOT_HALF:
        x = 2.0 * x
        exponent -= 1
    f = x - 1.0
    s = f / (2.0 + f)
    z = s * s
    t = z / 23.0 + 1.0 / 21.0
    t = z * t + 1.0 / 19.0
    t = z * t + 1.0 / 17.0
    t = z * t + 1.0 / 15.0
    t = z * t + 1.0 / 13.0
    t = z * t + 1.0 / 11.0
    t = z * t + 1.0 / 9.0
    t = z * t + 1.0 / 7.0
    t = z * t + 1.0 / 5.0
    t = z * t + 1.0 / 3.0
    # log(1 + f) = f - f^2/2 + s (f^2/2 + 2 z^... ), written so that f itself carries no rounding.
    half = 0.5 * f * f
    rest = s * (half + 2.0 * z * t)
    whole: Precise = exponent
    return whole * _LN2_HIGH - ((half - (rest + whole * _LN2_LOW)) - f)


@kernel()
def logarithm_of_ten(x: Precise) -> Precise:
    """Logarithm to the base of ten: relative error at most 1e-15; ends as for :func:`logarithm`."""
    return logarithm(x) * _PER_LN10


@kernel()
def tangent_hyperbolic(x: Precise) -> Precise:
    """Hyperbolic tangent: relative error at most 1e-15, odd to the last bit."""
    size = abs(x)
    if size < 0.3:
        z = x * x
        # Continued fraction of tanh (Lambert), which converges fast this near to zero.
        part = 21.0 + z / 23.0
        part = 19.0 + z / part
        part = 17.0 + z / part
        part = 15.0 + z / part
        part = 13.0 + z / part
        part = 11.0 + z / part
        part = 9.0 + z / part
        part = 7.0 + z / part
        part = 5.0 + z / part
        part = 3.0 + z / part
        return x / (1.0 + z / part)
    value: Precise = 1.0
    if size <= 20.0:
        value = 1.0 - 2.0 / (exponential(2.0 * size) + 1.0)
    return value if x > 0.0 else -value


@kernel()
def bessel_i0(x: Precise) -> Precise:
    """Modified Bessel function of the first kind, order 0, up to 30: relative error at most 1e-14.

    Power series ``sum ((x / 2) ^ k / k!) ^ 2`` (Abramowitz & Stegun 9.6.12), all of whose terms are positive.
    """
    quarter = 0.25 * x * x
    term: Precise = 1.0
    total: Precise = 1.0
    order: Precise = 1.0
    while term > total * 1e-17:
        term = term * quarter / (order * order)
        total += term
        order += 1.0
    return total


@kernel()
def fade(x: Precise, zero: Precise, one: Precise) -> Precise:
    """Squared cosine from nothing at `zero` to 1 at `one`, in either direction, and level beyond."""
    u = min(max((x - zero) / (one - zero), 0.0), 1.0)
    return 0.5 - 0.5 * cosine_of_turns(0.5 * u)
