"""The kernels of amplitude flutter: what the processor's own tests, which hear it as a whole, cannot tell."""

import numpy as np
import pytest

from tapeemu.dsp.exceedance import TWO_SIGMA
from tapeemu.dsp.kernels import amplitude_flutter as kernels
from tapeemu.dsp.tape_position import Purpose
from tapeemu.processors.amplitude_flutter import AmplitudeFlutter, LevelPart

RATE = 48_000.0
PARTS = (LevelPart(rate_hz=3.0, peak_db=0.4, phase_degrees=20.0), LevelPart(rate_hz=60.0, peak_db=0.2))
MODES = ["gain", "spacing"]


def flutter(mode, **values):
    given = {
        "periodic_parts": PARTS,
        "channel_correlation": 0.5,
        "dropouts_per_minute": 600.0,
        "seed": 5,
        **values,
    }
    return AmplitudeFlutter(mode=mode, **given)


def test_gains_are_those_of_the_levels() -> None:
    """numpy's power in extended precision."""
    levels = np.concatenate([np.linspace(-160.0, 160.0, 30_001), [0.0, -0.0, 1e-9, -1e-300]])
    gains = np.empty_like(levels)
    kernels.gains_of_levels(levels, gains)
    wanted = np.longdouble(10.0) ** (levels.astype(np.longdouble) / 20)
    assert np.max(np.abs(gains / wanted - 1.0)) < 2e-14
    assert gains[-4] == gains[-3] == 1.0


def test_numbers_repeated_here_are_those_of_their_homes() -> None:
    assert kernels._TWO_SIGMA == TWO_SIGMA
    assert [kernels._LEVEL_PART, kernels._LEVEL, kernels._CHANNEL_LEVEL, kernels._DROPOUTS] == [
        Purpose.LEVEL_PART,
        Purpose.LEVEL,
        Purpose.CHANNEL_LEVEL,
        Purpose.DROPOUTS,
    ]


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("together", [True, False])
def test_a_block_may_be_written_where_it_was_read(mode, together, rng) -> None:
    settings = flutter(mode, channel_correlation=1.0, dropouts_on_all_channels=together)
    audio = rng.standard_normal((3, 9_000))
    wanted = settings.stream(sample_rate=RATE, channels=3).advance(audio)
    stream = settings.stream(sample_rate=RATE, channels=3)
    assert stream.memory.course.shape[0] == (1 if together else 3)
    for start in range(0, 9_000, 4_500):
        part = np.ascontiguousarray(audio[:, start : start + 4_500])
        kernels.amplitude_flutter_process(stream.memory, part, part)
        np.testing.assert_array_equal(part, wanted[:, start : start + 4_500])


@pytest.mark.parametrize("mode", MODES)
def test_seeking_is_starting_there(mode, rng) -> None:
    settings = flutter(mode)
    audio = rng.standard_normal((2, 5_000))
    stream = settings.stream(sample_rate=RATE, channels=2, start_sample=123)
    stream.process(audio)
    for place in (-50_000, 0, 36_000 * 48_000 + 7):
        stream.seek(place)
        wanted = settings.stream(sample_rate=RATE, channels=2, start_sample=place).process(audio)
        np.testing.assert_array_equal(stream.process(audio), wanted)


@pytest.mark.parametrize("rate", [8_000.0, 48_000.0, 96_000.0, 192_000.0, 384_000.0])
def test_a_tape_at_its_mean_distance_passes_sound_on(rate, rng) -> None:
    """Nothing moves, so the filter is that of no distance: a delay within 0.01 dB, at every length of line."""
    settings = AmplitudeFlutter(
        mode="spacing", random_db=0.0, periodic_parts=(LevelPart(rate_hz=1.0, peak_db=0.0),)
    )
    stream = settings.stream(sample_rate=rate, channels=1)
    t = np.arange(9_000) / rate
    tone = np.sin(2.0 * np.pi * 1_000.0 * t)[None]
    got = stream.advance(tone)
    late = stream.latency
    np.testing.assert_allclose(got[:, 3 * late :], tone[:, 2 * late : -late], atol=0.002)
