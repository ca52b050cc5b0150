"""A sine through a hyperbolic tangent: its harmonics, and the drive that gives a distortion.

Distortion is THD_F (IEC 60268-3, 14.12): rms of the harmonics over the fundamental. Harmonics by Fourier analysis.
"""

import math

from tapeemu.dsp.kernels.arrays import Precise
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import logarithm, power_of_ten, sine_of_turns, tangent_hyperbolic

__all__ = [
    "LEAST_DRIVE_DB",
    "MOST_DRIVE_DB",
    "drive_that_gives",
    "driven_sine",
    "driven_thd_percent",
    "matching_gain",
]

LEAST_DRIVE_DB, MOST_DRIVE_DB = -40.0, 60.0

_MOST_QUARTER = 2048
_EXPONENT = 45.0
_PERCENT_OF_PEAK = 141.4213562373095  # 100 times the root of 2


@kernel()
def _curve(x: Precise, rest: Precise) -> Precise:
    """``(tanh(x + b) - tanh b) / (1 - tanh(b)^2)`` with rest = tanh b, by the addition theorem of the tangent."""
    straight = tangent_hyperbolic(x)
    return straight / (1.0 + rest * straight)


@kernel()
def _quarter_points(peak: Precise) -> int:
    """Points of a quarter of the period with which the quadrature is exact to rounding, as far as 2048 suffice.

    The curve has poles where ``peak * sin(angle)`` is i pi / 2, so n points of the period leave an error of
    exp(-n e) with ``sinh e = pi / (2 peak)``. An offset moves the poles further away.
    """
    s = 0.5 * math.pi / peak
    if s > 1e6:
        return 4
    distance = logarithm(s + math.sqrt(1.0 + s * s))
    return min(max(math.ceil(_EXPONENT / (4.0 * distance)), 4), _MOST_QUARTER)


@kernel()
def driven_sine(drive_db: Precise, level_dbfs: Precise, asymmetry_percent: Precise) -> tuple[Precise, Precise]:
    """Fundamental amplitude, and rms of all harmonics, of a driven sine (unity small-signal gain).

    Fourier coefficients by the rule of equal steps over one period, which converges geometrically for an
    analytic periodic function; exact to rounding up to a gain times level of about 300.

    Parameters
    ----------
    drive_db : float
        Gain into the curve.
    level_dbfs : float
        Level of the sine.
    asymmetry_percent : float
        Output at rest, in percent of the saturated level.

    Returns
    -------
    fundamental, harmonics : float
        Peak of the one, rms of the others together.
    """
    gain = power_of_ten(0.05 * drive_db)
    peak = gain * power_of_ten(0.05 * level_dbfs)
    rest = 0.01 * asymmetry_percent
    points = _quarter_points(peak)
    whole: Precise = 2.0 * points
    fundamental: Precise = 0.0
    mean: Precise = 0.0
    # The quarters of the period mirror each other, so half of the points say all.
    for k in range(points):
        place: Precise = k + 0.5
        sine = sine_of_turns(place / (2.0 * whole))
        up = _curve(peak * sine, rest)
        down = _curve(-peak * sine, rest)
        fundamental += (up - down) * sine
        mean += up + down
    fundamental = 2.0 * fundamental / whole
    mean = mean / whole
    power: Precise = 0.0
    for k in range(points):
        place = k + 0.5
        sine = sine_of_turns(place / (2.0 * whole))
        up = _curve(peak * sine, rest) - fundamental * sine - mean
        down = _curve(-peak * sine, rest) + fundamental * sine - mean
        power += up * up + down * down
    return fundamental / gain, math.sqrt(power / whole) / gain


@kernel()
def driven_thd_percent(drive_db: Precise, level_dbfs: Precise, asymmetry_percent: Precise) -> Precise:
    """THD_F in percent; arguments as for :func:`driven_sine`."""
    fundamental, harmonics = driven_sine(drive_db, level_dbfs, asymmetry_percent)
    return _PERCENT_OF_PEAK * harmonics / fundamental


@kernel()
def drive_that_gives(thd_percent: Precise, level_dbfs: Precise, asymmetry_percent: Precise) -> Precise:
    """Drive in dB at which a sine of that level has that distortion (bisection; it rises with drive).

    Of a distortion out of reach, the nearer of LEAST_DRIVE_DB and MOST_DRIVE_DB.
    """
    low: Precise = LEAST_DRIVE_DB
    high: Precise = MOST_DRIVE_DB
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        if driven_thd_percent(middle, level_dbfs, asymmetry_percent) < thd_percent:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@kernel()
def matching_gain(drive_db: Precise, level_dbfs: Precise, asymmetry_percent: Precise) -> Precise:
    """Gain that gives a driven sine its rms back, harmonics included; arguments as for :func:`driven_sine`."""
    fundamental, harmonics = driven_sine(drive_db, level_dbfs, asymmetry_percent)
    given = power_of_ten(0.05 * level_dbfs)
    return given / math.sqrt(fundamental * fundamental + 2.0 * harmonics * harmonics)
