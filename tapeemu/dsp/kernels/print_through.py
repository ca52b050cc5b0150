"""What the turns of a reel print on each other: see :class:`tapeemu.processors.print_through.PrintThrough`.

The echoes of both neighbours are read from one long line at places that move as the reel fills, added, and
filtered together: both turns are as far away, so their spectrum is the same.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Precises2, Reals2
from tapeemu.dsp.kernels.builds import settings_may_move
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import exponential, exponential_less_one, power_of_ten
from tapeemu.dsp.kernels.glides import (
    AT,
    CELL,
    GLIDE_ARRAYS,
    MOVING,
    Glide,
    glide_cell,
    glide_design,
    glide_moves,
    glide_pass,
    glide_rest,
    glide_seek,
    glide_shapes,
    glide_target,
    spline,
)
from tapeemu.dsp.kernels.interpolation import Part, Places, read_pair_32
from tapeemu.dsp.kernels.kept_rows import clear_rows
from tapeemu.dsp.kernels.reader_table import CELLS, design_reader
from tapeemu.dsp.kernels.three_rates import (
    HOP,
    POINTS,
    ThreeRates,
    clear_three_rates,
    design_three_rates,
    filter_hop,
    next_hop,
    point_turns,
    three_rates_half,
    three_rates_latency,
    three_rates_shapes,
    three_rates_work,
)

__all__ = [
    "PRINT_THROUGH_MOVES",
    "PrintThroughMemory",
    "PrintThroughSettings",
    "print_gain",
    "print_peak_hz",
    "print_through_change",
    "print_through_design",
    "print_through_latency",
    "print_through_lead",
    "print_through_process",
    "print_through_seek",
    "print_through_shapes",
    "print_through_tail",
    "turn_samples",
]

PRINT_THROUGH_MOVES = ("level_db", "asymmetry_db")
"""Settings that it follows while it plays."""

_TURN = 6.283185307179586
_PI = 3.141592653589793
_TAPS = 32

# Places in PrintThroughMemory.plan: square of the radius at tape position 0 and its change per sample, its least
# and its largest value, all in square metres; thickness of a turn in metres, negative if later turns lie inside;
# samples per metre; gains of the echoes.
_SQUARE, _PER_SAMPLE, _LEAST, _MOST, _PITCH, _PER_METRE, _POST, _PRE = 0, 1, 2, 3, 4, 5, 6, 7
_PLAN = 8

# Places in PrintThroughMemory.counts: place on the tape of the next input, by how much what is read is behind, the
# latency; whether levels have moved, and the last cell whose node is kept.
_PLACE, _BEHIND, _LATE, _MOVED, _NODE = 0, 1, 2, 3, 4
_COUNTS = 5

# Levels that move, and rows of PrintThroughMemory.nodes and levels.
_POST_LEVEL, _PRE_LEVEL = 0, 1
_LEVELS = 2
_NODES = 4
"""Of the spline of a cell."""


class PrintThroughSettings(NamedTuple):
    """Settings of the print-through, as numbers.

    Attributes
    ----------
    level_db, asymmetry_db
        As in the processor.
    pre_echo : int
        1 with it, 0 without.
    heads_out : int
        1 if the tape begins at the outside, 0 if at the hub.
    tape_speed_cm_s, coating_um, base_um, hub_radius_mm, full_radius_mm
        As in the processor.
    """

    level_db: Precise
    asymmetry_db: Precise
    pre_echo: int
    heads_out: int
    tape_speed_cm_s: Precise
    coating_um: Precise
    base_um: Precise
    hub_radius_mm: Precise
    full_radius_mm: Precise


class PrintThroughMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (8,)
        Numbers that do not change.
    counts : ndarray, shape (5,)
        Where it stands, see the places above.
    reader : ndarray, shape (CELLS + 2, 32)
        Taps of the reader.
    ring : ndarray, shape (channels, columns)
        The stretch of tape round all that is read: a sample lies on its index modulo the columns but the last 64,
        which repeat the first.
    later, sooner, heard : ndarray, shape (channels, HOP)
        What is read a turn later and a turn before, and what is added to the sound that is given out now.
    places : Places
        Where a hop is read.
    scratch : ndarray, shape (2, 1024)
        For the design of the reader, then the radius of the reel at the samples of a hop.
    work : ndarray, shape (three_rates_work(sample_rate),)
        For the design of the filters.
    filters : ThreeRates
        Of the echoes.
    glide : Glide
        Gains of the echoes behind and ahead.
    nodes : ndarray, shape (2, cells)
        What the glide took up, a column for each cell since what is read: cell k lies on column k modulo cells.
    levels : ndarray, shape (2, HOP)
        Scratch: gains sample by sample.
    """

    plan: Precises1
    counts: Integers1
    reader: Reals2
    ring: Reals2
    later: Reals2
    sooner: Reals2
    heard: Reals2
    places: Places
    scratch: Precises2
    work: Precises1
    filters: ThreeRates
    glide: Glide
    nodes: Precises2
    levels: Precises2


@kernel()
def _print_law(thick: Precise, apart: Precise) -> Precise:
    """Field that one coating prints on the other, as read there, by wave number times thickness of the coating.

    ``(1 - exp(-x))^2 / x exp(-a x)``, where `a` is the distance of the coatings over their thickness.
    """
    once = -exponential_less_one(-thick)
    return once * once / thick * exponential(-apart * thick)


@kernel()
def _law_peak(apart: Precise) -> Precise:
    """Wave number times thickness at which :func:`_print_law` is largest, by halves: its slope falls."""
    low: Precise = 1e-6
    high: Precise = 4.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        if 2.0 / exponential_less_one(middle) - 1.0 / middle - apart > 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@kernel()
def print_gain(settings: PrintThroughSettings, frequency_hz: Precise) -> Precise:
    """Level of an echo at a frequency, re that at its peak."""
    apart = settings.base_um / settings.coating_um
    thick = _TURN * frequency_hz / (0.01 * settings.tape_speed_cm_s) * 1e-6 * settings.coating_um
    if thick <= 0.0:
        return 0.0
    return _print_law(thick, apart) / _print_law(_law_peak(apart), apart)


@kernel()
def print_peak_hz(settings: PrintThroughSettings) -> Precise:
    """Frequency at which an echo is loudest."""
    thick = _law_peak(settings.base_um / settings.coating_um)
    return thick / (1e-6 * settings.coating_um) * 0.01 * settings.tape_speed_cm_s / _TURN


@kernel()
def _pitch(settings: PrintThroughSettings) -> Precise:
    """Thickness of a turn in metres."""
    return 1e-6 * (settings.coating_um + settings.base_um)


@kernel()
def _longest_turn(settings: PrintThroughSettings, sample_rate: Precise) -> int:
    """Samples that the longest turn takes, rounded up."""
    metres = _TURN * (1e-3 * settings.full_radius_mm + 0.5 * _pitch(settings))
    return math.ceil(metres / (0.01 * settings.tape_speed_cm_s) * sample_rate)


@kernel()
def _behind(settings: PrintThroughSettings, sample_rate: Precise) -> int:
    """Samples by which what is read lags the input: whole hops that hold a turn, if one is heard ahead."""
    if settings.pre_echo == 0:
        return 0
    return HOP * ((_longest_turn(settings, sample_rate) + _TAPS) // HOP + 1)


@kernel()
def print_through_latency(settings: PrintThroughSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: half a filter, and the longest turn if one is heard ahead."""
    return _behind(settings, sample_rate) + three_rates_latency(sample_rate)


@kernel()
def _post_db(settings: PrintThroughSettings) -> Precise:
    """Level of the echo behind the sound, by the turn below."""
    return settings.level_db - settings.asymmetry_db if settings.heads_out == 1 else settings.level_db


@kernel()
def _pre_db(settings: PrintThroughSettings) -> Precise:
    """Level of the echo ahead of the sound, by the turn above."""
    return settings.level_db if settings.heads_out == 1 else settings.level_db - settings.asymmetry_db


@kernel()
def _post_gain(settings: PrintThroughSettings) -> Precise:
    """Gain of the echo behind the sound."""
    return power_of_ten(0.05 * _post_db(settings))


@kernel()
def _pre_gain(settings: PrintThroughSettings) -> Precise:
    """Gain of the echo ahead of the sound, if there is one."""
    gain: Precise = 0.0
    if settings.pre_echo == 1:
        gain = power_of_ten(0.05 * _pre_db(settings))
    return gain


@kernel()
def print_through_tail(
    settings: PrintThroughSettings, sample_rate: Precise, channels: int, level_db: Precise
) -> int:
    """Samples that sound on: the longest turn and half a filter, if the echo is above the level."""
    if _post_db(settings) <= level_db:
        return 0
    return _longest_turn(settings, sample_rate) + _TAPS + three_rates_half(sample_rate)


@kernel()
def print_through_lead(settings: PrintThroughSettings, sample_rate: Precise, level_db: Precise) -> int:
    """Samples that sound ahead: the longest turn, if there is a pre-echo above the level."""
    if settings.pre_echo == 0 or _pre_db(settings) <= level_db:
        return 0
    return _longest_turn(settings, sample_rate)


@kernel()
def print_through_shapes(
    settings: PrintThroughSettings, sample_rate: Precise, channels: int, shapes: Integers2
) -> None:
    """Write the shapes of the arrays of :class:`PrintThroughMemory`, a row for each."""
    for i in range(shapes.shape[0]):
        for j in range(shapes.shape[1]):
            shapes[i, j] = 1
    behind = _behind(settings, sample_rate)
    reach = max(_longest_turn(settings, sample_rate) + _TAPS, three_rates_latency(sample_rate))
    shapes[0, 0] = _PLAN
    shapes[1, 0] = _COUNTS
    shapes[2, 0] = CELLS + 2
    shapes[2, 1] = _TAPS
    shapes[3, 0] = channels
    shapes[3, 1] = HOP * ((behind + reach) // HOP + 4)
    for row in range(4, 7):
        shapes[row, 0] = channels
        shapes[row, 1] = HOP
    for row in range(7, 10):
        shapes[row, 0] = HOP
    shapes[10, 0] = 2
    shapes[10, 1] = _TAPS * _TAPS
    shapes[11, 0] = three_rates_work(sample_rate)
    glide_row = three_rates_shapes(sample_rate, channels, shapes, 12)
    glide_shapes(_LEVELS, glide_row, shapes)
    after = glide_row + GLIDE_ARRAYS
    shapes[after, 0] = _LEVELS
    shapes[after, 1] = (behind + HOP) // glide_cell(sample_rate) + 2 + _NODES
    shapes[after + 1, 0] = _LEVELS
    shapes[after + 1, 1] = HOP


@kernel()
def print_through_design(
    settings: PrintThroughSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: PrintThroughMemory,
) -> None:
    """Fill the plan, and go to a place on the tape; the reel is the same for all tracks."""
    plan = memory.plan
    laws = memory.filters.laws
    design_reader(_TAPS, memory.scratch, memory.reader)
    for level in range(3):
        for i in range(POINTS):
            laws[level, i] = print_gain(settings, point_turns(level, i) * sample_rate)
    design_three_rates(memory.filters, sample_rate, memory.work)
    hub, full = 1e-3 * settings.hub_radius_mm, 1e-3 * settings.full_radius_mm
    inwards = settings.heads_out == 1
    pitch = -_pitch(settings) if inwards else _pitch(settings)
    speed = 0.01 * settings.tape_speed_cm_s
    plan[_LEAST] = hub * hub
    plan[_MOST] = full * full
    plan[_SQUARE] = plan[_MOST] if inwards else plan[_LEAST]
    # A length of tape covers as much of the reel's face, pi r^2, as its edge has.
    plan[_PER_SAMPLE] = speed / sample_rate * pitch / _PI
    plan[_PITCH] = pitch
    plan[_PER_METRE] = sample_rate / speed
    plan[_POST] = _post_gain(settings)
    plan[_PRE] = _pre_gain(settings)
    glide_rest(_POST_LEVEL, plan[_POST], memory.glide)
    glide_rest(_PRE_LEVEL, plan[_PRE], memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    memory.counts[_BEHIND] = _behind(settings, sample_rate)
    memory.counts[_LATE] = print_through_latency(settings, sample_rate, channels)
    print_through_seek(memory, start_sample)


@kernel()
def print_through_change(
    settings: PrintThroughSettings, sample_rate: Precise, channels: int, memory: PrintThroughMemory
) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `PRINT_THROUGH_MOVES` may differ from the ones that it was designed for.
    """
    glide_target(_POST_LEVEL, _post_gain(settings), memory.glide)
    glide_target(_PRE_LEVEL, _pre_gain(settings), memory.glide)


@kernel()
def print_through_seek(memory: PrintThroughMemory, place: np.int64) -> None:
    """Go to another place on the tape; nothing that sounded before is left."""
    memory.counts[_PLACE] = place
    memory.counts[_MOVED] = 0
    glide_seek(place, memory.glide)
    clear_three_rates(memory.filters)
    clear_rows(memory.ring)
    clear_rows(memory.heard)


@kernel()
def _radius(square: Precise, least: Precise, most: Precise) -> Precise:
    """Radius of the reel in metres from its square; beyond its ends it stays what it is there."""
    return math.sqrt(min(max(square, least), most))


@kernel()
def _length_of_turn(plan: Precises1, radius: Precise, before: bool) -> Precise:
    """Samples of the turn before, or after, the one of this radius."""
    half = -0.5 * plan[_PITCH] if before else 0.5 * plan[_PITCH]
    samples: Precise = _TURN * (radius + half) * plan[_PER_METRE]
    return samples


@kernel()
def turn_samples(plan: Precises1, place: np.int64, before: bool) -> Precise:
    """Samples from a place on the tape to the one a turn before it, or a turn after it.

    On a spiral whose radius grows by its pitch a turn, a turn is as long as the circle half a pitch inside, or
    outside, the place.

    Parameters
    ----------
    plan : ndarray, shape (8,)
        Of the memory.
    place : int64
        Index on the tape; beyond the ends of the reel its radius stays what it is there.
    before : bool
        Whether it is the turn that passed the head before.
    """
    square = plan[_SQUARE] + np.double(place) * plan[_PER_SAMPLE]
    return _length_of_turn(plan, _radius(square, plan[_LEAST], plan[_MOST]), before)


@kernel()
def _find_radii(memory: PrintThroughMemory, first: np.int64) -> None:
    """Write the radius at every sample of a hop into the scratch memory: both turns are read from there."""
    plan = memory.plan
    radii = memory.scratch[0]
    square, per_sample, least, most = plan[_SQUARE], plan[_PER_SAMPLE], plan[_LEAST], plan[_MOST]
    begin = np.double(first)
    for i in range(np.uintp(HOP)):
        radii[i] = _radius(square + (begin + np.double(np.int32(i))) * per_sample, least, most)


@kernel()
def _read_turn(memory: PrintThroughMemory, first: np.int64, before: bool, out: Reals2) -> None:
    """Read a hop a turn before it or after it, from an index of the tape on, where its radii were found."""
    plan = memory.plan
    places = memory.places
    radii = memory.scratch[0]
    left = places.left
    row = places.row
    between = places.between
    columns = np.int32(memory.ring.shape[1] - HOP)
    start = np.int32(first - _TAPS // 2 + 1 - (first - _TAPS // 2 + 1) // columns * columns)
    # Numbers of 32 bits, of which vectors are made.
    none = np.int32(0)
    for i in range(np.uintp(HOP)):
        turn = _length_of_turn(plan, radii[i], before)
        at = np.double(np.int32(i))
        place = at - turn if before else at + turn
        whole = np.floor(place)
        cell = (place - whole) * CELLS
        lower = np.floor(cell)
        column = start + np.int32(whole)
        column += columns if column < none else none
        column -= columns if column >= columns else none
        left[i] = column
        row[i] = np.int32(lower)
        between[i] = cell - lower
    part = Part(0, 0, HOP, 0)
    channels = out.shape[0]
    for one in range(0, channels, 2):
        read_pair_32(memory.ring, memory.reader, places, part, one, min(one + 1, channels - 1), out)


@kernel()
def _keep_nodes(memory: PrintThroughMemory) -> None:
    """Keep what the glide took up for the cell at which it is; from the first time that anything moves on.

    An echo that is heard ahead is made when the sound has passed, and its level is that of its own place. What was
    before the first move, or before the render, is held to have been as the oldest that is known.
    """
    counts = memory.counts
    values = memory.glide.values
    nodes = memory.nodes
    columns = nodes.shape[1]
    cell = counts[_PLACE] // memory.glide.counts[CELL]
    first = _NODES - 1
    if counts[_MOVED] == 0:
        counts[_MOVED] = 1
        counts[_NODE] = cell - 1
        first = 0
        for level in range(_LEVELS):
            for column in range(columns):
                nodes[level, column] = values[level, 1]
    if counts[_NODE] == cell:
        return
    counts[_NODE] = cell
    for back in range(first, _NODES):
        kept = cell - (_NODES - 1 - back)
        where = int(kept - kept // columns * columns)
        for level in range(_LEVELS):
            nodes[level, where] = values[level, 1 + back]


@kernel()
def _find_levels(memory: PrintThroughMemory, first: np.int64) -> None:
    """Write the gains of a hop from a place on the tape on."""
    nodes = memory.nodes
    columns = nodes.shape[1]
    length = memory.glide.counts[CELL]
    cell = first // length
    at = int(first - cell * length)
    oldest = cell - (_NODES - 1)
    column = int(oldest - oldest // columns * columns)
    for i in range(HOP):
        if at == length:
            at = 0
            column = column + 1 if column + 1 < columns else 0
        second = column + 1 if column + 1 < columns else column + 1 - columns
        third = column + 2 if column + 2 < columns else column + 2 - columns
        fourth = column + 3 if column + 3 < columns else column + 3 - columns
        u = np.double(at) / np.double(length)
        for level in range(_LEVELS):
            memory.levels[level, i] = spline(
                u, nodes[level, column], nodes[level, second], nodes[level, third], nodes[level, fourth]
            )
        at += 1


@kernel()
def _hear_turns(memory: PrintThroughMemory, first: np.int64) -> None:
    """Make what is added to the sound, from the hop of input that begins at an index of the tape."""
    filters = memory.filters
    later, sooner = memory.later, memory.sooner
    post: float = memory.plan[_POST]
    pre: float = memory.plan[_PRE]
    behind = memory.counts[_BEHIND]
    _find_radii(memory, first - behind)
    _read_turn(memory, first - behind, True, later)
    if behind > 0:
        _read_turn(memory, first - behind, False, sooner)
    column = np.uintp(next_hop(filters, filters.line[:0]))
    if memory.counts[_MOVED] == 1:
        _find_levels(memory, first - behind)
        levels = memory.levels
        for channel in range(memory.ring.shape[0]):
            for i in range(np.uintp(HOP)):
                heard = levels[_POST_LEVEL, i] * later[channel, i] + levels[_PRE_LEVEL, i] * sooner[channel, i]
                filters.line[channel, column + i] = heard
    else:
        for channel in range(memory.ring.shape[0]):
            for i in range(np.uintp(HOP)):
                filters.line[channel, column + i] = post * later[channel, i] + pre * sooner[channel, i]
    filter_hop(filters, filters.raising, memory.heard)


@kernel()
def print_through_process(memory: PrintThroughMemory, block: Reals2, out: Reals2) -> None:
    """Add to a block what the turns beside it have printed.

    Parameters
    ----------
    memory : PrintThroughMemory
        Changed in place.
    block : ndarray, shape (channels, samples)
        Of any length.
    out : ndarray, shape (channels, samples)
        Gets the result; may be `block` itself.
    """
    counts = memory.counts
    ring = memory.ring
    channels, samples = block.shape
    columns = ring.shape[1] - HOP
    done = 0
    while done < samples:
        place = counts[_PLACE]
        hop = place // HOP * HOP
        begin = int(place - hop)
        count = min(samples - done, HOP - begin)
        glides = memory.glide.counts
        if glide_moves(memory.glide):
            count = min(count, int(glides[CELL] - glides[AT]))
        if settings_may_move() and (glides[MOVING] == 1 or counts[_MOVED] == 1):
            _keep_nodes(memory)
        column = int(place - place // columns * columns)
        dry = place - counts[_LATE]
        back = np.uintp(int(dry - dry // columns * columns))
        to, since = np.uintp(column), np.uintp(done)
        for channel in range(channels):
            for i in range(np.uintp(count)):
                ring[channel, to + i] = block[channel, since + i]
            if column < HOP:
                for i in range(np.uintp(count)):
                    ring[channel, np.uintp(columns) + to + i] = block[channel, since + i]
            for i in range(np.uintp(count)):
                out[channel, since + i] = ring[channel, back + i] + memory.heard[channel, np.uintp(begin) + i]
        glide_pass(count, memory.glide)
        counts[_PLACE] = place + count
        done += count
        if begin + count == HOP:
            _hear_turns(memory, hop)
