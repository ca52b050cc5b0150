"""`tapeemu device --rate nan` built for ever, and a limit of nothing or of nan was none without a word."""

from collections.abc import Callable
from pathlib import Path

import pytest

Run = Callable[..., str]


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--rate", "nan", "--rate is nan Hz, but must lie between 8,000 and 384,000 Hz; leave it out"),
        ("--rate", "0", "--rate is 0 Hz, but must lie between"),
        ("--rate", "1e9", "--rate is 1e+09 Hz, but must lie between"),
        ("--instructions", "nan", "--instructions is nan, but must be zero or more, and finite"),
        ("--instructions", "inf", "--instructions is inf, but must be zero or more, and finite"),
        ("--instructions", "-5", "--instructions is -5, but must be zero or more, and finite"),
        ("--ram", "0k", "--ram is '0k', but must be a number of bytes, such as 512k"),
    ],
)
def test_a_device_that_cannot_be_is_refused_at_once(
    run: Run, tmp_path: Path, option: str, value: str, words: str
) -> None:
    out = tmp_path / "device"
    assert words in run("device", "preamplifier-alone", "--out", out, option, value, status=2)
    assert not out.exists()
