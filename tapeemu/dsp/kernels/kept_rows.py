"""Rows of samples that are kept from block to block: cleared, and moved to the front."""

from tapeemu.dsp.kernels.arrays import Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["clear_precise_rows", "clear_rows", "move_to_front"]


@kernel()
def clear_rows(rows: Reals2) -> None:
    """Set all numbers of an array of two dimensions to zero."""
    for row in range(rows.shape[0]):
        for i in range(rows.shape[1]):
            rows[row, i] = 0.0


@kernel()
def clear_precise_rows(rows: Precises2) -> None:
    """Set all numbers of an array of two dimensions to zero that is double on every machine."""
    for row in range(rows.shape[0]):
        for i in range(rows.shape[1]):
            rows[row, i] = 0.0


@kernel()
def move_to_front(line: Reals1, passed: int) -> None:
    """Move all of a line but its first `passed` samples to its beginning; its last `passed` stay as they are."""
    for i in range(line.shape[0] - passed):
        line[i] = line[i + passed]
