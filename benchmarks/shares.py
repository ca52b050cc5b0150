"""Shares of stated intervals that hold the truth, printed with the limits that so many trials leave."""

import math
from collections.abc import Sequence

import numpy as np
from scipy.stats import beta


def limits(held: int, trials: int) -> tuple[float, float]:
    """Clopper-Pearson limits of a share: it lies between them with 95 % probability."""
    low = float(beta.ppf(0.025, held, trials - held + 1)) if held else 0.0
    high = float(beta.ppf(0.975, held + 1, trials - held)) if held < trials else 1.0
    return low, high


def share_line(
    label: str, values: Sequence[float], doubts: Sequence[float], truth: Sequence[float] | float
) -> str:
    """One line: share within two sigma and its limits, share within one, bias, and error over uncertainty."""
    error, doubt = np.asarray(values) - truth, np.asarray(doubts)
    kept = np.isfinite(error)
    error, doubt = error[kept], doubt[kept]
    trials = error.size
    if trials == 0:
        return f"{label}: refused {len(values)} times"
    held = int(np.sum(np.abs(error) < 2.0 * doubt))
    low, high = limits(held, trials)
    size = math.sqrt(float(np.mean(np.square(error)) / np.mean(np.square(doubt))))
    refused = f", refused {len(values) - trials}" if trials < len(values) else ""
    return (
        f"{label}: {100 * held / trials:.1f} % ({100 * low:.0f} to {100 * high:.0f}) within two sigma, "
        f"{100 * np.mean(np.abs(error) < doubt):.0f} % within one, bias {np.mean(error / doubt):+.2f} sigma, "
        f"error / uncertainty {size:.2f} ({trials} trials{refused})"
    )
