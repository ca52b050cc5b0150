"""What many streams read at once, none may write to."""

import numpy as np
import pytest

from tapeemu.dsp.shared_tables import read_only, shared


def test_a_shared_table_cannot_be_written_to() -> None:
    table = shared(maxsize=1)(lambda: np.ones((4, 4)))()
    with pytest.raises(ValueError, match="read-only"):
        table[3, 3] = 2.0


def test_tuples_are_locked_through_and_calls_share_one_result() -> None:
    @shared(maxsize=2)
    def design(size: int) -> tuple[np.ndarray, tuple[np.ndarray, int]]:
        """Words."""
        return np.ones(size), (np.zeros(size), size)

    first, (second, _) = design(3)
    assert not first.flags.writeable
    assert not second.flags.writeable
    assert design(3)[0] is first
    assert design.__doc__ == "Words."
    assert read_only("text") == "text"
