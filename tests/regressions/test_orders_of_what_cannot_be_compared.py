"""A stem at 8 kHz, and an empty file, were rendered through all orders before they were refused."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeemu import FdnReverb, PreampDrive
from tapeemu.chain import Chain
from tapeemu.comparison import compare
from tapeemu.errors import AudioError

CHAIN = Chain(stages=[FdnReverb(), PreampDrive()])


@pytest.fixture
def nothing_rendered(monkeypatch: pytest.MonkeyPatch) -> None:
    def rendered(*_: object, **__: object) -> None:
        raise AssertionError("a stem was rendered that cannot be compared")

    monkeypatch.setattr("tapeemu.comparison.comparing.render_all", rendered)
    monkeypatch.setattr("tapeemu.comparison.comparing.tail_of", rendered)


@pytest.mark.parametrize("rate", [8_000, 15_999])
@pytest.mark.usefixtures("nothing_rendered")
def test_a_rate_too_low_for_five_harmonics_is_refused_at_once(rate: int) -> None:
    with pytest.raises(AudioError, match=rf"sample rate of {rate:,} Hz.*resample it first"):
        compare(np.ones((1, rate)), CHAIN, sample_rate=rate)


@pytest.mark.usefixtures("nothing_rendered")
def test_an_empty_file_is_refused_at_once(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "empty.wav", np.zeros((0, 2)), 48_000)
    with pytest.raises(AudioError, match=r"empty\.wav holds no samples"):
        compare(tmp_path / "empty.wav", CHAIN)
    with pytest.raises(AudioError, match="stem holds no samples"):
        compare(np.zeros((2, 0)), CHAIN, sample_rate=48_000)
