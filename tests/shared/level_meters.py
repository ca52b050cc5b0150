"""A meter of loudness that has heard a recording, block by block."""

import numpy as np

from tapeemu.rendering.loudness import LevelMeter

RATE = 48_000


def meter_of(audio: np.ndarray, rate: int = RATE, block: int = 7777, mask: int = 0) -> LevelMeter:
    meter = LevelMeter(sample_rate=rate, channels=audio.shape[0], channel_mask=mask)
    for start in range(0, audio.shape[1], block):
        meter.add(audio[:, start : start + block])
    return meter
