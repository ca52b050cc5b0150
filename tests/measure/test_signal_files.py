"""Test signals as files."""

import re
import threading
from pathlib import Path

import numpy as np
import pytest

from measure.errors import ResultsError
from measure.parts.sound_file import encoded_sound
from measure.signal_files import TEST_SIGNALS, SignalFile, save_signals


@pytest.mark.parametrize("file", TEST_SIGNALS, ids=lambda file: file.name)
def test_a_file_is_named_after_its_tones(file: SignalFile) -> None:
    assert [float(number) for number in re.findall(r"\d+", file.name)] == list(file.frequencies_hz)


def test_a_folder_whose_name_a_file_has_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(
        ResultsError, match="taken cannot be made, for a file has that name; choose another folder"
    ):
        save_signals(tmp_path / "taken", sample_rate=44_100, reference_dbfs=-18.0)
    with pytest.raises(ResultsError, match=r"cannot be made .*; choose another folder"):
        save_signals(tmp_path / "taken" / "below", sample_rate=44_100, reference_dbfs=-18.0)


def test_no_interruption_falls_into_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """It was printed and lost there. Interruptions come to the main thread alone."""
    import soundfile

    threads = []
    monkeypatch.setattr(soundfile, "write", lambda *_, **__: threads.append(threading.current_thread()))
    encoded_sound(np.zeros(8), 48_000)
    assert threads
    assert threads[0] is not threading.main_thread()


@pytest.mark.parametrize("file", [each for each in TEST_SIGNALS if each.sequence], ids=lambda file: file.name)
def test_a_sequence_lasts_as_long_as_its_line_says_and_has_a_purpose(file: SignalFile) -> None:
    """44.1 kHz is the least rate that the slow sweep fits."""
    assert file.signal(44_100, -18.0).size / 44_100 == pytest.approx(file.seconds, abs=0.06)
    assert isinstance(file.purpose, str)
    assert (file.low_to_high, file.burst) == (1.0, False)
