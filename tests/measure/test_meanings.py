"""Every figure that the laboratory prints is explained, once, beside it."""

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.meanings import meaning_lines, meaning_of
from measure.parts.signals import steady_tone, two_tones
from measure.recording import read_recording
from measure.standard_set import bench

RATE = 48_000


def decaying(audio, rate):
    """A system that reverberates, so that the bench reads all its rows."""
    n = round(0.3 * rate)
    tail = np.random.default_rng(3).standard_normal(n) * 10.0 ** (-3.0 * np.arange(n) / n)
    size = 1 << (len(audio) + n).bit_length()
    wet = np.fft.irfft(np.fft.rfft(audio, size) * np.fft.rfft(tail, size), size)[: len(audio)]
    return audio + 0.05 * wet


def test_every_key_of_the_bench_is_explained():
    report = bench(decaying, sample_rate=RATE)
    assert len(report.readings) > 70
    for key in report.readings:
        assert len(meaning_of(key)) > 12, key
    printed = str(report)
    for line in meaning_lines(report.readings):
        assert printed.count(line) == 1


@pytest.mark.parametrize(
    "signal",
    [
        steady_tone(RATE, frequency_hz=3150.0, seconds=11.0, level_dbfs=-18.0),
        steady_tone(RATE, frequency_hz=10_000.0, seconds=3.0, level_dbfs=-18.0),
        two_tones(RATE, low_hz=60.0, high_hz=7000.0, low_to_high=4.0, seconds=3.0, level_dbfs=-18.0),
        np.stack([steady_tone(RATE, frequency_hz=3150.0, seconds=3.0, level_dbfs=-18.0)] * 2),
    ],
    ids=["flutter tone", "high tone", "pair", "two channels"],
)
def test_every_key_of_a_recording_is_explained(signal):
    report = read_recording(signal, RATE)
    parts = [report, *report.stages.values()]
    keys = [key for part in parts for key in part.readings]
    assert keys
    for key in keys:
        assert meaning_of(key)
    told = str(report).split("What the figures tell:")
    assert len(told) == 2, "explained once, however many channels"


def test_figures_of_one_sort_share_a_line():
    assert len(meaning_lines([f"harmonic_{k}_reference_db" for k in range(2, 11)])) == 1
    assert meaning_lines(["a figure of a user's own"]) == []
    with pytest.raises(MeasureError, match="no figure"):
        meaning_of("a figure of a user's own")
