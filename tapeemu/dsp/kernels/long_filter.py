"""A filter of linear phase over ten octaves: short filters at three rates, each an eighth of the one before.

The fastest has the response from treble down to where its length ends, and a further group of taps on each side
for what comes early and late, as from the edges of a head. What it leaves of the response asked for, below a
third of the next rate, is the next one's target; so the sum of the three has the response asked for. The delay is
the same at all frequencies.

Sound is worked on in frames of FRAME samples, on a grid of the tape; what the lower rates add to a
frame is made when it begins, so that blocks may be cut anywhere.
"""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.dot_products import dot_product
from tapeemu.dsp.kernels.elementary import cosine_of_turns, fade
from tapeemu.dsp.kernels.kept_rows import clear_rows, move_to_front
from tapeemu.dsp.kernels.lanes import eight_lanes
from tapeemu.dsp.kernels.oversampling import windowed_sinc
from tapeemu.dsp.kernels.small_systems import factorise, solve_factorised

__all__ = [
    "FRAME",
    "HALF",
    "LONG_FILTER_ARRAYS",
    "LOW_HALF",
    "RAISE_NODES",
    "REACH",
    "SIDE",
    "SLACK",
    "SLOW_STEP",
    "STEP",
    "LongFilter",
    "add_symmetric",
    "design_lowpass",
    "fit_fast",
    "long_filter_clear",
    "long_filter_delay",
    "long_filter_design",
    "long_filter_frame",
    "long_filter_keep",
    "long_filter_run",
    "long_filter_shapes",
    "lower_rate",
    "pair_response",
    "raise_rate",
    "symmetric_tap",
    "taper",
]

FRAME = 128
"""Samples of a frame: a multiple of the slowest rate's step."""

SLACK = 2048
"""Samples after which what is kept is moved to the front: a multiple of FRAME."""

STEP = 8
SLOW_STEP = 64
HALF = 48
SIDE = 40
"""Taps on one side of the middle, and of each side group, at 48 kHz; multiples of eight, as all lengths are."""

LOW_HALF = 64
RAISE_NODES = 16
_LOW_SHAPE = 10.0
_AT_ONCE = 8
"""Taps on one side of the filter that lowers a rate, and numbers that one between them is made of."""

REACH, PASSED = 0.27, 0.30
"""Share of a rate up to which it corrects, and from which on it leaves everything alone."""

_BELOW_REACH = 1e-4
_FADED = 48

SIDE_AT, MIDDLE_HALF, SLOW_HALF, DELAY = 0, 1, 2, 3
_PLAN = 4
_MIDDLE_FRAME = FRAME // STEP
_SLOW_FRAME = FRAME // SLOW_STEP
_FILTERED = _SLOW_FRAME + RAISE_NODES - 1
_MIDDLE_SLACK = SLACK // STEP
_SLOW_SLACK = SLACK // SLOW_STEP
_8 = np.uintp(8)
LONG_FILTER_ARRAYS = 13
"""Arrays in the group below."""


class LongFilter(NamedTuple):
    """Filters and memory.

    Attributes
    ----------
    plan : ndarray, shape (4,)
        Distance of the first side tap (0 for none), half lengths of the two slower filters, delay in samples.
    fast, side, middle, slow : ndarray
        One half of each filter, the middle tap first; of the side groups the later one.
    lowpass : ndarray, shape (2 * LOW_HALF,)
        Filter that lowers a rate by eight.
    raising : ndarray, shape (16, 8)
        Taps that raise it again, one column a phase.
    line, middles, slows, nodes : ndarray, shape (channels, kept + slack)
        Input at the three rates, and output of both slower filters at the middle rate.
    filtered : ndarray, shape (channels, 17)
        Output of the slow filter.
    added : ndarray, shape (channels, FRAME)
        What the lower rates add to the frame.
    """

    plan: Integers1
    fast: Reals1
    side: Reals1
    middle: Reals1
    slow: Reals1
    lowpass: Reals1
    raising: Reals2
    line: Reals2
    middles: Reals2
    slows: Reals2
    nodes: Reals2
    filtered: Reals2
    added: Reals2


@kernel()
def long_filter_delay(fast_end: int, middle_half: int, slow_half: int) -> int:
    """Delay in samples: that of the slowest path, and it is one more than a multiple of 64."""
    slow = 1089 + FRAME + SLOW_STEP * slow_half
    middle = 121 + FRAME + STEP * middle_half
    longest = max(max(slow, middle), fast_end)
    return (longest - 1 + SLOW_STEP - 1) // SLOW_STEP * SLOW_STEP + 1


@kernel()
def _kept_line(plan_delay: int, fast_end: int) -> int:
    """Samples of the input that are kept."""
    return plan_delay + fast_end + 2 * LOW_HALF


@kernel()
def _kept_middles(delay: int, middle_half: int) -> int:
    """Samples of an eighth of the rate that are kept."""
    return (delay - 57) // STEP + middle_half + 2 * LOW_HALF + STEP


@kernel()
def _kept_slows(delay: int, slow_half: int) -> int:
    """Samples of a 64th of the rate that are kept."""
    return (delay - 577) // SLOW_STEP + slow_half + 2 * RAISE_NODES


@kernel()
def long_filter_shapes(
    fast_half: int,
    side: int,
    fast_end: int,
    middle_half: int,
    slow_half: int,
    channels: int,
    first: int,
    shapes: Integers2,
) -> None:
    """Write the shapes of a :class:`LongFilter`.

    Parameters
    ----------
    fast_half, side : int
        Taps at the sample rate on one side of the middle, and of each side group; multiples of eight.
    fast_end : int
        Distance from the middle at which they end.
    middle_half, slow_half : int
        Half lengths of the slower filters, multiples of eight.
    channels : int
    first : int
        Row of the first array.
    shapes : ndarray
        Gets the rows.
    """
    for row in range(first, first + LONG_FILTER_ARRAYS):
        for axis in range(3):
            shapes[row, axis] = 1
    delay = long_filter_delay(fast_end, middle_half, slow_half)
    shapes[first, 0] = _PLAN
    shapes[first + 1, 0] = fast_half + 1
    shapes[first + 2, 0] = side
    shapes[first + 3, 0] = middle_half + 1
    shapes[first + 4, 0] = slow_half + 1
    shapes[first + 5, 0] = 2 * LOW_HALF
    shapes[first + 6, 0] = RAISE_NODES
    shapes[first + 6, 1] = STEP
    for row in range(first + 7, first + LONG_FILTER_ARRAYS):
        shapes[row, 0] = channels
    shapes[first + 7, 1] = _kept_line(delay, fast_end) + SLACK
    shapes[first + 8, 1] = _kept_middles(delay, middle_half) + _MIDDLE_SLACK
    shapes[first + 9, 1] = _kept_slows(delay, slow_half) + _SLOW_SLACK
    shapes[first + 10, 1] = RAISE_NODES + _MIDDLE_SLACK
    shapes[first + 11, 1] = _FILTERED
    shapes[first + 12, 1] = FRAME


@kernel()
def design_lowpass(lowpass: Reals1, raising: Reals2) -> None:
    """Design the filter between two rates: 100 dB from 0.7 of the lower rate on, flat to 0.3 of it.

    Parameters
    ----------
    lowpass : ndarray, shape (2 * LOW_HALF,)
        Gets the taps; the first is zero, so that the middle is the one of number LOW_HALF.
    raising : ndarray, shape (16, 8)
        Gets the same taps for each phase, eight times as high.
    """
    total: Precise = 0.0
    width: Precise = LOW_HALF
    for k in range(2 * LOW_HALF):
        distance: Precise = k - LOW_HALF
        total += windowed_sinc(distance, 0.0625, width, _LOW_SHAPE)
    for k in range(2 * LOW_HALF):
        distance = 1.0 * (k - LOW_HALF)
        lowpass[k] = windowed_sinc(distance, 0.0625, width, _LOW_SHAPE) / total
    for phase in range(STEP):
        for k in range(RAISE_NODES):
            distance = 1.0 * (phase - STEP * (k - 7))
            raising[k, phase] = STEP * windowed_sinc(distance, 0.0625, width, _LOW_SHAPE) / total


@kernel()
def taper(distance: int, half: int) -> Precise:
    """Window of a filter: 1 to half of its length, then a squared cosine to nothing."""
    place: Precise = distance
    u = min(max((2.0 * place - half) / (half + 2.0), 0.0), 1.0)
    return 0.5 + 0.5 * cosine_of_turns(0.5 * u)


@kernel()
def symmetric_tap(gains: Precises1, distance: int) -> Precise:
    """Tap of the symmetric filter that has these gains at the middles of equal parts of the band.

    The cosines are stepped from one to the next by the addition theorem.
    """
    points = gains.size
    place: Precise = distance
    step = place / (2.0 * points)
    twice = 2.0 * cosine_of_turns(step)
    now = cosine_of_turns(0.5 * step)
    before = now
    total: Precise = 0.0
    for i in range(points):
        total += gains[i] * now
        following = twice * now - before
        before = now
        now = following
    return total / points


@kernel()
def pair_response(taps: Reals1, first: int, turns: Precise) -> Precise:
    """Response of pairs of taps, the first at a distance from the middle, at a frequency in turns per number."""
    start: Precise = first
    twice = 2.0 * cosine_of_turns(turns)
    now = cosine_of_turns(turns * start)
    before = cosine_of_turns(turns * (start - 1.0))
    total: Precise = 0.0
    for k in range(taps.size):
        total += np.double(taps[k]) * now
        following = twice * now - before
        before = now
        now = following
    return 2.0 * total


@kernel()
def _fast_response(rates: LongFilter, turns: Precise) -> Precise:
    """Response of the filter at the sample rate, side taps included, at a frequency in turns per sample."""
    value = np.double(rates.fast[0]) + pair_response(rates.fast[1:], 1, turns)
    if rates.plan[SIDE_AT] > 0:
        value += pair_response(rates.side, int(rates.plan[SIDE_AT]), turns)
    return value


@kernel()
def fit_fast(side_at: int, gains: Precises1, below: Precise, fit: Precises2, fast: Reals1, side: Reals1) -> None:
    """Fit the taps at the sample rate to a response by least squares of its relative error.

    Parameters
    ----------
    side_at : int
        Distance at which the side groups begin; 0 for none.
    gains : ndarray
        The response at the middles of equal parts of the band.
    below : float
        Weight of what the next rate corrects.
    fit : ndarray, shape (taps + 2, taps)
        Normal equations, right-hand side and cosines.
    fast, side : ndarray
        Get the taps.
    """
    all_taps = fast.size + side.size
    half = fast.size - 1
    matrix = fit[:all_taps]
    right = fit[all_taps]
    cosines = fit[all_taps + 1]
    unknowns = all_taps if side_at > 0 else fast.size
    for row in range(all_taps):
        right[row] = 0.0
        for column in range(all_taps):
            matrix[row, column] = 0.0
    points = gains.size
    for i in range(points):
        turns: Precise = (i + 0.5) / (2.0 * points)
        twice = 2.0 * cosine_of_turns(turns)
        cosines[0] = 1.0
        cosines[1] = twice
        before: Precise = 2.0
        for n in range(2, half + 1):
            cosines[n] = twice * cosines[n - 1] - before
            before = cosines[n - 1]
        if side_at > 0:
            place: Precise = side_at
            now = 2.0 * cosine_of_turns(turns * place)
            before = 2.0 * cosine_of_turns(turns * (place - 1.0))
            for n in range(half + 1, unknowns):
                cosines[n] = now
                following = twice * now - before
                before = now
                now = following
        weight = 1.0 / (gains[i] * gains[i] + 1e-6)
        if turns * STEP < REACH:
            weight = below * weight
        for row in range(unknowns):
            part = weight * cosines[row]
            right[row] += part * gains[i]
            for column in range(row, unknowns):
                matrix[row, column] += part * cosines[column]
    for row in range(unknowns):
        for column in range(row):
            matrix[row, column] = matrix[column, row]
    for row in range(unknowns, all_taps):
        matrix[row, row] = 1.0
    factorise(matrix)
    solve_factorised(matrix, right)
    for n in range(half + 1):
        fast[n] = right[n]
    for n in range(side.size):
        side[n] = right[half + 1 + n]


@kernel()
def long_filter_design(
    side_at: int,
    middle_half: int,
    slow_half: int,
    fast_gains: Precises1,
    middle_gains: Precises1,
    slow_gains: Precises1,
    fit: Precises2,
    rates: LongFilter,
) -> None:
    """Design the filters for a response, which is given at the middles of equal parts of the band of each rate.

    Parameters
    ----------
    side_at : int
        Distance at which the side groups begin, beyond the taps round the middle; 0 for none.
    middle_half, slow_half : int
        Half lengths of the slower filters, multiples of eight.
    fast_gains, middle_gains, slow_gains : ndarray
        The response, to half of each rate; the two slower ones are used up.
    fit : ndarray, shape (taps + 2, taps)
        Scratch, for all taps at the sample rate.
    rates : LongFilter
        Gets all taps.
    """
    rates.plan[SIDE_AT] = side_at
    rates.plan[MIDDLE_HALF] = middle_half
    rates.plan[SLOW_HALF] = slow_half
    fast_end = max(rates.fast.size - 1, side_at + rates.side.size)
    rates.plan[DELAY] = long_filter_delay(fast_end, middle_half, slow_half)
    design_lowpass(rates.lowpass, rates.raising)
    below: Precise = _BELOW_REACH
    fit_fast(side_at, fast_gains, below, fit, rates.fast, rates.side)
    points = middle_gains.size
    for i in range(points):
        turns: Precise = (i + 0.5) / (2.0 * points)
        left = middle_gains[i] - _fast_response(rates, turns / STEP)
        middle_gains[i] = left * fade(turns, PASSED, REACH)
    for n in range(middle_half + 1):
        window: Precise = 1.0
        if n > middle_half - _FADED:
            window = taper(n - (middle_half - _FADED) + _FADED // 2, _FADED + _FADED // 2)
        rates.middle[n] = symmetric_tap(middle_gains, n) * window
    points = slow_gains.size
    for i in range(points):
        turns = (i + 0.5) / (2.0 * points)
        left = slow_gains[i] - _fast_response(rates, turns / SLOW_STEP)
        left -= np.double(rates.middle[0]) + pair_response(rates.middle[1:], 1, turns / STEP)
        slow_gains[i] = left * fade(turns, PASSED, REACH)
    for n in range(slow_half + 1):
        rates.slow[n] = symmetric_tap(slow_gains, n) * taper(n, slow_half)


@kernel()
def long_filter_clear(rates: LongFilter) -> None:
    """Forget all sound."""
    clear_rows(rates.line)
    clear_rows(rates.middles)
    clear_rows(rates.slows)
    clear_rows(rates.nodes)
    clear_rows(rates.filtered)
    clear_rows(rates.added)


@kernel()
def add_symmetric(line: Reals1, centre: int, first: int, taps: Reals1, out: Reals1) -> None:
    """Add pairs of taps: ``out[i] += taps[k] * (line[centre + i - first - k] + line[centre + i + first + k])``.

    Parameters
    ----------
    line : ndarray, shape (samples,)
        Input.
    centre : int
        Place of the middle for the first output.
    first : int
        Distance of the first pair.
    taps : ndarray, shape (pairs,)
        A multiple of eight.
    out : ndarray, shape (FRAME or fewer,)
        Output.
    """
    count = min(out.shape[0], FRAME)
    for k0 in range(0, taps.shape[0], _AT_ONCE):
        part = taps[k0 : k0 + _AT_ONCE]
        older = line[centre - first - k0 - _AT_ONCE + 1 :]
        newer = line[centre + first + k0 :]
        for i in range(count):
            total = out[i]
            for k in range(_AT_ONCE):
                total += part[k] * (older[i + (_AT_ONCE - 1 - k)] + newer[i + k])
            out[i] = total


@kernel()
def lower_rate(line: Reals1, first: int, lowpass: Reals1, out: Reals1) -> None:
    """Take every eighth number behind a filter, whose middle tap stands behind half of them.

    ``out[i]`` has its middle at ``line[first + 8 * i]``; a multiple of eight taps.
    """
    start = first - lowpass.size // 2
    for i in range(out.shape[0]):
        out[i] = dot_product(lowpass, line, start + STEP * i)


@kernel(abreast=True)
def raise_rate(low: Reals1, first: int, raising: Reals2, out: Reals1) -> None:
    """Write eight numbers for each, of as many as fit into `out`.

    Parameters
    ----------
    low : ndarray, shape (numbers,)
        Input.
    first : int
        Number that the first tap multiplies for ``out[0]``, which lies half the taps less one further.
    raising : ndarray, shape (taps, 8)
        Taps for each phase.
    out : ndarray, shape (8 * count,)
        Output.
    """
    base = np.uintp(first)
    for i in range(np.uintp(out.size // STEP)):
        phases = eight_lanes()
        for k in range(np.uintp(raising.shape[0])):
            value = low[base + i + k]
            for phase in range(_8):
                phases[phase] += raising[k, phase] * value
        for phase in range(_8):
            out[_8 * i + phase] = phases[phase]


@kernel()
def long_filter_keep(channel: int, rates: LongFilter) -> None:
    """Move what is kept of a channel to the front, when SLACK samples have been written."""
    move_to_front(rates.line[channel], SLACK)
    move_to_front(rates.middles[channel], _MIDDLE_SLACK)
    move_to_front(rates.slows[channel], _SLOW_SLACK)
    move_to_front(rates.nodes[channel], _MIDDLE_SLACK)


@kernel()
def long_filter_run(channel: int, at: int, fresh: Reals1, rates: LongFilter, out: Reals1) -> None:
    """Filter samples of a channel within a frame.

    Parameters
    ----------
    channel : int
    at : int
        Samples written since what is kept was moved.
    fresh : ndarray, shape (FRAME or fewer,)
        Input.
    rates : LongFilter
        Changed in place.
    out : ndarray, shape of `fresh`
        Gets the output; may be `fresh` itself.
    """
    count = min(fresh.shape[0], FRAME)
    line = rates.line[channel]
    write = line.shape[0] - SLACK + at
    for i in range(count):
        line[write + i] = fresh[i]
    centre = write - int(rates.plan[DELAY])
    within = at % FRAME
    for i in range(count):
        out[i] = rates.added[channel, within + i] + rates.fast[0] * line[centre + i]
    add_symmetric(line, centre, 1, rates.fast[1:], out)
    if rates.plan[SIDE_AT] > 0:
        add_symmetric(line, centre, int(rates.plan[SIDE_AT]), rates.side, out)


@kernel()
def long_filter_frame(channel: int, at: int, rates: LongFilter) -> None:
    """Make what the lower rates add to the next frame, when one is full.

    Parameters
    ----------
    channel : int
    at : int
        Samples written since what is kept was moved: a multiple of FRAME, not zero.
    rates : LongFilter
        Changed in place.
    """
    delay = int(rates.plan[DELAY])
    line = rates.line[channel]
    middles = rates.middles[channel]
    slows = rates.slows[channel]
    nodes = rates.nodes[channel]
    line_end = line.shape[0] - SLACK + at
    middle_end = middles.shape[0] - _MIDDLE_SLACK + at // STEP
    slow_end = slows.shape[0] - _SLOW_SLACK + at // SLOW_STEP
    node_end = nodes.shape[0] - _MIDDLE_SLACK + at // STEP
    fresh_middles = middles[middle_end - _MIDDLE_FRAME : middle_end]
    lower_rate(line, line_end - FRAME + STEP - 1 - LOW_HALF, rates.lowpass, fresh_middles)
    fresh_slows = slows[slow_end - _SLOW_FRAME : slow_end]
    lower_rate(middles, middle_end - _MIDDLE_FRAME + STEP - 1 - LOW_HALF, rates.lowpass, fresh_slows)
    filtered = rates.filtered[channel]
    for i in range(RAISE_NODES - 1):
        filtered[i] = filtered[i + _SLOW_FRAME]
    centre = slow_end - (delay - 577) // SLOW_STEP - 7 + RAISE_NODES - 1
    fresh = filtered[RAISE_NODES - 1 :]
    for i in range(_SLOW_FRAME):
        fresh[i] = rates.slow[0] * slows[centre + i]
    add_symmetric(slows, centre, 1, rates.slow[1:], fresh)
    fresh_nodes = nodes[node_end - _MIDDLE_FRAME : node_end]
    raise_rate(filtered, 0, rates.raising, fresh_nodes)
    centre = middle_end - (delay - 57) // STEP + STEP
    for i in range(_MIDDLE_FRAME):
        fresh_nodes[i] += rates.middle[0] * middles[centre + i]
    add_symmetric(middles, centre, 1, rates.middle[1:], fresh_nodes)
    raise_rate(nodes, node_end - _MIDDLE_FRAME - RAISE_NODES + 1, rates.raising, rates.added[channel])
