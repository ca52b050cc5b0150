"""Shapes of the arrays that a processor keeps, written one row each."""

from tapeemu.dsp.kernels.arrays import Integers2
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["shape_row"]


@kernel()
def shape_row(first: int, second: int, shapes: Integers2, row: int) -> int:
    """Write the shape of an array of one or two dimensions; gives the row of the next one."""
    shapes[row, 0] = first
    shapes[row, 1] = second
    shapes[row, 2] = 1
    return row + 1
