"""Bare samples on disk: what is put aside comes back, with a gain, and adds up."""

from pathlib import Path

import numpy as np
import pytest

from tapeemu.errors import OutputError
from tapeemu.rendering.spool import add_from_spool, named_spool, nameless_spool, read_spool, write_spool


@pytest.mark.parametrize("channels", [1, 2, 6])
def test_what_was_put_aside_comes_back_with_a_gain(
    tmp_path: Path, channels: int, rng: np.random.Generator
) -> None:
    audio = rng.uniform(-1.0, 1.0, (channels, 150_001))
    with nameless_spool(tmp_path) as spool:
        for start in range(0, audio.shape[1], 40_000):
            write_spool(spool, audio[:, start : start + 40_000], tmp_path / "a.wav")
        blocks = list(read_spool(spool, channels, gain_db=20.0))
        again = list(read_spool(spool, channels, gain_db=0.0))  # from the beginning each time
    np.testing.assert_array_equal(np.concatenate(blocks, axis=1), 10.0 * audio)
    np.testing.assert_array_equal(np.concatenate(again, axis=1), audio)
    assert max(block.size for block in blocks) <= 2**16  # of all channels together
    assert not list(tmp_path.iterdir())


def test_a_part_of_a_spool_is_added_at_its_place_and_mono_everywhere(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    stereo, mono = rng.uniform(-1.0, 1.0, (2, 100)), rng.uniform(-1.0, 1.0, (1, 70))
    for name, audio in (("stereo", stereo), ("mono", mono)):
        with named_spool(tmp_path / name, "w+b") as spool:
            write_spool(spool, audio, tmp_path / "a.wav")
    total = np.zeros((2, 40))
    add_from_spool(total, tmp_path / "stereo", channels=2, start_frame=60)
    add_from_spool(total, tmp_path / "mono", channels=1, start_frame=60)
    expected = stereo[:, 60:].copy()
    expected[:, :10] += mono[:, 60:]  # which ends there
    np.testing.assert_array_equal(total, expected)


def test_a_place_that_takes_no_spool_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"cannot be written to .*choose another"):
        nameless_spool(tmp_path / "gone")
    with pytest.raises(OutputError, match="cannot keep a rendering"):
        named_spool(tmp_path / "gone/spool", "w+b")
