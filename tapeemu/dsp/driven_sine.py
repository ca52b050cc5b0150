"""A sine through a hyperbolic tangent: its harmonics, to foretell them and to check settings without compiling.

What sound is made of is solved for in :mod:`tapeemu.dsp.kernels.driven_sine`. Distortion is THD_F (IEC 60268-3,
14.12): rms of the harmonics over the fundamental. Harmonics by Fourier analysis.
"""

import math
from functools import lru_cache

import numpy as np

from tapeemu.units import db_to_gain, percent_to_ratio, ratio_to_percent

__all__ = ["LEAST_DRIVE_DB", "MOST_DRIVE_DB", "check_thd_percent", "driven_sine", "driven_thd_percent"]

LEAST_DRIVE_DB, MOST_DRIVE_DB = -40.0, 60.0

_PHASES = 8192
"""Points of a sine's period in the quadrature of a curve; exact to rounding up to a gain of about 300."""


def driven_sine(drive_db: float, level_dbfs: float, asymmetry_percent: float) -> tuple[float, float]:
    """Fundamental amplitude, and rms of all harmonics, of a driven sine (unity small-signal gain).

    Fourier coefficients by the rule of equal steps over one period, which converges geometrically for an
    analytic periodic function.

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
    gain = db_to_gain(drive_db)
    rest = percent_to_ratio(asymmetry_percent)
    sine = np.sin(2.0 * np.pi * (np.arange(_PHASES) + 0.5) / _PHASES)
    output = np.tanh(gain * db_to_gain(level_dbfs) * sine + math.atanh(rest)) - rest
    output /= gain * (1.0 - rest * rest)
    fundamental = float(2.0 * np.mean(output * sine))
    return fundamental, float(np.std(output - fundamental * sine))


def driven_thd_percent(drive_db: float, level_dbfs: float, asymmetry_percent: float) -> float:
    """THD_F in percent; arguments as for :func:`driven_sine`."""
    fundamental, harmonics = driven_sine(drive_db, level_dbfs, asymmetry_percent)
    return ratio_to_percent(math.sqrt(2.0) * harmonics / fundamental)


@lru_cache(maxsize=256)
def check_thd_percent(thd_percent: float, level_dbfs: float, asymmetry_percent: float) -> None:
    """Refuse a distortion that no drive gives a sine of that level.

    Raises
    ------
    ValueError
        If no drive from LEAST_DRIVE_DB to MOST_DRIVE_DB gives it; the text speaks of the settings by their names.
    """
    ends = [driven_thd_percent(drive, level_dbfs, asymmetry_percent) for drive in (LEAST_DRIVE_DB, MOST_DRIVE_DB)]
    if not ends[0] <= thd_percent <= ends[1]:
        raise ValueError(
            f"thd_percent is {thd_percent:g} %, but this curve gives {ends[0]:.3g} to {ends[1]:.4g} % at "
            f"{level_dbfs:g} dBFS; choose a value in that range, or another reference_level_dbfs"
        )
