"""The tones of the standard set are those that standards and practice use."""

import pytest

from measure.errors import MeasureError
from measure.standard_set.measuring import bench
from measure.standard_set.rows import STANDARD_SET


@pytest.mark.parametrize(
    ("row", "frequencies_hz"),
    [
        ("flutter tone", (3150.0,)),  # IEC 60386
        ("distortion tone", (1000.0,)),  # IEC 60268-3
        ("modulation pair", (60.0, 7000.0)),  # SMPTE: 60 Hz and 7 kHz, four to one
        ("difference pair", (19_000.0, 20_000.0)),  # CCIF's usual tones, common practice, no source
        (
            "prime tone",
            (round(440.0 * 2.0 ** (39 / 12)),),
        ),  # the highest note of a piano: 39 semitones above ISO 16's a
    ],
)
def test_tones_are_those_of_standards(row: str, frequencies_hz: tuple[float, ...]) -> None:
    (found,) = (each for each in STANDARD_SET if each.name == row)
    assert found.frequencies_hz == frequencies_hz


def test_tones_that_are_sent_in_steps_last_as_long_in_both_rows() -> None:
    """They are read by the same fit, whose doubt goes with their length."""
    steps, loud = (next(row for row in STANDARD_SET if row.name == name) for name in ("level steps", "loud tones"))
    assert steps.seconds == loud.seconds


def test_a_row_that_the_set_has_not_is_refused() -> None:
    with pytest.raises(
        MeasureError, match="there is no row 'hum' in the standard set; there are sweep, flutter tone"
    ):
        bench(lambda audio, rate: audio, sample_rate=48_000, rows=("hum",))
