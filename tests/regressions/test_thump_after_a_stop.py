"""With bias 0 a thump of -25 dB followed a stop, and the gain stayed 1.9 dB off."""

import math

import numpy as np
import pytest

from tapeemu.processors.saturation import TapeMagnetisation
from tapeemu.units import db_to_gain, gain_to_db

RATE = 48_000


def sine(frequency: float, level_dbfs: float, samples: int = 2 * RATE) -> np.ndarray:
    return db_to_gain(level_dbfs) * np.sin(2.0 * np.pi * frequency * np.arange(samples) / RATE)


def without_offset_filter(output: np.ndarray, high_pass_hz: float) -> np.ndarray:
    """Undo ``y[n] = keep y[n-1] + (1 + keep) / 2 (x[n] - x[n-1])``, the filter that takes offsets out."""
    keep = math.exp(-2.0 * math.pi * high_pass_hz / RATE)
    return np.cumsum(output - keep * np.concatenate([[0.0], output[:-1]])) * 2.0 / (1.0 + keep)


@pytest.mark.parametrize("frequency", [40.0, 440.0, 3000.0])
@pytest.mark.parametrize("drive_db", [-10.0, 6.0, 20.0])
@pytest.mark.parametrize("turn", [0.0, 0.1, 0.6])
def test_tape_is_demagnetised_soon_after_a_stop(frequency: float, drive_db: float, turn: float) -> None:
    """Unbiased, at any phase of the stop: 6 ms later less than a thousandth of the magnetisation is left."""
    samples = RATE // 4 + round(turn * RATE / frequency)
    audio = np.concatenate([sine(frequency, -6.0, samples), np.zeros(RATE // 4)])
    tape = TapeMagnetisation(drive_db=drive_db, bias_percent=0.0)
    output = tape(audio, sample_rate=RATE)
    left = without_offset_filter(output, tape.high_pass_hz)
    sounding = np.max(np.abs(left[:samples]))
    assert np.max(np.abs(left[samples + round(0.006 * RATE) : -200])) < 1e-3 * sounding
    # What is heard is then no more than the undershoot of the offset filter for so long a pulse.
    heard = output[samples + round(0.006 * RATE) : -200]
    if frequency > 400.0:
        assert gain_to_db(np.max(np.abs(heard)) / sounding) < -40.0


@pytest.mark.parametrize("sample_rate", [22_050, 48_000, 192_000])
@pytest.mark.parametrize("bias_percent", [0.0, 90.0])
def test_after_a_silence_tape_is_as_it_was_at_the_start(sample_rate: int, bias_percent: float) -> None:
    """Same gain and the same bits, once the offset filter has forgotten: a loud sound leaves nothing."""
    tape = TapeMagnetisation(drive_db=12.0, bias_percent=bias_percent, high_pass_hz=30.0)
    quiet = 1e-3 * np.sin(2.0 * np.pi * 1000.0 * np.arange(2000) / sample_rate)
    loud = np.random.default_rng(1).uniform(-1.0, 1.0, sample_rate // 10)
    stream = tape.stream(sample_rate=sample_rate, channels=1)
    stream.process(loud)
    stream.process(np.zeros(sample_rate))
    fresh = tape.stream(sample_rate=sample_rate, channels=1)
    np.testing.assert_array_equal(stream.process(quiet), fresh.process(quiet))
