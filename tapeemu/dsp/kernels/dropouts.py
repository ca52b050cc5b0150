"""The loop behind dropouts: their shape in time."""

import math

from tapeemu.dsp.kernels.arrays import Precise, Reals1
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["dip"]


@kernel()
def dip(centre: Precise, half_flat: Precise, half_all: Precise, depth: float, out: Reals1) -> None:
    """Deepen `out` to `depth` round `centre`: a flat floor with raised-cosine edges; the deeper dip wins.

    Parameters
    ----------
    centre : float
        Of the dip, in samples from the first of `out`.
    half_flat, half_all : float
        Half the length of the floor, and of the whole dip, in samples.
    depth : float
        Of the floor, in dB.
    out : ndarray, shape (samples,)
        Depth of all dips in dB, changed in place.
    """
    first = max(0, math.ceil(centre - half_all))
    last = min(out.size - 1, math.floor(centre + half_all))
    for i in range(first, last + 1):
        away = abs(i - centre)
        if away <= half_flat:
            level = depth
        else:
            level = depth * 0.5 * (1.0 + math.cos(math.pi * (away - half_flat) / (half_all - half_flat)))
        out[i] = max(out[i], level)
