"""A straight line through a part of a decay."""

import math
from dataclasses import dataclass

import numpy as np

from measure.validation import FloatArray

__all__ = [
    "DecayLine",
    "regress",
]


@dataclass(frozen=True)
class DecayLine:
    """A straight line through a part of a decay."""

    seconds: float  # per 60 dB; nan where no line can be drawn
    bend: float  # non-linearity in permille
    interval: tuple[float, float]  # seconds


_NO_LINE = DecayLine(math.nan, math.nan, (math.nan, math.nan))


def regress(t: FloatArray, level: FloatArray, upper: float, lower: float) -> DecayLine:
    """Draw a straight line through the decay between two levels."""
    ahead = t >= 0.0
    t, level = t[ahead], level[ahead]
    if len(t) < 8:
        return _NO_LINE
    below = np.flatnonzero(level <= lower)
    if not len(below) or below[0] == 0:
        return _NO_LINE
    last = int(below[0])
    starts = np.flatnonzero(level[:last] <= upper) if upper < 0.0 else np.array([0])
    first = int(starts[0]) if len(starts) else last

    def crossing(i: int, target: float) -> float:
        if i == 0 or level[i] == level[i - 1]:
            return float(t[i])
        return float(t[i - 1] + (target - level[i - 1]) / (level[i] - level[i - 1]) * (t[i] - t[i - 1]))

    begin, finish = crossing(first, upper) if upper < 0.0 else float(t[0]), crossing(last, lower)
    if not finish > begin or last - first < 3:
        return _NO_LINE
    grid = np.linspace(begin, finish, max(500, last - first))
    values = np.interp(grid, t, level)
    slope = float(np.polyfit(grid, values, 1)[0])
    if not slope < 0.0:
        return _NO_LINE
    bend = 1000.0 * (1.0 - float(np.corrcoef(grid, values)[0, 1]) ** 2)
    return DecayLine(-60.0 / slope, bend, (begin, finish))
