"""Two processors that no preset may name, for rules that the shipped ones cannot break yet: a source, and one that
hears ahead.
"""

from typing import ClassVar

import numpy as np

from tapeemu.processor import Processor, Stream, Traits
from tapeemu.settings import setting
from tapeemu.validation import FloatArray

__all__ = ["Hiss", "HissStream", "PreEcho", "PreEchoStream"]

_SEGMENT = 4096


class Hiss(Processor):
    """White noise on top of the sound: a function of seed, track, channel and place on the tape alone."""

    kind: ClassVar[str] = "dummy_hiss"

    level_dbfs: float = setting(-50.0, "Peak of the noise.", unit="dBFS", ge=-120.0, le=0.0)
    seed: int = setting(0, "Which tape.", ge=0, le=2**63 - 1)

    @property
    def traits(self) -> Traits:
        return Traits(adds_sound=True, tracks_differ=True, channels_differ=True, peak_gain_db=0.01)

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> "HissStream":
        return HissStream(self, sample_rate=sample_rate, channels=channels, start_sample=start_sample, track=track)


class HissStream(Stream):
    def __init__(
        self, settings: Hiss, *, sample_rate: float, channels: int, start_sample: int, track: int
    ) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        self._settings, self._place, self._track = settings, start_sample, track

    def advance(self, block: FloatArray) -> FloatArray:
        out = block.copy()
        peak = 10.0 ** (self._settings.level_dbfs / 20.0)
        done = 0
        while done < block.shape[1]:
            segment, begin = divmod(self._place, _SEGMENT)
            count = min(block.shape[1] - done, _SEGMENT - begin)
            for channel in range(self.channels):
                # Places may be negative, keys may not.
                key = (self._settings.seed, self._track, channel, int(segment < 0), abs(segment))
                noise = np.random.default_rng(key).uniform(-peak, peak, _SEGMENT)
                out[channel, done : done + count] += noise[begin : begin + count]
            self._place += count
            done += count
        return out


class PreEcho(Processor):
    """A faint copy of the sound, early, as print-through makes it; linear, and without noise."""

    kind: ClassVar[str] = "dummy_pre_echo"

    level_db: float = setting(-40.0, "Level of the copy.", unit="dB", ge=-80.0, le=0.0)
    ahead_seconds: float = setting(0.05, "How early it is.", unit="s", gt=0.0, le=2.0)

    @property
    def traits(self) -> Traits:
        return Traits(echoes=True, peak_gain_db=6.1)

    def stream(
        self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0
    ) -> "PreEchoStream":
        return PreEchoStream(self, sample_rate=sample_rate, channels=channels)


class PreEchoStream(Stream):
    def __init__(self, settings: PreEcho, *, sample_rate: float, channels: int) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        self._level_db = settings.level_db
        self.latency = max(round(settings.ahead_seconds * sample_rate), 1)
        self._queue = np.zeros((channels, self.latency))

    def advance(self, block: FloatArray) -> FloatArray:
        both = np.concatenate([self._queue, block], axis=1)
        self._queue = both[:, block.shape[1] :].copy()
        made: FloatArray = both[:, : block.shape[1]] + 10.0 ** (self._level_db / 20.0) * block
        return made

    def lead_samples(self, level_db: float = -60.0) -> int:
        return self.latency if self._level_db > level_db else 0
