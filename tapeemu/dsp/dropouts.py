"""Dropouts of a stretch of the tape, as a list: what the kernels of the same name do to the level, told."""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.validation import FloatArray

__all__ = ["Dropout", "list_dropouts"]


class Dropout(NamedTuple):
    """One dropout.

    Attributes
    ----------
    time_seconds : float
        Its centre, from the origin of the tape.
    depth_db : float
        Depth of its floor, positive.
    length_ms : float
        Width between the points where it is half as deep, in dB.
    """

    time_seconds: float
    depth_db: float
    length_ms: float


def list_dropouts(key: int, law: FloatArray, start_seconds: float, end_seconds: float) -> list[Dropout]:
    """All dropouts whose centre lies from `start_seconds` up to `end_seconds`, in order of time.

    Parameters
    ----------
    key : int
        Of the dropouts.
    law : ndarray, shape (LAW_NUMBERS,)
        From :func:`tapeemu.dsp.kernels.dropouts.dropout_law`.
    start_seconds, end_seconds : float
        The stretch, from the origin of the tape.
    """
    from tapeemu.dsp.kernels import dropouts as kernels

    if law[kernels.PER_SECOND] <= 0.0:
        return []
    found = []
    cell_of = np.empty((kernels.MOST_IN_CELL, 3))
    for cell in range(math.floor(start_seconds), math.ceil(end_seconds)):
        count = kernels.list_cell(np.uint64(key), law, np.int64(cell), cell_of)
        for place, depth_db, length_ms in cell_of[:count].tolist():
            if start_seconds <= cell + place < end_seconds:
                found.append(Dropout(cell + place, depth_db, length_ms))
    return sorted(found)
