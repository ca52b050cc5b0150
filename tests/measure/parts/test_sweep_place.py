"""The slow sweep of a file, and where it is found."""

import numpy as np
import pytest

from measure.parts.sweep_place import file_sweep


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_a_file_s_sweep_lasts_half_a_minute_and_ends_in_a_second_of_silence(rate: int) -> None:
    """What comes late, from the tape's end to the room, still lies in the recording."""
    sent = file_sweep(rate, level_dbfs=-20.0)
    assert sent.signal.shape[-1] == pytest.approx(31 * rate, abs=0.01 * rate)
    ending = sent.signal[..., -rate:]
    assert np.max(np.abs(ending)) == 0.0
    assert np.max(np.abs(sent.signal[..., : -rate - 1][..., -rate // 10 :])) > 0.0
    assert np.max(np.abs(sent.signal)) == pytest.approx(0.1, rel=1e-3)
