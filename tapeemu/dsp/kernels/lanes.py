"""Eight sums that grow side by side, in a fixed order.

A sum of products in one variable waits for every addition; eight that take turns do not, and fit the vector
registers of every machine. The order of the additions is written, so the bits are the same everywhere.
"""

import numpy as np

from tapeemu.dsp.kernels.arrays import Precises1, Reals1

__all__ = ["eight_lanes", "eight_precise_lanes"]


def eight_lanes() -> Reals1:
    """Eight zeros of a kernel's own; named once, and filled where they are named.

    Returns
    -------
    ndarray, shape (8,)
        On the stack in compiled kernels: it is not to be kept.
    """
    return np.zeros(8)


def eight_precise_lanes() -> Precises1:
    """Eight zeros in double precision everywhere; else as :func:`eight_lanes`."""
    return np.zeros(8)
