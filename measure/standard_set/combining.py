"""One reading from those of several seeds."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from measure.results import Reading

__all__ = ["combined"]


def combined(readings: Sequence[Reading], seeds: Sequence[int]) -> Reading:
    """Mean over seeds; the spread is the uncertainty where it exceeds that of theory."""
    if len(readings) == 1:
        return readings[0]
    known = [reading for reading in readings if reading.defined]
    if not known:
        return readings[0]
    values = np.array([reading.value for reading in known])
    spread = float(np.std(values, ddof=1)) if len(values) > 1 else math.nan
    theory = max((reading.uncertainty for reading in known if math.isfinite(reading.uncertainty)), default=0.0)
    warnings = list(dict.fromkeys(warning for reading in known for warning in reading.warnings))
    lost = [seed for seed, reading in zip(seeds, readings, strict=True) if not reading.defined]
    if lost:
        reason = next(reading for reading in readings if not reading.defined).warnings
        warnings.append(f"undefined for seed {', '.join(map(str, lost))}: {'; '.join(reason)}")
    return replace(
        known[0],
        value=float(np.mean(values)),
        uncertainty=max(spread, theory) if math.isfinite(spread) else theory,
        uncertainty_basis=f"repeats: standard deviation over {len(known)} seeds (theory alone: {theory:.2g})",
        warnings=tuple(warnings),
        conditions={**known[0].conditions, "repeats": len(known)},
    )
