"""Bypass at random samples: no click, and the dry sound as late as the wet one."""

import random
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

RATE, SAMPLES, SOFT = 48_000.0, 48_000, 6_000
TAKEN_OVER = 2 * 1_442  # 30 ms and a sample, there and back


def wave() -> npt.NDArray[np.float64]:
    """A sine at full scale that begins softly. A step from wet to dry would be at up to 0 dBFS."""
    rise = np.sin(np.minimum(np.arange(SAMPLES) / SOFT, 1.0) * np.pi / 2.0) ** 2
    return np.tile(rise * np.sin(2.0 * np.pi * 100.0 * np.arange(SAMPLES) / RATE), (2, 1))


def turns() -> Sequence[int]:
    """Samples at which it is switched, off and on by turns."""
    return sorted(random.Random(8).sample(range(12_000, 44_000), 6))


def check_bypass(heard: npt.NDArray[np.floating], audio: npt.NDArray[np.floating], late: int) -> None:
    """No click above -100 dBFS, and the input itself, late by the latency, wherever it is bypassed."""
    spectrum = np.fft.rfft(heard[0, SOFT:] * np.blackman(SAMPLES - SOFT))
    spectrum[: int(5_000 * (SAMPLES - SOFT) / RATE)] = 0.0
    assert np.max(np.abs(np.fft.irfft(spectrum))) < 1e-5
    dry = np.pad(audio, ((0, 0), (late, 0)))[:, :SAMPLES]
    passed = 0
    for turn, back in zip(turns()[::2], turns()[1::2], strict=True):
        assert np.array_equal(heard[:, turn + TAKEN_OVER : back], dry[:, turn + TAKEN_OVER : back])
        passed += max(back - turn - TAKEN_OVER, 0)
    assert passed > 5_000


def played_with_bypass(
    process: Callable[[npt.NDArray[np.float32]], npt.NDArray[np.float32]], switch: Callable[[bool], None]
) -> npt.NDArray[np.float32]:
    """Blocks up to each turn; `switch` is called between them, with True to bypass."""
    audio, ends = wave().astype(np.float32), [*turns(), SAMPLES]
    parts, at = [], 0
    for number, end in enumerate(ends):
        parts += [process(audio[:, k : min(k + 4_000, end)]) for k in range(at, end, 4_000)]
        switch(number % 2 == 0)
        at = end
    return np.concatenate(parts, axis=1)
