"""Whether a converter was overdriven: samples in a row that stand at one and the same extreme."""

import numpy as np

from measure.validation import FloatArray

__all__ = ["clipped", "clipped_in"]

_IN_A_ROW = 3


def clipped(samples: FloatArray) -> str:
    """Say that a recording is clipped; nothing where it is not.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        Finite. Three or more in a row that equal the highest or the lowest of all are taken for a converter that
        was overdriven: sound does not stand still there, and noise does not repeat to the last bit.
    """
    count = clipped_in(samples, samples)
    return f"{count} samples are clipped: record it again at a lower level" if count else ""


def clipped_in(part: FloatArray, whole: FloatArray) -> int:
    """Samples of a part of a recording that stand in a row at an extreme of the whole."""
    count = 0
    for extreme in (np.max(whole, initial=0.0), np.min(whole, initial=0.0)):
        if extreme == 0.0:
            continue
        there = np.concatenate([[0], (part == extreme).astype(np.int8), [0]])
        turns = np.flatnonzero(np.diff(there))
        lengths = turns[1::2] - turns[::2]
        count += int(np.sum(lengths[lengths >= _IN_A_ROW]))
    return count
