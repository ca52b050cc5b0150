"""Trajectories that belong to the tape: any segment of them can be computed at any time, in any order.

A trajectory is a sum of sines (rotating parts) and of Gaussian noise. It is a function of the absolute sample
index and of keys derived from the seed, and of nothing else: sines are evaluated from the exact number of
turns, noise is filtered from a counter-based hash. Hour ten costs what second one costs and is as exact.
Everything is defined in time, so the same key gives the same trajectory at every sample rate.

A segment is made in pieces. What a piece is made from is kept for the next one, so a stream costs the same in
every block; a piece out of turn is made from nothing, to the same bits.

Sines and slow noise are drawn as a curve first, by value and slope on a grid of 2.75 kHz or more, and
interpolated (cubic Hermite, common practice): a sine of 200 Hz keeps its rate of change within 0.06 %, one of
20 Hz within 1e-6. Faster noise is added at every sample.
"""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Hashes1, Hashes2, Integers2, Precise, Precises1, Precises2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.exact_places import set_rate, turns_of
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.noise_spectrum import delivered_rms, noise_highest
from tapeemu.dsp.kernels.octave_noise import (
    Noises,
    add_noise_curve,
    add_noise_samples,
    cubics_room,
    design_noise,
    forget_nodes,
    noise_octaves,
    pairs_room,
)
from tapeemu.dsp.kernels.sines import add_phasors, begin_phasors, pass_phasors

__all__ = [
    "PIECE",
    "SEGMENT",
    "Trajectory",
    "begin_at_zero",
    "begin_trajectory",
    "curve_step",
    "expand",
    "fill_piece",
    "fill_trajectory",
    "noise_bound",
    "noise_highest",
    "noise_octaves",
    "set_noise",
    "set_sine",
    "settle",
    "settle_trajectory",
    "settle_with",
    "settled_constant",
    "trajectory_shapes",
]

SEGMENT = 4096
"""Samples whose sines begin together, and that are counted from one place; starts at its multiples."""

PIECE = 128
"""Samples that are made at a time, from multiples of it on, so block sizes cannot matter; at least a step of the
curve."""

_SLOWEST_CURVE_HZ = 2750.0
"""Sines and slow noise are evaluated at this rate or above, then interpolated."""

_DEVIATIONS = 8.0
"""Standard deviations of a noise at which it counts as bounded."""

# Places in Trajectory.plan.
BOUND = 0
PEAK = 1
SAMPLE_RATE = 2
CONSTANT = 3
START = 4
SETTLING = 5
PLAN_SIZE = 6
# Columns of Trajectory.stands.
_BEHIND = 0
_POINTS = 1
# Columns of Trajectory.sines.
_AMPLITUDE = 0
_CYCLES = 1
_PER_POINT = 2
SINE_SIZE = 3


class Trajectory(NamedTuple):
    """A sum of sines and noises: its plan, and what the next piece of it is made from.

    Of variants, which differ in the numbers of their noises, as many as have a place each go on side by side.

    Attributes
    ----------
    plan : ndarray, shape (PLAN_SIZE,)
        Largest magnitude, 0 if nothing ever moves; the part of it that comes from the sines; samples per second;
        what settles it, see :func:`settle_trajectory`.
    turns : ndarray, shape (sines, 3)
        Turns per sample of every sine, as of :func:`set_rate`.
    sines : ndarray, shape (sines, 3)
        Amplitude, turns at sample 0, turns per point of the curve.
    lanes : ndarray, shape (2 * places * sines, 8)
        Of every sine at the next point of the curve, see :func:`begin_phasors`.
    curve : ndarray, shape (2 * places, points)
        Values and slopes of what is slow, on a grid, from the first point of the piece made last.
    stands : ndarray, shape (places, 2)
        Number of the piece after the one made last, and points of its segment's curve that are made; all zeros
        where nothing is.
    variants : ndarray, shape (places,)
        Which variant has a place.
    noises : Noises
        The noises.
    """

    plan: Precises1
    turns: Hashes2
    sines: Precises2
    lanes: Precises2
    curve: Precises2
    stands: Integers2
    variants: Hashes1
    noises: Noises


@kernel()
def curve_step(sample_rate: Precise) -> int:
    """Samples from one point of the curve to the next: a power of two."""
    step = 1
    while sample_rate / (2 * step) >= _SLOWEST_CURVE_HZ:
        step = 2 * step
    return step


@kernel()
def trajectory_shapes(
    sines: int,
    noises: int,
    octaves: int,
    highest_hz: Precise,
    sample_rate: Precise,
    places: int,
    shapes: Integers2,
    row: int,
) -> int:
    """Write the dimensions of the arrays of a :class:`Trajectory`, those of its noises included.

    Parameters
    ----------
    sines, noises : int
        How many.
    octaves : int
        Of all noises together, from :func:`noise_octaves`.
    highest_hz : float
        The largest of :func:`noise_highest`.
    sample_rate : float
        Samples per second.
    places : int
        Variants that go on side by side.
    shapes : ndarray, shape (rows, 3)
        Gets one row an array; dimensions that it does not have are 1.
    row : int
        First row to write to.

    Returns
    -------
    int
        The row after the last one.
    """
    row = shape_row(PLAN_SIZE, 1, shapes, row)
    row = shape_row(sines, 3, shapes, row)
    row = shape_row(sines, SINE_SIZE, shapes, row)
    row = shape_row(2 * places * sines, 8, shapes, row)
    # As far as the last piece's end, in eights, which may begin just before it.
    step = curve_step(sample_rate)
    row = shape_row(2 * places, PIECE // step + 16, shapes, row)
    row = shape_row(places, 2, shapes, row)
    row = shape_row(places, 1, shapes, row)
    # The noises.
    row = shape_row(noises, 1, shapes, row)
    row = shape_row(noises, 3, shapes, row)
    row = shape_row(noises, 4, shapes, row)
    row = shape_row(noises, 1, shapes, row)
    row = shape_row(2 * octaves, 32, shapes, row)
    row = shape_row(2, octaves + 1, shapes, row)
    rows = places * (octaves + noises)
    longest = PIECE + 16 * step
    pairs = pairs_room(highest_hz, sample_rate, longest)
    row = shape_row(rows, 2, shapes, row)
    row = shape_row(rows, pairs + 31, shapes, row)
    row = shape_row(rows, 2 * pairs, shapes, row)
    columns = cubics_room(highest_hz, sample_rate, longest) if noises > 0 else 1
    return shape_row(3, columns, shapes, row)


@kernel()
def noise_bound(
    kind: int,
    low_hz: Precise,
    high_hz: Precise,
    rms: Precise,
    slope_db_per_octave: Precise,
    integrated: bool,
    sample_rate: Precise,
) -> Precise:
    """Largest magnitude of a noise: eight standard deviations of what it delivers; arguments as for it."""
    return _DEVIATIONS * delivered_rms(kind, low_hz, high_hz, rms, slope_db_per_octave, integrated, sample_rate)


@kernel()
def begin_trajectory(sample_rate: Precise, memory: Trajectory) -> None:
    """Begin the design of a trajectory: nothing moves yet. Sines and noises are then added in order."""
    for i in range(memory.plan.size):
        memory.plan[i] = 0.0
    memory.plan[SAMPLE_RATE] = sample_rate
    for place in range(memory.stands.shape[0]):
        memory.stands[place, _POINTS] = 0
    for row in range(memory.noises.held.shape[0]):
        memory.noises.held[row, 1] = 0


@kernel()
def set_sine(number: int, rate_hz: Precise, amplitude: Precise, cycles: Precise, memory: Trajectory) -> None:
    """Add ``amplitude * cos(2 pi (rate_hz * t + cycles))``.

    Parameters
    ----------
    number : int
        Which of the sines, from 0 on.
    rate_hz : float
        Above 0, at most 250.
    amplitude, cycles : float
        Peak; turns at time 0.
    memory : Trajectory
        Gets it.
    """
    sample_rate = memory.plan[SAMPLE_RATE]
    set_rate(rate_hz, sample_rate, memory.turns[number])
    memory.sines[number, _AMPLITUDE] = amplitude
    memory.sines[number, _CYCLES] = cycles
    memory.sines[number, _PER_POINT] = curve_step(sample_rate) * (rate_hz / sample_rate)
    memory.plan[PEAK] += abs(amplitude)
    memory.plan[BOUND] += abs(amplitude)


@kernel()
def set_noise(
    number: int,
    kind: int,
    key: np.uint64,
    low_hz: Precise,
    high_hz: Precise,
    rms: Precise,
    slope_db_per_octave: Precise,
    integrated: bool,
    memory: Trajectory,
) -> None:
    """Add a noise; arguments as for :func:`design_noise`, in order from number 0 on."""
    sample_rate = memory.plan[SAMPLE_RATE]
    design_noise(
        number,
        kind,
        key,
        low_hz,
        high_hz,
        rms,
        slope_db_per_octave,
        integrated,
        sample_rate,
        sample_rate / curve_step(sample_rate),
        memory.noises,
    )
    memory.plan[BOUND] += noise_bound(kind, low_hz, high_hz, rms, slope_db_per_octave, integrated, sample_rate)


@kernel()
def settle_trajectory(constant: Precise, fastest: Precise, memory: Trajectory, out: Precises1) -> None:
    """Let a trajectory plus a constant begin at exactly zero at index 0; the last step of a design.

    What the sum is at index 0 is taken off there, and less and less of it on the way from there, in both
    directions, along a cubic whose slope never exceeds `fastest`. It remains a function of the absolute index
    alone. Its bound grows by the peak of the sines, which may be all at one end at index 0 and all at the other
    later, and by the constant.

    Parameters
    ----------
    constant : float
        Added everywhere.
    fastest : float
        Largest change per sample that settling may add.
    memory : Trajectory
        With all its sines and noises.
    out : ndarray, shape (PIECE or more,)
        Scratch.
    """
    plan = memory.plan
    start = constant
    if plan[BOUND] > 0.0:
        fill_piece(memory, np.int64(0), 0, np.uint64(0), out[:PIECE])
        start += out[0]
    plan[CONSTANT] = constant
    plan[START] = start
    # 1 - u**2 (3 - 2 u) falls by at most 1.5 per unit. At least a sample: one over a subnormal is infinite.
    plan[SETTLING] = max(1.5 * abs(start) / fastest, 1.0) if start != 0.0 else 0.0
    plan[BOUND] += plan[PEAK] + abs(constant)


@kernel()
def settle_with(whole: Trajectory, memory: Trajectory, out: Precises1) -> None:
    """Let a part of a trajectory begin at exactly zero at index 0 as the whole does, in the same time.

    Parameters
    ----------
    whole : Trajectory
        Settled by :func:`settle_trajectory`.
    memory : Trajectory
        With some of its sines and noises, and no constant.
    out : ndarray, shape (PIECE or more,)
        Scratch.
    """
    plan = memory.plan
    fill_piece(memory, np.int64(0), 0, np.uint64(0), out[:PIECE])
    plan[START] = out[0]
    plan[SETTLING] = max(whole.plan[SETTLING], 1.0)
    plan[BOUND] += abs(plan[START])


@kernel()
def settled_constant(memory: Trajectory, index: Precise) -> Precise:
    """What the constant of a trajectory has grown to at an index, on its way from nothing at index 0."""
    constant: Precise = memory.plan[CONSTANT]
    if constant == 0.0:
        return 0.0
    u: Precise = min(abs(index) / memory.plan[SETTLING], 1.0)
    return constant * (u * u * (3.0 - 2.0 * u))


@kernel()
def fill_trajectory(memory: Trajectory, segment: np.int64, variant: np.uint64, out: Precises1) -> None:
    """Write the samples of a segment, from ``segment * SEGMENT`` on.

    Parameters
    ----------
    memory : Trajectory
        A finished design.
    segment : int64
        Any; negative ones too.
    variant : uint64
        Picks other random numbers for all its noises; 0 for those of their keys.
    out : ndarray, shape (SEGMENT,)
        Gets the samples.
    """
    for begin in range(0, SEGMENT, PIECE):
        fill_piece(memory, (segment * SEGMENT + begin) // PIECE, 0, variant, out[begin : begin + PIECE])


@kernel()
def _first_column(begin: int) -> int:
    """Point of the curve that its first column holds for a piece: eights begin there."""
    return begin // 8 * 8


@kernel()
def _fill_curve(memory: Trajectory, segment: np.int64, place: int, variant: np.uint64, piece: int) -> None:
    """Make the curve as far as a piece of a segment needs it.

    Parameters
    ----------
    memory, place, variant
        As for :func:`fill_piece`.
    segment : int64
        Number of the segment.
    piece : int
        Number of the piece in it.
    """
    noises = memory.noises
    stands = memory.stands
    values = memory.curve[2 * place]
    slopes = memory.curve[2 * place + 1]
    step = curve_step(memory.plan[SAMPLE_RATE])
    in_piece = PIECE // step
    first = segment * SEGMENT
    sines = memory.sines.shape[0]
    begin = piece * in_piece
    column = _first_column(begin)
    made = int(stands[place, _POINTS])
    behind = segment * (SEGMENT // PIECE) + piece
    if piece > 0 and made > 0 and stands[place, _BEHIND] == behind:
        skipped = np.uintp(column - _first_column(begin - in_piece))
        for i in range(np.uintp(made - column)):
            values[i] = values[skipped + i]
            slopes[i] = slopes[skipped + i]
    else:
        made = column
        for number in range(sines):
            row = 2 * (place * sines + number)
            cycles = turns_of(first, memory.turns[number]) + memory.sines[number, _CYCLES]
            per_point = memory.sines[number, _PER_POINT]
            lanes = memory.lanes[row : row + 2]
            begin_phasors(memory.sines[number, _AMPLITUDE], cycles, per_point, lanes)
            pass_phasors(per_point, made // 8, lanes)
    eights = (begin + in_piece + 8 - made) // 8
    if eights > 0:
        new_values = values[made - column : made - column + 8 * eights]
        new_slopes = slopes[made - column : made - column + 8 * eights]
        for i in range(np.uintp(8 * eights)):
            new_values[i] = 0.0
            new_slopes[i] = 0.0
        for number in range(sines):
            row = 2 * (place * sines + number)
            per_point = memory.sines[number, _PER_POINT]
            add_phasors(per_point, memory.lanes[row : row + 2], new_values, new_slopes)
        # Column 3 of the layout: whether a noise is slow enough for the curve.
        for number in range(noises.keys.size):
            if noises.layout[number, 3] == 1:
                add_noise_curve(number, place, variant, first, step, made, noises, new_values, new_slopes)
    stands[place, _BEHIND] = behind + 1
    stands[place, _POINTS] = made + 8 * eights


@kernel()
def fill_piece(memory: Trajectory, number: np.int64, place: int, variant: np.uint64, out: Precises1) -> None:
    """Write the samples of a piece, from ``number * PIECE`` on.

    Parameters
    ----------
    memory : Trajectory
        A finished design.
    number : int64
        Any; negative ones too. It costs least behind the one before.
    place : int
        Which of the places of `memory` the variant takes, from 0 on.
    variant : uint64
        Picks other random numbers for all its noises; 0 for those of their keys.
    out : ndarray, shape (PIECE,)
        Gets the samples.
    """
    plan = memory.plan
    noises = memory.noises
    if memory.variants[place] != variant:
        memory.variants[place] = variant
        memory.stands[place, _POINTS] = 0
        if noises.keys.size > 0:
            forget_nodes(place, noises)
    segment = number // (SEGMENT // PIECE)
    piece = int(number - segment * (SEGMENT // PIECE))
    step = curve_step(plan[SAMPLE_RATE])
    _fill_curve(memory, segment, place, variant, piece)
    begin = piece * (PIECE // step)
    column = begin - _first_column(begin)
    expand(memory.curve[2 * place, column:], memory.curve[2 * place + 1, column:], step, out)
    for noise in range(noises.keys.size):
        if noises.layout[noise, 3] == 0:
            add_noise_samples(noise, place, variant, segment * SEGMENT, piece * PIECE, noises, out)
    if plan[CONSTANT] != 0.0:
        for i in range(np.uintp(out.size)):
            out[i] += plan[CONSTANT]
    nearest = max(segment, -segment - 1) * SEGMENT
    if np.double(nearest) < plan[SETTLING]:
        settle(np.double(number * PIECE), 1.0 / plan[SETTLING], plan[START], out)
    bound = plan[BOUND]
    for i in range(np.uintp(out.size)):
        out[i] = min(max(out[i], -bound), bound)


@kernel()
def settle(first: Precise, per_duration: Precise, start: Precise, out: Precises1) -> None:
    """Take `start` off a trajectory at index 0, and less of it away from there, to nothing at the duration.

    Parameters
    ----------
    first : float
        Index of the first point of `out`, in samples from the beginning of the tape.
    per_duration : float
        One over the duration in samples.
    start : float
        What is taken off at index 0.
    out : ndarray, shape (samples,)
        Changed in place.
    """
    for i in range(np.uintp(out.size)):
        u = min(abs(first + np.float64(i)) * per_duration, 1.0)
        out[i] -= start * (1.0 - u * u * (3.0 - 2.0 * u))


@kernel()
def begin_at_zero(first: Precise, per_duration: Precise, out: Precises1) -> None:
    """Let a trajectory grow from zero at index 0, in both directions, to itself at the duration.

    Arguments as for :func:`settle`.
    """
    for i in range(np.uintp(out.size)):
        u = min(abs(first + np.float64(i)) * per_duration, 1.0)
        out[i] *= u * u * (3.0 - 2.0 * u)


@kernel()
def expand(values: Precises1, slopes: Precises1, step: int, out: Precises1) -> None:
    """Interpolate a grid to every sample (cubic Hermite).

    Parameters
    ----------
    values, slopes : ndarray, shape (samples // step + 1 or more,)
        At every point of the grid; slopes per interval.
    step : int
        Samples in an interval.
    out : ndarray, shape (samples,)
        Gets the samples; as many as whole intervals.
    """
    unit = 1.0 / step
    width = np.uintp(step)
    for interval in range(np.uintp(out.size // step)):
        first = values[interval]
        rise = values[interval + np.uintp(1)] - first
        left = slopes[interval]
        bend = slopes[interval + np.uintp(1)] + left - 2.0 * rise
        lean = rise - left - bend
        base = interval * width
        for i in range(width):
            u = np.float64(i) * unit
            out[base + i] = first + u * (left + u * (lean + u * bend))
