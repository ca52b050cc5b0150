"""The curve of the magnetisation at four times the sample rate, and closer where the field moves fast.

How fast the harmonics of a bent sound fall is told by the field's steps: the tangent's poles lie ``pi / 2`` off
the real axis, so what turns up at a frequency F is about ``exp(-pi^2 F / s)`` for a field that moves by `s` in a
second. At four times the rate that is 120 dB down, where it would fold into the pass band, while the field moves
by no more than 0.45 from one sample to the next: nearly always, for bass moves slowly and treble is seldom loud.
In a frame in which it moves faster more samples are set between these, as many as full scale at 20 kHz may need
behind the record equaliser; they are bent, and brought down again by the filter that set them.

A frame that is followed closely fades into one that is not, so that what both ways differ by above the pass band
is not switched. All that a frame's way depends on is the sound in the frames beside it, which lie on a fixed grid
of the tape: neither the cut of the input nor other channels matter, and the delay is always the same.
"""

import math
from typing import NamedTuple

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.drive import driven
from tapeemu.dsp.kernels.elementary import fade, logarithm
from tapeemu.dsp.kernels.kept_rows import clear_rows, move_to_front
from tapeemu.dsp.kernels.long_filter import FRAME
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.oversampling import (
    HISTORY_HIGH,
    OVERSAMPLER_ARRAYS,
    Oversampler,
    fall_softly,
    oversampler_clear,
    oversampler_design,
    oversampler_shapes,
    rise,
    soft_latency,
    windowed_sinc,
)

__all__ = [
    "CloserCurve",
    "closer_curve_clear",
    "closer_curve_delay",
    "closer_curve_design",
    "closer_curve_follow",
    "closer_curve_frame",
    "closer_curve_shapes",
    "closer_times",
]

_FACTOR = 4
_COLUMNS = _FACTOR * FRAME
_TAPS = 10
_BEFORE = 4
_SHARPNESS = 11.0
_MARGIN = 2 * _TAPS
_LINE = 2 * _COLUMNS + _MARGIN
_CALM_STEP = 0.45
_MOST_TIMES = 24
_HIGHEST_HZ = 20_000.0
_NEPERS = 11.5
_NEPERS_PER_DB = 0.11512925464970229
_HALF_PI = 1.5707963267948966


class CloserCurve(NamedTuple):
    """Filters and memory.

    Attributes
    ----------
    times : ndarray, shape (1,)
        At how many places it is followed where it is followed closely, for one at four times the rate.
    taps : ndarray, shape (24 * 10,)
        What sets samples between others: ten for each place, the first of which is no place between. In one
        row, so that their step is a constant: where clang does not know a step it guesses one number, and a
        loop that follows runs unvectorised when that is wrong.
    weights : ndarray, shape (4 * FRAME,)
        How much of the closer way there is in a frame that fades from the one to the other.
    waiting, bent : ndarray, shape (channels, FRAME)
        A frame that is filled, and what the one before it came out as.
    field : ndarray, shape (channels, 2 * 4 * FRAME + 20)
        Field at four times the rate: the frame that comes next, and the one that is heard ahead.
    fast : ndarray, shape (channels, 3)
        Whether it moves fast in the last three frames, 1 or 0, the latest last.
    row, closer : ndarray, shapes (1, 4 * FRAME + 20) and (1, 4 * FRAME)
        Scratch: samples at one place between others, and what comes of all.
    over : Oversampler
        The way up and down.
    """

    times: Integers1
    taps: Reals1
    weights: Reals1
    waiting: Reals2
    bent: Reals2
    field: Reals2
    fast: Integers2
    row: Reals2
    closer: Reals2
    over: Oversampler


@kernel()
def closer_times(largest: Precise, boost_db: Precise, sample_rate: Precise) -> int:
    """How many times four times the rate a curve must run at, for a tone at 20 kHz that reaches `largest` into it.

    Harmonic k of it is ``exp(-k asinh(pi / (2 g)))`` times the first, but for slow factors. The first that folds
    into the pass band shall be 100 dB down, and by as much more as the treble is raised, for replay lowers it
    again, but not what has folded to the bass.

    Parameters
    ----------
    largest : float
        Largest field, in units of saturation.
    boost_db : float
        By how much treble is raised.
    sample_rate : float
        Samples per second.

    Returns
    -------
    int
        3, 6, 12 or 24.
    """
    x = _HALF_PI / largest
    fall = logarithm(x + math.sqrt(1.0 + x * x))
    needed = (_NEPERS + _NEPERS_PER_DB * max(boost_db, 0.0)) / fall
    top = min(_HIGHEST_HZ, 0.45 * sample_rate)
    times = 3
    while times < _MOST_TIMES and (_FACTOR * times * sample_rate - top) / top < needed:
        times = 2 * times
    return times


@kernel()
def closer_curve_delay() -> int:
    """Samples by which the curve is late: the way up and down, the frame that fills, and the one heard ahead."""
    return soft_latency(_FACTOR) + 2 * FRAME


@kernel()
def closer_curve_shapes(channels: int, shapes: Integers2, row: int) -> int:
    """Write the shapes of the arrays of :class:`CloserCurve` from a row on; gives the row of the next one."""
    row = shape_row(1, 1, shapes, row)
    row = shape_row(_MOST_TIMES * _TAPS, 1, shapes, row)
    row = shape_row(_COLUMNS, 1, shapes, row)
    row = shape_row(channels, FRAME, shapes, row)
    row = shape_row(channels, FRAME, shapes, row)
    row = shape_row(channels, _LINE, shapes, row)
    row = shape_row(channels, 3, shapes, row)
    row = shape_row(1, _COLUMNS + _MARGIN, shapes, row)
    row = shape_row(1, _COLUMNS, shapes, row)
    oversampler_shapes(_FACTOR, channels, row, shapes)
    return row + OVERSAMPLER_ARRAYS


@kernel()
def closer_curve_follow(times: int, memory: CloserCurve) -> None:
    """Follow fast fields at as many places as :func:`closer_times` says, from the next frame on."""
    memory.times[0] = times
    for place in range(times):
        total: Precise = 0.0
        for k in range(_TAPS):
            total += windowed_sinc(k - _BEFORE - place / times, 0.5, 0.5 * _TAPS, _SHARPNESS)
        for k in range(_TAPS):
            tap = windowed_sinc(k - _BEFORE - place / times, 0.5, 0.5 * _TAPS, _SHARPNESS)
            memory.taps[_TAPS * place + k] = tap / total


@kernel()
def closer_curve_design(times: int, memory: CloserCurve) -> None:
    """Fill the plan, for as many places as :func:`closer_times` says."""
    closer_curve_follow(times, memory)
    for i in range(_COLUMNS):
        memory.weights[i] = fade(i + 0.5, 0.0, 1.0 * _COLUMNS)
    oversampler_design(_FACTOR, memory.over)


@kernel()
def closer_curve_clear(memory: CloserCurve) -> None:
    """Forget all sound."""
    clear_rows(memory.waiting)
    clear_rows(memory.bent)
    clear_rows(memory.field)
    for channel in range(memory.fast.shape[0]):
        for k in range(3):
            memory.fast[channel, k] = 0
    oversampler_clear(memory.over)


@kernel()
def _moves_fast(field: Reals1) -> int:
    """Whether the field moves by more than what four times the rate can follow, in the latest frame: 1 or 0."""
    first = _LINE - _COLUMNS
    most = 0.0
    for i in range(_COLUMNS):
        most = max(most, abs(field[first + i] - field[first - 1 + i]))
    return 1 if most > _CALM_STEP else 0


@kernel()
def _bend_plainly(field: Reals1, out: Reals1) -> None:
    """Bend the frame before the latest one."""
    first = _LINE - 2 * _COLUMNS
    for i in range(_COLUMNS):
        out[i] = driven(field[first + i], 0.0)


@kernel()
def _bend_closely(memory: CloserCurve, field: Reals1) -> None:
    """Bend the frame before the latest one at as many places as there are taps for, into ``memory.closer``."""
    row = memory.row[0]
    out = memory.closer[0]
    times = int(memory.times[0])
    share = 1.0 / times
    for i in range(_COLUMNS):
        out[i] = 0.0
    # Of the row number 0 lies `_BEFORE` and one more before the frame, and reads as many before that.
    first = _LINE - 2 * _COLUMNS - (_BEFORE + 1)
    for place in range(times):
        taps = memory.taps[_TAPS * place : _TAPS * (place + 1)]
        older = field[first - _BEFORE :]
        for i in range(_COLUMNS + _TAPS):
            total = 0.0
            for k in range(_TAPS):
                total += taps[k] * older[i + k]
            row[i] = driven(total, 0.0)
        for i in range(_COLUMNS):
            total = 0.0
            for k in range(_TAPS):
                total += taps[_TAPS - 1 - k] * row[i + k]
            out[i] += total
    for i in range(_COLUMNS):
        out[i] = share * out[i]


@kernel()
def closer_curve_frame(channel: int, memory: CloserCurve) -> None:
    """Take a full frame of a channel, and bend the one before it by the tangent.

    Parameters
    ----------
    channel : int
        Which channel; its frame of the field, in units of saturation, stands in ``memory.waiting``.
    memory : CloserCurve
        Designed; changed in place. ``memory.bent`` gets FRAME samples, which are late by
        :func:`closer_curve_delay` when they are taken one by one as the next frame fills.
    """
    over = memory.over
    high = over.high[channel, 0]
    field = memory.field[channel]
    fast = memory.fast[channel]
    rise(memory.waiting[channel], channel, over)
    move_to_front(field, _COLUMNS)
    for i in range(_COLUMNS):
        field[_LINE - _COLUMNS + i] = high[HISTORY_HIGH + i]
    fast[0] = fast[1]
    fast[1] = fast[2]
    fast[2] = _moves_fast(field)
    begins = max(fast[0], fast[1])
    ends = max(fast[1], fast[2])
    made = high[HISTORY_HIGH:]
    if begins == 0 or ends == 0:
        _bend_plainly(field, made)
    if begins == 1 or ends == 1:
        _bend_closely(memory, field)
        closer = memory.closer[0]
        if begins == 1 and ends == 1:
            for i in range(_COLUMNS):
                made[i] = closer[i]
        elif ends == 1:
            for i in range(_COLUMNS):
                made[i] += memory.weights[i] * (closer[i] - made[i])
        else:
            for i in range(_COLUMNS):
                made[i] += memory.weights[_COLUMNS - 1 - i] * (closer[i] - made[i])
    fall_softly(channel, over, memory.bent[channel])
