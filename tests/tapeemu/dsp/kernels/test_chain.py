"""The flat list of steps, run here with the streams of Python, does to every bit what a chain of chains does."""

import random
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import tapeemu
from tapeemu import Chain, Stage
from tapeemu.dsp.kernels import chain as kernels
from tapeemu.processor import DelayStream, Processor, Stream

RATE = 48_000.0

PROCESSORS: list[Processor] = [
    tapeemu.PreampDrive(drive_db=12.0),
    tapeemu.FdnReverb(decay_seconds=0.3, lines=8),
    tapeemu.AmplitudeFlutter(mode="spacing", dropouts_per_minute=600.0),
    tapeemu.AmplitudeFlutter(channel_correlation=0.3),
    tapeemu.WowFlutter(),
    tapeemu.WowFlutter(speed_error_percent=1.7),
    tapeemu.WowFlutter(speed_error_percent=-2.9, weighted_flutter_percent=0.0),
]


def flattened(chain: Chain, first: int = 0) -> tuple[list[Processor], list[tuple[int, int, float]]]:
    """Stages in order, and the groups of them, the outer ones first."""
    stages: list[Processor] = []
    groups: list[tuple[int, int, float]] = []
    for stage in chain:
        if stage.bypass:
            continue
        here = first + len(stages)
        if isinstance(stage.processor, Chain):
            inner, deeper = flattened(stage.processor, here)
            if inner:
                groups += [(here, here + len(inner), stage.mix_percent / 100.0), *deeper]
            stages += inner
        else:
            if stage.mix_percent < 100.0:
                groups.append((here, here + 1, stage.mix_percent / 100.0))
            stages.append(stage.processor)
    return stages, groups


class Steps:
    """A chain run by its list of steps, as a C program runs it."""

    def __init__(self, chain: Chain, *, channels: int, start_sample: int) -> None:
        self.channels = channels
        self.stages, groups = flattened(chain)
        plain = [stage.stream(sample_rate=RATE, channels=channels) for stage in self.stages]
        self.settings = kernels.ChainSettings(
            latencies=np.array([stream.latency for stream in plain], dtype=np.int64),
            still_latencies=np.array([stream.steady()[0].latency for stream in plain], dtype=np.int64),
            ratios=np.array([stream.length_ratio for stream in plain]),
            groups=np.array([group[:2] for group in groups], dtype=np.int64).reshape(-1, 2),
            shares=np.array([group[2] for group in groups], dtype=np.float64),
        )
        shapes = np.zeros((9, 3), dtype=np.int64)
        kernels.shape_chain(self.settings, channels, shapes)
        types = [np.int64, np.int64, np.float64, np.float64, np.int64, np.float64, np.int64, np.float64, np.int64]
        ranks = [2, 1, 1, 1, 2, 2, 2, 1, 1]
        fields: Any = [
            np.zeros(tuple(row[:rank]), dtype=kind) for row, rank, kind in zip(shapes, ranks, types, strict=True)
        ]
        self.memory = kernels.ChainMemory(*fields)
        kernels.plan_chain(self.settings, start_sample, self.memory)
        starts = [int(start) for start in self.memory.starts]
        self.streams: list[Stream] = [
            stage.stream(sample_rate=RATE, channels=channels, start_sample=start)
            for stage, start in zip(self.stages, starts, strict=True)
        ]
        self.stills: dict[int, Stream] = {}
        for place, (step, _, number) in enumerate(self.steps()):
            if step == kernels.STILL:
                self.stills[place] = self.streams[number].steady()[0]

    def steps(self) -> Iterator[tuple[int, int, int]]:
        for row in self.memory.steps.tolist():
            if row[0] == kernels.END:
                return
            yield tuple(row)
        raise AssertionError("there is no end")

    def process(self, block: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        current = block.copy()
        dry: dict[int, npt.NDArray[np.float64]] = {}
        for place, (step, level, number) in enumerate(self.steps()):
            if step == kernels.PROCESS:
                current = self.streams[number].advance(current)
            elif step == kernels.KEEP:
                assert level < self.memory.totals[kernels.LEVELS]
                dry[level] = np.empty_like(current)
                kernels.keep_block(current, dry[level])
            elif step == kernels.DELAY:
                kernels.delay_step(self.memory, number, dry[level])
            elif step == kernels.STILL:
                dry[level] = self.stills[place].advance(dry[level])
            else:
                assert step == kernels.MIX
                kernels.mix_blocks(float(self.memory.shares[number]), dry.pop(level), current)
        return current


def some_chain(draw: random.Random, depth: int = 0) -> Chain:
    stages = []
    for number in range(draw.randint(0 if depth else 1, 3)):
        inner: Processor
        inner = some_chain(draw, depth + 1) if depth < 3 and draw.random() < 0.4 else draw.choice(PROCESSORS)
        mix = draw.choice([100.0, 100.0, 70.0, 33.3, 0.0])
        stages.append(Stage(processor=inner, name=str(number), mix_percent=mix, bypass=draw.random() < 0.1))
    return Chain(stages)


@settings(max_examples=15, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    start=st.sampled_from([0, -70_001, 1_728_000_000]),
    channels=st.sampled_from([1, 2]),
)
def test_steps_do_what_nested_streams_do(seed: int, start: int, channels: int) -> None:
    chain = some_chain(random.Random(seed))
    audio = 0.1 * np.random.default_rng(seed).standard_normal((channels, 6_000))
    stream = chain.stream(sample_rate=RATE, channels=channels, start_sample=start)
    steps = Steps(chain, channels=channels, start_sample=start)
    assert steps.memory.totals[kernels.LATENCY] == stream.latency
    assert steps.memory.totals[kernels.LENGTH_RATIO] == stream.length_ratio
    for piece in np.array_split(audio, [0, 1, 65, 3_000], axis=1):
        np.testing.assert_array_equal(steps.process(np.ascontiguousarray(piece)), stream.process(piece))


def test_a_place_behind_another_speed_is_the_nearest_whole_sample() -> None:
    for place, ratio, behind in (
        (2**62 + 1, 1.0, 2**62 + 1),
        (5, 0.5, 2),
        (7, 0.5, 4),
        (-5, 0.5, -2),
        (-7, 0.5, -4),
        (100, 1.016, 102),
        (-100, 0.974, -97),
    ):
        assert kernels.place_behind(place, ratio) == behind


@pytest.mark.parametrize("delay", [0, 1, 5, 100])
def test_a_delay_delays_in_place_and_in_any_blocks(delay: int, rng: np.random.Generator) -> None:
    audio = rng.standard_normal((2, 300))
    wanted = DelayStream(delay, sample_rate=RATE, channels=2).advance(audio)
    line, place = np.zeros((2, delay + 3)), 0
    parts = [part.copy() for part in np.array_split(audio, [1, 1, 8, 120], axis=1)]
    for part in parts:
        place = kernels.delay_block(line, 2, delay, place, part, part)
    np.testing.assert_array_equal(np.concatenate(parts, axis=1), wanted)
    assert not line[:, [0, 1, -1]].any()


def test_a_reset_silences_what_waits() -> None:
    chain = Chain([Stage(processor=PROCESSORS[2], mix_percent=50.0)])
    steps = Steps(chain, channels=1, start_sample=0)
    steps.process(np.ones((1, 50)))
    assert steps.memory.lines.any()
    kernels.reset_chain(steps.memory)
    assert not steps.memory.lines.any()
    assert not steps.memory.rings[:, 2].any()
