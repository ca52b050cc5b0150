"""The settled loop of magnetised tape: its harmonics, and the field that gives a distortion.

The equations are those of :mod:`tapeemu.dsp.kernels.magnetisation`, which integrates them as it does for sound.
"""

from functools import lru_cache

import numpy as np

from tapeemu.units import db_to_gain
from tapeemu.validation import FloatArray

__all__ = ["loop_harmonics", "solve_mol_field"]

_MOL_RATIO = 0.03
_LOOP_POINTS = 1024


def _half_loop(start: float, field: float, reversible: float) -> tuple[float, FloatArray]:
    """Irreversible part at the end, and magnetisation on the way, from one peak of the field to the other.

    `start` is the irreversible part at the negative peak. The field waits at both peaks, at the first
    until the anhysteretic part has found its value, at the second until everything is out.
    """
    from tapeemu.dsp.kernels import magnetisation as kernels

    wait, lag = 8, 2
    rise = -np.cos(np.pi * np.arange(_LOOP_POINTS + 1) / _LOOP_POINTS)
    high = np.concatenate([np.full(wait, -1.0), rise, np.ones(wait)])[None, None]
    bent = np.zeros_like(high)
    memory = kernels.TapeMemory(
        state=np.array([[start, 0.0]]),
        past=np.full((1, kernels.HISTORY_H), -min(field, kernels.FIELD_LIMIT)),
        work=np.zeros((2, kernels.ROWS, kernels.SCRATCH)),
    )
    law = kernels.Law(field, reversible, gain=1.0, release=0.0, swing=0.0)
    kernels.magnetise(high, bent, 0, high.shape[2], lag, law, memory)
    return float(memory.state[0, 0]), bent[0, 0, wait + lag : wait + lag + _LOOP_POINTS]


@lru_cache(maxsize=4096)
def loop_harmonics(field: float, reversible: float) -> tuple[float, float]:
    """First and third harmonic amplitude of the magnetisation in the settled loop of a sine of that field.

    The settled loop is symmetric: the way down mirrors the way up. So the start is solved for (secant
    method) at which the end of the way up is its mirror image; the loop itself contains no time.

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
    before, start = 0.0, -1e-6
    miss_before = _half_loop(before, field, reversible)[0] + before
    for _ in range(30):
        end, rising = _half_loop(start, field, reversible)
        miss = end + start
        if abs(miss) < 1e-13 or miss == miss_before:
            break
        step = miss * (start - before) / (miss - miss_before)
        before, miss_before, start = start, miss, start - step
    turn = np.exp(1j * np.pi * np.arange(_LOOP_POINTS) / _LOOP_POINTS)
    first, third = (abs(np.mean(rising * turn**order)) * 2.0 for order in (1, 3))
    return float(first), float(third)


@lru_cache(maxsize=256)
def solve_mol_field(reversible: float) -> float:
    """Lowest field, in units of the shape field, whose settled loop has 3 % third harmonic."""

    def too_much(field_db: float) -> bool:
        first, third = loop_harmonics(db_to_gain(field_db), reversible)
        return third > _MOL_RATIO * first

    high = next(level for level in range(-60, 40, 2) if too_much(level))
    low, high_db = high - 2.0, float(high)
    while high_db - low > 1e-4:
        middle = 0.5 * (low + high_db)
        low, high_db = (low, middle) if too_much(middle) else (middle, high_db)
    return db_to_gain(0.5 * (low + high_db))
