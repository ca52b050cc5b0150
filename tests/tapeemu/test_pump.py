"""Feed blocks, drop the latency, drain the tail: against streams whose output is known on paper."""

import ast
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import tapeemu
from tapeemu.processor import DelayStream
from tapeemu.pump import aligned_blocks, aligned_length, cut
from tapeemu.validation import FloatArray

PACKAGE = Path(tapeemu.__file__).parent


class Every:
    """Repeats or drops samples: sample n of the output is sample floor((n - latency) / ratio) of the input.

    Has nothing but the public face of a stream, and keeps the lengths of what it was fed.
    """

    def __init__(self, ratio: float, latency: int) -> None:
        self.length_ratio = ratio
        self.latency = latency
        self.fed: list[int] = []
        self._heard: FloatArray = np.zeros((1, 0))
        self._made = 0

    def process(self, block: Any) -> Any:
        self.fed.append(block.shape[-1])
        self._heard = np.concatenate([self._heard, block], axis=1)
        return self._up_to(round(self._heard.shape[1] * self.length_ratio))

    def flush(self, tail_samples: int = 0) -> FloatArray:
        assert tail_samples >= 0
        self.fed.append(tail_samples)
        end = self.latency + round(self._heard.shape[1] * self.length_ratio) + tail_samples
        return self._up_to(end)

    def _up_to(self, end: int) -> FloatArray:
        at = np.floor((np.arange(self._made, end) - self.latency) / self.length_ratio).astype(int)
        self._made = end
        inside = (at >= 0) & (at < self._heard.shape[1])
        return np.where(inside, self._heard[:, np.where(inside, at, 0)], 0.0)


def recording(samples: int) -> FloatArray:
    return np.arange(1.0, samples + 1.0)[None, :]


@pytest.mark.parametrize("ratio", [1.0, 0.97, 1.03])
@pytest.mark.parametrize("latency", [0, 1, 700])
@pytest.mark.parametrize("tail", [0, 1, 50, 3000])
@pytest.mark.parametrize("samples", [1, 63, 64, 1000])
def test_what_comes_out_lies_where_it_was(ratio: float, latency: int, tail: int, samples: int) -> None:
    stream = Every(ratio, latency)
    audio = recording(samples)
    blocks = aligned_blocks(stream, cut(audio, 64), tail_samples=tail, silence_samples=64)
    result = np.concatenate(list(blocks), axis=1)
    assert result.shape[1] == aligned_length(stream, samples, tail) == round(samples * ratio) + tail
    at = np.floor(np.arange(result.shape[1]) / ratio).astype(int)
    expected = np.where(at < samples, audio[0, np.minimum(at, samples - 1)], 0.0)
    np.testing.assert_array_equal(result[0], expected)
    assert max(stream.fed) <= 64  # no tail is held in memory at once


@pytest.mark.parametrize("shape", [(5000,), (1, 5000), (3, 5000)])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_shape_and_type_stay(shape: tuple[int, ...], dtype: type, rng: np.random.Generator) -> None:
    audio = rng.uniform(-1.0, 1.0, shape).astype(dtype)
    stream = DelayStream(777, sample_rate=48_000, channels=1 if len(shape) == 1 else shape[0])
    blocks = list(aligned_blocks(stream, cut(audio, 999), tail_samples=2500, silence_samples=400))
    assert {block.dtype for block in blocks} == {np.dtype(dtype)}
    result = np.concatenate(blocks, axis=-1)
    np.testing.assert_array_equal(result[..., :5000], audio)
    assert result.shape == (*shape[:-1], 7500)
    assert not result[..., 5000:].any()


def test_of_nothing_comes_the_tail() -> None:
    stream = DelayStream(10, sample_rate=48_000, channels=2)
    blocks = aligned_blocks(stream, cut(np.zeros((2, 0)), 64), tail_samples=100, silence_samples=64)
    assert np.concatenate(list(blocks), axis=1).shape == (2, 100)


def test_a_recording_in_blocks_is_the_recording() -> None:
    assert [block.shape[1] for block in cut(recording(10), 4)] == [4, 4, 2]
    assert [block.shape[1] for block in cut(recording(8), 4)] == [4, 4]
    assert [block.shape[1] for block in cut(np.zeros((1, 0)), 4)] == [0]


def test_there_is_one_pump() -> None:
    """Nobody else feeds and drains a stream; a chain is streams within a stream, and so is a tape of stems."""
    users = set()
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
            if called.startswith("super()."):
                continue
            if called.endswith((".process", ".drain", "stream.advance", "stream.flush")):
                users.add(path.relative_to(PACKAGE).as_posix())
    assert users == {"pump.py", "processor.py", "chain.py", "rendering/tape_stream.py"}
