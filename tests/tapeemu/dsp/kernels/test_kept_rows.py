"""Rows that are kept from block to block."""

import numpy as np
import pytest

from tapeemu.dsp.kernels.kept_rows import clear_precise_rows, clear_rows, move_to_front


@pytest.mark.parametrize("clear", [clear_rows, clear_precise_rows])
@pytest.mark.parametrize("shape", [(3, 5), (1, 1), (2, 0), (0, 4)])
def test_all_rows_are_cleared_to_their_ends_and_nothing_beside_them(clear, shape: tuple[int, int]) -> None:
    around = np.ones((shape[0] + 2, shape[1]))
    clear(around[1:-1])
    assert not around[1:-1].any()
    assert around[[0, -1]].all()


def test_what_is_kept_goes_to_the_front() -> None:
    line = np.arange(6.0)
    move_to_front(line, 2)
    assert line.tolist() == [2.0, 3.0, 4.0, 5.0, 4.0, 5.0]
