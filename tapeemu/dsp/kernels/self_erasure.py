"""What strong sound erases of its own treble while it is recorded: a loss that grows with level and frequency.

The loss in dB is proportional to the frequency and to the mean square of the field, taken over a window of a few
milliseconds that lies around the sound it acts on, so the sound waits for it. A filter that loses 6 dB at 10 kHz
is raised to the power that the level says, as a binomial series of what the filter takes away.
"""

from typing import NamedTuple

from tapeemu.dsp.kernels.arrays import Integers2, Precise, Precises1, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, fade, logarithm
from tapeemu.dsp.kernels.kept_rows import clear_rows, move_to_front
from tapeemu.dsp.kernels.long_filter import (
    FRAME,
    LOW_HALF,
    RAISE_NODES,
    SLACK,
    STEP,
    add_symmetric,
    lower_rate,
    raise_rate,
    symmetric_tap,
    taper,
)
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.wavelength_losses import flattened_frequency

__all__ = [
    "ERASED_HZ",
    "HALF_DB",
    "LEVEL_DELAY",
    "SelfErasure",
    "left_of_sine",
    "self_erasure_clear",
    "self_erasure_design",
    "self_erasure_frame",
    "self_erasure_hear",
    "self_erasure_keep",
    "self_erasure_run",
    "self_erasure_shapes",
]

ERASED_HZ = 10_000.0
"""Frequency at which the loss is told."""

HALF_DB = 6.020599913279624
_LN2 = 0.6931471805599453
_ERASING_HALF = 8
_ERASING_POINTS = 512
_LEVEL_HALF = 16
LEVEL_DELAY = 121 + FRAME + STEP * _LEVEL_HALF
"""Samples by which sound waits for its level."""

_MOST_ERASING = 3.0
_SPLINE = 4
_LINE_KEPT = LEVEL_DELAY + 2 * _ERASING_HALF + STEP


class SelfErasure(NamedTuple):
    """Filters and memory.

    Attributes
    ----------
    taps : ndarray, shape (9,)
        One half of the filter that loses 6 dB at 10 kHz, the middle first.
    level_taps : ndarray, shape (17,)
        One half of the window over which the level is taken.
    lowering, raising : ndarray, shapes (32,) and (4, 8)
        Cubic B-splines of a knot every eight samples, that lower and raise the rate of the level.
    squares, levels, level_nodes : ndarray, shape (channels, kept + slack)
        Squared field, the same at an eighth of the rate, and behind the window.
    erased : ndarray, shape (channels, FRAME)
        How much is erased in the frame, in units of 6 dB at 10 kHz.
    bent, once, twice : ndarray, shape (channels, kept + slack)
        Magnetisation, and what the filter takes from it once and twice.
    thrice : ndarray, shape (1, FRAME)
        Scratch: the same three times.
    """

    taps: Reals1
    level_taps: Reals1
    lowering: Reals1
    raising: Reals2
    squares: Reals2
    levels: Reals2
    level_nodes: Reals2
    erased: Reals2
    bent: Reals2
    once: Reals2
    twice: Reals2
    thrice: Reals2


@kernel()
def self_erasure_shapes(channels: int, shapes: Integers2, row: int) -> int:
    """Write the shapes of the arrays of :class:`SelfErasure` from a row on; gives the row of the next one."""
    row = shape_row(_ERASING_HALF + 1, 1, shapes, row)
    row = shape_row(_LEVEL_HALF + 1, 1, shapes, row)
    row = shape_row(_SPLINE * STEP, 1, shapes, row)
    row = shape_row(_SPLINE, STEP, shapes, row)
    row = shape_row(channels, 3 * LOW_HALF + SLACK, shapes, row)
    row = shape_row(channels, LEVEL_DELAY // STEP + _LEVEL_HALF + 2 * STEP + SLACK // STEP, shapes, row)
    row = shape_row(channels, RAISE_NODES + SLACK // STEP, shapes, row)
    row = shape_row(channels, FRAME, shapes, row)
    for _ in range(3):
        row = shape_row(channels, _LINE_KEPT + SLACK, shapes, row)
    return shape_row(1, FRAME, shapes, row)


@kernel()
def left_of_sine(self_erasure_db: Precise, peak: Precise, f: Precise) -> Precise:
    """What a sine leaves of a frequency in Hz, as a ratio of amplitudes.

    `peak` is that of its field in units of saturation, `self_erasure_db` the loss at 10 kHz with a peak of 1.
    """
    share = min(self_erasure_db / HALF_DB * peak * peak, _MOST_ERASING)
    return exponential(-_LN2 * f / ERASED_HZ * share)


@kernel()
def _design_splines(lowering: Reals1, raising: Reals2) -> None:
    """Cubic B-splines: four means of eight samples in a row, which has no negative weight and adds up to 1."""
    for k in range(lowering.size):
        lowering[k] = 0.0
    middle = lowering.size // 2
    lowering[middle - 14] = 1.0
    for _ in range(_SPLINE):
        for k in range(lowering.size - 1, -1, -1):
            total: Precise = 0.0
            for back in range(min(STEP, k + 1)):
                total += lowering[k - back]
            lowering[k] = total / STEP
    for k in range(_SPLINE):
        for phase in range(STEP):
            place = middle + phase - STEP * (k - 1)
            raising[k, phase] = STEP * lowering[place] if place < lowering.size else 0.0


@kernel()
def self_erasure_design(sample_rate: Precise, scratch: Precises1, memory: SelfErasure) -> None:
    """Design the filter that loses 6 dB at 10 kHz, with a gain of 1 at 0 Hz, and what makes a level.

    Parameters
    ----------
    sample_rate : float
        Samples per second.
    scratch : ndarray, shape (512 or more,)
        Used up.
    memory : SelfErasure
        Gets all but its sound.
    """
    points = scratch[:_ERASING_POINTS]
    held = min(ERASED_HZ, 0.4 * sample_rate)
    steepness: Precise = _LN2 / ERASED_HZ
    # So short a filter rounds the law off at 0 Hz: with a gain of 1 there it would lose too little above.
    for _ in range(4):
        for i in range(_ERASING_POINTS):
            f = flattened_frequency((i + 0.5) * 0.5 * sample_rate / _ERASING_POINTS, sample_rate)
            points[i] = exponential(-steepness * f)
        total: Precise = 0.0
        response: Precise = 0.0
        for n in range(_ERASING_HALF + 1):
            tap = symmetric_tap(points, n) * taper(n, _ERASING_HALF)
            memory.taps[n] = tap
            pair = tap if n == 0 else 2.0 * tap
            total += pair
            response += pair * cosine_of_turns(n * held / sample_rate)
        for n in range(_ERASING_HALF + 1):
            memory.taps[n] = memory.taps[n] / total
        steepness = steepness * _LN2 / ERASED_HZ * held / logarithm(total / response)
    total = 0.0
    for n in range(_LEVEL_HALF + 1):
        tap = fade(1.0 * n, _LEVEL_HALF, 0.0)
        memory.level_taps[n] = tap
        total += tap if n == 0 else 2.0 * tap
    for n in range(_LEVEL_HALF + 1):
        memory.level_taps[n] = memory.level_taps[n] / total
    _design_splines(memory.lowering, memory.raising)


@kernel()
def self_erasure_clear(memory: SelfErasure) -> None:
    """Forget all sound."""
    clear_rows(memory.squares)
    clear_rows(memory.levels)
    clear_rows(memory.level_nodes)
    clear_rows(memory.erased)
    clear_rows(memory.bent)
    clear_rows(memory.once)
    clear_rows(memory.twice)


@kernel()
def self_erasure_keep(channel: int, memory: SelfErasure) -> None:
    """Move what is kept of a channel to the front, when SLACK samples have been written."""
    move_to_front(memory.squares[channel], SLACK)
    move_to_front(memory.levels[channel], SLACK // STEP)
    move_to_front(memory.level_nodes[channel], SLACK // STEP)
    move_to_front(memory.bent[channel], SLACK)
    move_to_front(memory.once[channel], SLACK)
    move_to_front(memory.twice[channel], SLACK)


@kernel()
def self_erasure_hear(channel: int, at: int, share: float, memory: SelfErasure, audio: Reals1) -> None:
    """Take in the field of a channel, whose level decides; ``share * x**2`` is erased, in units of 6 dB at 10 kHz.

    `at` is as for `self_erasure_run`; `audio` has FRAME samples or fewer, all of one frame.
    """
    squares = memory.squares[channel]
    write = squares.shape[0] - SLACK + at
    for i in range(min(audio.shape[0], FRAME)):
        squares[write + i] = share * audio[i] * audio[i]


@kernel()
def _take(line: Reals1, centre: int, taps: Reals1, out: Reals1) -> None:
    """Write what a filter takes away: ``line`` less the line behind it; FRAME samples or fewer."""
    count = min(out.shape[0], FRAME)
    older = line[centre - _ERASING_HALF :]
    newer = line[centre + 1 :]
    middle = line[centre:]
    part = taps[1:]
    rest = 1.0 - taps[0]
    for i in range(count):
        total = rest * middle[i]
        for k in range(_ERASING_HALF):
            total -= part[k] * (older[i + (_ERASING_HALF - 1 - k)] + newer[i + k])
        out[i] = total


@kernel()
def self_erasure_frame(channel: int, at: int, memory: SelfErasure) -> None:
    """Take the level of a channel when a frame is full, and make how much is erased in the next one.

    `at` is as for `self_erasure_run`, at the frame's end.
    """
    squares = memory.squares[channel]
    levels = memory.levels[channel]
    nodes = memory.level_nodes[channel]
    line_end = squares.shape[0] - SLACK + at
    end = levels.shape[0] - SLACK // STEP + at // STEP
    node_end = nodes.shape[0] - SLACK // STEP + at // STEP
    count = FRAME // STEP
    lower_rate(squares, line_end - FRAME + STEP - 1 - LOW_HALF, memory.lowering, levels[end - count : end])
    centre = end - (LEVEL_DELAY - 57) // STEP + STEP
    fresh = nodes[node_end - count : node_end]
    for i in range(count):
        fresh[i] = memory.level_taps[0] * levels[centre + i]
    add_symmetric(levels, centre, 1, memory.level_taps[1:], fresh)
    erased = memory.erased[channel]
    raise_rate(nodes, node_end - count - RAISE_NODES // 2 - 1, memory.raising, erased)
    most: float = _MOST_ERASING
    for i in range(FRAME):
        erased[i] = min(max(erased[i], 0.0), most)


@kernel()
def self_erasure_run(
    channel: int, at: int, latency: int, erases: bool, memory: SelfErasure, audio: Reals1
) -> None:
    """Erase, in place: the filter to the power of what is erased, as a series of what it takes away.

    Parameters
    ----------
    channel : int
        Which channel.
    at : int
        Samples written since what is kept was moved.
    latency : int
        Samples by which the magnetisation is later than the field whose level was taken.
    erases : bool
        If not, sound is only delayed.
    memory : SelfErasure
        Designed; changed in place.
    audio : ndarray, shape (samples,)
        FRAME or fewer, all of one frame; comes out late by LEVEL_DELAY, `latency` included.
    """
    count = min(audio.shape[0], FRAME)
    bent = memory.bent[channel]
    once = memory.once[channel]
    twice = memory.twice[channel]
    write = bent.shape[0] - SLACK + at
    for i in range(count):
        bent[write + i] = audio[i]
    delay = LEVEL_DELAY - latency
    centre = write - delay
    if not erases:
        for i in range(count):
            audio[i] = bent[centre + i]
    else:
        fresh = write - _ERASING_HALF
        _take(bent, fresh, memory.taps, once[write : write + count])
        _take(once, fresh, memory.taps, twice[write : write + count])
        # The third time at the moment that is let out, where the second is late by two halves.
        thrice = memory.thrice[0, :count]
        _take(twice, centre + 2 * _ERASING_HALF, memory.taps, thrice)
        erased = memory.erased[channel]
        within = at % FRAME
        for i in range(count):
            r = erased[within + i]
            first = once[centre + _ERASING_HALF + i]
            second = twice[centre + 2 * _ERASING_HALF + i]
            square = 0.5 * r * (r - 1.0)
            cube = square * (r - 2.0) * (1.0 / 3.0)
            total = bent[centre + i]
            total -= r * first
            total += square * second
            total -= cube * thrice[i]
            audio[i] = total
