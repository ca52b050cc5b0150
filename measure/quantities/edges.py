"""Edges of a response: where it has fallen by 3 dB."""

import math

import numpy as np

from measure.results import Conditions, Reading, undefined
from measure.validation import FloatArray

__all__ = ["LOWER_EDGE", "UPPER_EDGE", "band_edges"]

LOWER_EDGE, UPPER_EDGE = "lower -3 dB edge", "upper -3 dB edge"

_HALF_POWER_DB = 10.0 * math.log10(2.0)
# Of the distance between two points: generous for the straight line that joins points 1/24 octave apart.
_OFF_A_LINE = 0.1
_SURE_SIGMAS = 2.0
_SLOPE_POINTS = 8  # on either side of an edge, from which its slope is told where there is noise
_LEAST_DB = -400.0  # nothing at all would have a slope that is no number


def band_edges(
    frequency_hz: FloatArray,
    magnitude_db: FloatArray,
    *,
    reference_hz: float,
    method: str,
    conditions: Conditions,
    uncertainty_db: FloatArray | None = None,
    noise_of: str = "noise beside the band",
) -> tuple[Reading, Reading]:
    """Lower and upper edge of a response, nearest to the reference frequency on either side.

    Parameters
    ----------
    frequency_hz : ndarray, shape (points,)
        Rising, from below the reference frequency to above it.
    magnitude_db : ndarray, shape (points,)
        The response; ``nan`` where it is not known.
    reference_hz : float
        Where the response counts as 0 dB.
    method : str
        How the response was read.
    conditions : mapping
        Those under which it was.
    uncertainty_db : ndarray, shape (points,), optional
        Standard uncertainty of the magnitude; none if left out.
    noise_of : str
        Where that comes from, for the basis of the readings.

    Returns
    -------
    lower, upper : Reading
        In Hz, where the magnitude passes -3 dB on the way to a point that has fallen so far by more than twice its
        uncertainty: a dropout while a sweep passes is none. ``nan`` with the reason where the response does not
        fall by 3 dB as far as it is known.
    """
    known = ~np.isnan(magnitude_db)
    f, magnitude = frequency_hz[known], np.maximum(magnitude_db[known], _LEAST_DB)
    doubt = np.zeros(f.size) if uncertainty_db is None else uncertainty_db[known]
    above = magnitude - float(np.interp(reference_hz, f, magnitude)) + _HALF_POWER_DB
    at_reference = float(np.interp(reference_hz, f, doubt))
    anchor = int(np.argmin(np.abs(f - reference_hz)))
    fallen = above < 0.0
    surely = np.flatnonzero(above + _SURE_SIGMAS * doubt < 0.0)
    lower, upper = surely[surely < anchor], surely[surely > anchor]

    def reading(quantity: str, first: int) -> Reading:
        """The edge between a point and the next."""
        octave = math.log(f[first + 1] / f[first])
        slope = (above[first + 1] - above[first]) / octave
        value = float(f[first] * math.exp(-above[first] / slope))
        # Of two points alone, noise would make the slope as well.
        near = slice(max(first - _SLOPE_POINTS, 0), first + 2 + _SLOPE_POINTS)
        steep = abs(float(np.polyfit(np.log(f[near]), above[near], 1)[0])) if at_reference > 0.0 else abs(slope)
        noise = math.hypot(float(max(doubt[first], doubt[first + 1])), at_reference) / steep
        off_a_line = _OFF_A_LINE * octave
        basis = "what a straight line between points may miss"
        if noise > 0.0:
            basis = f"{noise_of}; mostly a bound: {basis}" if off_a_line > noise else f"{noise_of}, {basis}"
        else:
            basis = f"a bound: {basis}"
        return Reading(
            quantity=quantity,
            value=value,
            unit="Hz",
            method=method,
            conditions=conditions,
            uncertainty=value * math.hypot(off_a_line, noise),
            uncertainty_basis=f"theory ({basis})",
        )

    def missing(quantity: str, last: int) -> Reading:
        reason = f"the magnitude stays within 3 dB as far as {f[last]:.5g} Hz"
        if f[last] != frequency_hz[last]:
            reason += ", and is not known beyond"
        return undefined(quantity, "Hz", reason, conditions, method=method)

    # What is sure lies beyond the edge; between the two all points have fallen.
    inner, outer = int(lower[-1]) if lower.size else 0, int(upper[0]) if upper.size else 0
    while fallen[inner + 1] and inner + 1 < anchor:
        inner += 1
    while fallen[outer - 1] and outer - 1 > anchor:
        outer -= 1
    return (
        reading(LOWER_EDGE, inner) if lower.size else missing(LOWER_EDGE, 0),
        reading(UPPER_EDGE, outer - 1) if upper.size else missing(UPPER_EDGE, -1),
    )
