"""Stems side by side on one tape: each alone through the chain, but all together where tracks hear each other."""

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Any

import numpy as np

from tapeemu.chain import Chain, ChainStream, Stage
from tapeemu.processor import DelayStream, Processor, Stream
from tapeemu.validation import FloatArray

__all__ = ["MapStems", "StemsApart", "TapeStream", "crossings"]

MapStems = Callable[..., Iterable[FloatArray]]


def crossings(processor: Processor) -> int:
    """How many places away a stem may be heard at most: the tracks that each stage hears, added up."""
    return processor.traits.tracks_heard


class TapeStream(ChainStream):
    """One chain for several stems, whose channels stand side by side as its channels.

    A stage whose processor has the trait `crosses_stems` hears all channels in their order; so does such a stage
    of a chain within the chain. Through every other stage each stem goes alone, on its own track.

    Parameters
    ----------
    chain : Chain
        Stages in order, the same for all stems.
    sample_rate : float
        Samples per second.
    stems : sequence of int
        Channels of each stem, in the order in which they lie across the tape.
    start_sample : int
        Place on the tape of the first sample.
    track : int
        Track of the first stem; each further one lies on the next.
    map_stems : callable
        Called as `map` for what each stem does alone; that of a pool of threads does it for several at a time.
    """

    def __init__(
        self,
        chain: Chain,
        *,
        sample_rate: float,
        stems: Sequence[int],
        start_sample: int = 0,
        track: int = 0,
        map_stems: MapStems = map,
    ) -> None:
        self._stems = tuple(stems)
        self._map_stems = map_stems
        super().__init__(
            chain, sample_rate=sample_rate, channels=sum(stems), start_sample=start_sample, track=track
        )

    def maker(self, stage: Stage) -> Callable[..., Stream]:
        alone = super().maker(stage)
        if not stage.traits.crosses_stems:
            return partial(StemsApart, alone, self._stems, self._map_stems)
        if not isinstance(stage.processor, Chain):
            return alone
        return partial(_inner_tape, stage.processor, stems=self._stems, map_stems=self._map_stems)


def _inner_tape(chain: Chain, *, channels: int, **where: Any) -> TapeStream:
    return TapeStream(chain, **where)


class StemsApart(Stream):
    """Streams of one kind, one for each stem, that know nothing of each other.

    Those that are less late than the latest (one channel may need no look ahead) are delayed, so that the stems
    stay beside each other.

    Parameters
    ----------
    make : callable
        Makes the stream of a stem, given sample rate, channels, place and track.
    stems : sequence of int
        Channels of each stem.
    map_stems : callable
        As for :class:`TapeStream`.
    sample_rate, channels, start_sample, track
        As for :meth:`tapeemu.processor.Processor.stream`; the track is that of the first stem.
    """

    def __init__(
        self,
        make: Callable[..., Stream],
        stems: Sequence[int],
        map_stems: MapStems,
        *,
        sample_rate: float,
        channels: int,
        start_sample: int,
        track: int,
    ) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        self._rows = _rows(stems)
        self._streams = [
            make(sample_rate=sample_rate, channels=count, start_sample=start_sample, track=track + number)
            for number, count in enumerate(stems)
        ]
        self.latency = max(stream.latency for stream in self._streams)
        self.length_ratio = self._streams[0].length_ratio
        self._later = [self._delay_of(stream) for stream in self._streams]
        self._beside = _Beside(stems)
        self._map_stems = map_stems

    def _delay_of(self, stream: Stream) -> Stream | None:
        missing = self.latency - stream.latency
        return DelayStream(missing, sample_rate=stream.sample_rate, channels=stream.channels) if missing else None

    def advance(self, block: FloatArray) -> FloatArray:
        def of_one(stream: Stream, later: Stream | None, rows: slice) -> FloatArray:
            part = stream.advance(block[rows])
            return part if later is None else later.advance(part)

        return self._beside.joined(list(self._map_stems(of_one, self._streams, self._later, self._rows)))

    def tail_samples(self, level_db: float = -60.0) -> int:
        return max(stream.tail_samples(level_db) for stream in self._streams)

    def lead_samples(self, level_db: float = -60.0) -> int:
        return max(stream.lead_samples(level_db) for stream in self._streams)

    def run_in_samples(self) -> int:
        return max(stream.run_in_samples() for stream in self._streams)

    def steady(self) -> list[Stream]:
        paths = [stream.steady() for stream in self._streams]
        for path, later in zip(paths, self._later, strict=True):
            if later is not None:
                channels = later.channels
                path.append(DelayStream(later.latency, sample_rate=self.sample_rate, channels=channels))
        return [_Path(paths, [stream.channels for stream in self._streams], sample_rate=self.sample_rate)]

    def close(self) -> None:
        super().close()
        for stream in self._streams:
            stream.close()


class _Path(Stream):
    """What does to latency and length of each stem what its stream does, see :meth:`Stream.steady`."""

    def __init__(self, paths: list[list[Stream]], stems: Sequence[int], *, sample_rate: float) -> None:
        super().__init__(sample_rate=sample_rate, channels=sum(stems))
        self._paths = paths
        self._rows = _rows(stems)
        self._beside = _Beside(stems)

    def advance(self, block: FloatArray) -> FloatArray:
        parts = []
        for path, rows in zip(self._paths, self._rows, strict=True):
            part = block[rows]
            for stream in path:
                part = stream.advance(part)
            parts.append(part)
        return self._beside.joined(parts)


class _Beside:
    """Puts what comes of each stem beside that of the others.

    At another speed one stem may give a sample more in a block than another, and waits for it.
    """

    def __init__(self, stems: Sequence[int]) -> None:
        self._waiting = [np.zeros((count, 0)) for count in stems]

    def joined(self, parts: Sequence[FloatArray]) -> FloatArray:
        """As many samples as there are of every stem, all channels in a row."""
        if any(waiting.size for waiting in self._waiting):
            parts = [np.concatenate(pair, axis=1) for pair in zip(self._waiting, parts, strict=True)]
        count = min(part.shape[1] for part in parts)
        self._waiting = [part[:, count:].copy() for part in parts]
        return np.concatenate([part[:, :count] for part in parts])


def _rows(stems: Sequence[int]) -> list[slice]:
    ends = np.cumsum(stems).tolist()
    return [slice(end - count, end) for end, count in zip(ends, stems, strict=True)]
