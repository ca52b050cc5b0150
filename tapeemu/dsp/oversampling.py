"""Raise the sample rate around a nonlinearity, and bring it down again, with linear phase.

A nonlinearity makes harmonics without end; those beyond half the rate it runs at fold back. Running it at
a higher rate moves the fold away. The rate is raised in stages, doubling twice and then tripling, because
each later stage has a wider transition band and so needs only a few taps.

All filters are Kaiser-windowed sincs (Kaiser 1974; tap counts by his formula), split into phases so that
no product with an inserted zero, and no sample that would be thrown away, is ever computed.

What it does to the sound, in fractions of the base rate and checked by tests:

- pass band to 0.4535 (21.8 kHz at 48 kHz, 20.0 kHz at 44.1 kHz), flat within 0.0002 dB;
- images of the input and products folded by the way down at least 100 dB down in the pass band; what lies
  above 0.52 of the base rate is gone before the last decimation;
- delay of 100 samples (12 times), 96 (4 times) or 88 (twice), of the base rate, the same at all frequencies.
"""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapeemu.validation import FloatArray

if TYPE_CHECKING:
    from tapeemu.dsp.kernels.oversampling_rows import Down, Up

__all__ = ["CHUNK", "Oversampler", "oversampling_factor"]

CHUNK = 512
"""Most base-rate samples that go through at once."""

_STEEP, _SHORT = 10.5, 11.0
"""Window shapes: for the two filters beside the base rate, and for the short ones above it."""

_LAST_CUTOFF = 0.5 * (0.4535 + 0.52)
"""Middle of the transition band of the last decimation, in fractions of the base rate."""


def oversampling_factor(sample_rate: float) -> int:
    """How many times the base rate a nonlinearity runs at: above 380 kHz at every rate from 32 kHz on.

    Twelve times below 100 kHz, four times below 200 kHz, twice above. Folding depends on the ratio of the
    tone to the top rate, so bounds proved at 48 kHz for tones to 8 kHz hold at another rate for tones to
    one sixth of it as long as the factor is twelve.
    """
    if sample_rate < 100_000:
        return 12
    return 4 if sample_rate < 200_000 else 2


def _windowed_sinc(distance: Any, cutoff: float, half_width: float, shape: float) -> FloatArray:
    """Ideal low-pass (`cutoff` in cycles per unit of `distance`) times a Kaiser window."""
    inside = np.clip(1.0 - (distance / half_width) ** 2, 0.0, None)
    window = np.i0(shape * np.sqrt(inside)) / np.i0(shape)
    taps: FloatArray = 2.0 * cutoff * np.sinc(2.0 * cutoff * distance) * window
    return taps


class Oversampler:
    """State and filters of one way up and one way down, for any number of channels.

    Use: :meth:`rise` fills `high`; the nonlinearity reads ``high[:, :, :n]`` and writes
    ``bent[:, :, offset : offset + n]`` with ``n = count * per_base``; :meth:`fall` brings that down.

    Parameters
    ----------
    factor : int
        12, 4 or 2.
    channels : int
        Number of channels.

    Attributes
    ----------
    high : ndarray, shape (channels, rows, CHUNK * per_base)
        Top-rate input of the nonlinearity. With three rows, row p holds the samples ``3 m + p``.
    bent : ndarray, shape (channels, rows, offset + CHUNK * per_base)
        Top-rate output of the nonlinearity, in the same rows; the first `offset` are history.
    rows, per_base, offset : int
        Number of rows; samples of a row per base sample; first new sample in `bent`.
    latency : int
        Delay of the way up and down together, in base samples.
    """

    def __init__(self, *, factor: int, channels: int) -> None:
        from tapeemu.dsp.kernels import oversampling_rows as kernels

        self._kernels = kernels
        self.factor = factor
        self.rows = 3 if factor == 12 else 1
        self.per_base = min(factor, 4)
        self.offset = kernels.HISTORY_BENT
        self.latency = {12: 100, 4: 96, 2: 88}[factor]

        self.high: FloatArray = np.zeros((channels, self.rows, self.per_base * CHUNK))
        self.bent: FloatArray = np.zeros((channels, self.rows, self.offset + self.per_base * CHUNK))
        self._up = _way_up(channels, self.high)
        self._down = _way_down(channels, self.bent)

    def rise(self, block: FloatArray, start: int, count: int) -> None:
        """Fill `high` from ``block[:, start : start + count]``; `count` is at most CHUNK."""
        self._kernels.rise(block, start, count, self.factor, self._up)

    def fall(self, out: FloatArray, start: int, count: int) -> None:
        """Write ``out[:, start : start + count]`` from the new samples of `bent`."""
        self._kernels.fall(out, start, count, self.factor, self._down)


def _second_taps() -> FloatArray:
    """Taps of the halfband filter between two and four times the rate, innermost first, sum one half."""
    from tapeemu.dsp.kernels import oversampling_rows as kernels

    taps = _windowed_sinc(np.arange(kernels.SECOND_PAIRS) + 0.5, 0.5, kernels.SECOND_PAIRS, _SHORT)
    return np.asarray(taps / (2.0 * taps.sum()))


def _way_up(channels: int, high: FloatArray) -> "Up":
    from tapeemu.dsp.kernels import oversampling_rows as kernels

    first = _windowed_sinc(np.arange(kernels.FIRST_PAIRS) + 0.5, 0.5, kernels.FIRST_PAIRS, _STEEP)
    half = kernels.THIRD_TAPS // 2
    third = _windowed_sinc(np.arange(1 - half, half + 1) - 1.0 / 3.0, 0.5, half, _SHORT)
    return kernels.Up(
        first=np.ascontiguousarray((first / (2.0 * first.sum()))[::-1]),
        second=np.ascontiguousarray(_second_taps()[::-1]),
        third=third / third.sum(),
        x=np.zeros((channels, kernels.HISTORY_X + CHUNK)),
        phase=np.zeros(CHUNK),
        u=np.zeros((channels, kernels.HISTORY_U + 2 * CHUNK)),
        v=np.zeros((channels, kernels.HISTORY_V + 4 * CHUNK)),
        high=high,
    )


def _way_down(channels: int, bent: FloatArray) -> "Down":
    from tapeemu.dsp.kernels import oversampling_rows as kernels

    side = kernels.FALL_SIDE
    third = _windowed_sinc(np.arange(-side, side + 1.0), 1.0 / 6.0, side + 1.0, _SHORT)
    pairs = kernels.LAST_PAIRS
    last = _windowed_sinc(np.arange(2.0 * pairs), 0.5 * _LAST_CUTOFF, 2.0 * pairs, _STEEP)
    last[0] *= 0.5  # the centre is fed twice
    last /= 2.0 * last.sum()
    return kernels.Down(
        third=third / third.sum(),
        center=0.5,
        second=0.5 * _second_taps(),
        even=np.ascontiguousarray(last[::2]),
        odd=np.ascontiguousarray(last[1::2]),
        bent=bent,
        d=np.zeros((channels, 4 * CHUNK)),
        d_even=np.zeros((channels, kernels.HISTORY_D + 2 * CHUNK)),
        d_odd=np.zeros((channels, kernels.HISTORY_D + 2 * CHUNK)),
        c=np.zeros((channels, 2 * CHUNK)),
        c_even=np.zeros((channels, kernels.HISTORY_C + CHUNK)),
        c_odd=np.zeros((channels, kernels.HISTORY_C + CHUNK)),
    )
