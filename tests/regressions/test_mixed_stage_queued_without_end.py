"""A mixed stage with a speed error queued dry audio for ever: 0.8 GB after ten hours."""

import tracemalloc

import numpy as np
import pytest

import tapeemu
from tapeemu.chain import Chain, Stage

RATE = 48_000


@pytest.mark.parametrize("percent", [-3.0, 2.0])
def test_a_mixed_tape_at_the_wrong_speed_keeps_no_growing_queue(percent: float) -> None:
    """Blocks of 4096 samples a channel: at 2 % the two sides would part by 82 samples with every one."""
    inner = Chain(stages=[tapeemu.WowFlutter(speed_error_percent=percent), tapeemu.AmplitudeFlutter()])
    chain = Chain(stages=[Stage(processor=inner, mix_percent=40.0)])
    stream = chain.stream(sample_rate=RATE, channels=1)
    block = np.ones((1, 4096))
    tracemalloc.start()
    held = []
    for _ in range(3):
        for _ in range(100):
            stream.process(block)
        held.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert held[2] - held[1] < 20_000  # the sides would have parted by 65 kB and more
