"""A subnormal recording ended the laboratory with an IndexError, a tone of 60 ms with a ZeroDivisionError."""

import math

import numpy as np
import pytest

from measure.quantities.flutter import flutter, scrape_flutter
from measure.recording import read_recording, trimmed


@pytest.mark.parametrize("level", [5e-324, 1e-310, 1e-160, 1.0])
def test_a_recording_at_any_level_is_trimmed_alike(level: float) -> None:
    """Half a second of signal after as much of silence; squares of the lower levels are zero."""
    recorded = np.concatenate([np.zeros(4000), np.full(4000, level)])
    assert trimmed(recorded, 8000).size == 4000


def test_what_sounds_in_the_last_samples_alone_is_not_trimmed() -> None:
    recorded = np.concatenate([np.zeros(8000), np.ones(10)])  # blocks have 160 samples
    assert trimmed(recorded, 8000).size == 8010


def test_a_subnormal_recording_is_read() -> None:
    report = read_recording(np.full((1, 4800), 5e-324), 48_000.0)
    assert not any(math.isinf(reading.value) for reading in report.readings.values())


@pytest.mark.parametrize("milliseconds", range(40, 90, 5))
def test_tones_too_short_for_any_deviation_are_refused_in_words(milliseconds: int) -> None:
    """The filter needs some 60 ms of its own at the two ends."""
    tone = 0.3 * np.sin(2.0 * np.pi * 3150.0 / 48_000 * np.arange(48 * milliseconds))
    readings = flutter(tone, 48_000, carrier_hz=3150.0).readings
    assert all(reading.defined or reading.warnings for reading in readings)
    tone = 0.3 * np.sin(2.0 * np.pi * 10_000.0 / 48_000 * np.arange(48 * milliseconds))
    readings = scrape_flutter(tone, 48_000, carrier_hz=10_000.0).readings
    assert all(reading.defined or reading.warnings for reading in readings)
