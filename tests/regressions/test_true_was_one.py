"""``decay_seconds = true`` was a decay of one second."""

import pytest

from tapeemu import FdnReverb, PreampDrive, WowFlutter
from tapeemu.errors import ParameterError


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        (FdnReverb, {"decay_seconds": True}),
        (FdnReverb, {"room_seed": True}),
        (FdnReverb, {"wet_percent": False}),
        (WowFlutter, {"seed": False}),
    ],
)
def test_what_is_true_or_false_is_no_number(kind, values) -> None:
    name, value = next(iter(values.items()))
    with pytest.raises(ParameterError, match=f"{name} is {str(value).lower()}, but must be"):
        kind(**values)


def test_what_may_be_true_still_may() -> None:
    assert PreampDrive(level_matched=False).level_matched is False
