"""Starts and stops of the transport, from settings to sound: see :class:`tapeemu.processors.start_stop.StartStop`.

The head reads flux that the tape carries by place, not by time. Let ``s`` be what was recorded, by its place on
the tape, ``m`` the same through the low-pass of the treble time constant ``t``, and ``b`` one over the bass time
constant. The record equalisation has made ``m`` and ``b`` times its integral of it; the head gives the derivative
of that, and the replay equalisation ``(1 + t d/dt) / (d/dt + b)``, at the speed ``r`` and read at the place ``p``,

    r s(p) + (1 - r) m(p) - w - t w',   w' = b ((1 - r) m(p) - w)

which is ``s(p)`` alone at ``r = 1``. No derivative needs to be taken.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import bessel_i0, cosine_of_turns, exponential, logarithm, sine_of_turns
from tapeemu.dsp.kernels.interpolation import Part, Places, locate, read_pair_48
from tapeemu.dsp.kernels.kept_rows import clear_precise_rows, clear_rows
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.reader_table import CELLS, design_reader
from tapeemu.dsp.kernels.small_systems import factorise_rows, solve_rows

__all__ = [
    "FRICTION",
    "OPENING",
    "SETTLING",
    "SLOWNESS",
    "StartStopMemory",
    "StartStopSettings",
    "lead_of",
    "motion",
    "start_stop_design",
    "start_stop_latency",
    "start_stop_process",
    "start_stop_seek",
    "start_stop_shapes",
    "start_stop_tail",
]

FRICTION = 0.01
"""Share of the nominal speed below standstill that a stopping tape would come to, were it not at rest before."""

SETTLING = 20.0
"""Bass time constants after which what the equalisation holds of a standing tape is cut: it is 174 dB down."""

SLOWNESS = 40.0
"""Time constants in which a tape that is late comes nearer, re that of its speed: it is at most 2.07 % too fast.

Its level rises with its speed, by 0.18 dB, and the filter below adds about 0.3 dB where a recording is cut."""

OPENING = 5.0
"""Bass time constants over which the amplifier is opened: before, the equalisation would still jump."""

# Kinds of events, and columns of the settings' table.
STOP, CUED, LOCKED = 0, 1, 2
_KIND, _SECONDS, _CONSTANT = 0, 1, 2

# Columns of the plan of an event: whole and rest of its place in samples, time constant in samples, lag and speed
# that it finds; and, in whole samples, the first behind it, the one where it is over, and its kind.
_REST, _TAU, _LAG, _SPEED = 0, 1, 2, 3
_PLACE, _FIRST, _OVER, _WHAT = 0, 1, 2, 3
_COLUMNS = 4

# Places in the numbers of the plan.
_LOW_POLE, _BASS_POLE, _SHARE, _OPEN, _NUMBERS = 0, 1, 2, 3, 4

# Places in the counts: what does not change, then what moves.
_LATENCY, _DELAY, _RING, _EVENTS, _SETTLED, _GROUPS = 0, 1, 2, 3, 4, 5
_START, _FED, _MADE, _EVENT, _COUNTS = 6, 7, 8, 9, 10

# Rows of the state of a channel: low-passes of the tape and of the tape less its top, what the equalisation holds,
# what went into it last, and the low-passed tape under the head.
_LOW, _LOW_BELOW, _HELD, _BEFORE, _UNDER = 0, 1, 2, 3, 4
_STATES = 5

_TAPS = 48
_MIRROR = 64
_STRETCH = 256
_LOW_HALF = 16
_BELOW_HALF = 100
_HISTORY = 200
"""Taps of the reader; columns that are there twice, so that it reads across the ring's end; samples made at a
time; half lengths of the two filters; samples of the past that they need."""

_LOW_EDGE = 0.42
_BELOW_PASS, _BELOW_STOP = 0.455, 0.4895
_KAISER = 10.06
_FULLY_BELOW = 0.01
_PI = 3.141592653589793
_NEPERS_PER_DB = 0.11512925464970229
_NOTHING = 1e-30
_LEAST_LAG = 1e-6
_POINTS = 512

_1 = np.uintp(1)


class StartStopSettings(NamedTuple):
    """Settings of starts and stops, as numbers.

    Attributes
    ----------
    events : ndarray, shape (events, 3)
        In order: 0 a stop, 1 a start from a cued place, 2 a start that catches up; place on the tape and time
        constant in seconds.
    treble_us, bass_us : float
        Time constants of the replay equalisation.
    """

    events: Precises2
    treble_us: Precise
    bass_us: Precise


class StartStopMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (4,)
        Poles of the two time constants, the treble one over the bass one, and samples until the amplifier is open.
    counts : ndarray, shape (10,)
        See the places above.
    motions : ndarray, shape (events, 4)
        Of every event: see the columns above.
    places : ndarray, shape (events, 4)
        Likewise, in whole samples.
    low, below : ndarray
        Taps beside the pole of the low-pass of the tape; half of a filter that keeps what does not fold.
    table : ndarray, shape (CELLS + 2, 48)
        Taps of the reader.
    recent : ndarray, shape (2 * channels, columns)
        The last of the input, and the same less its top.
    line : ndarray, shape (groups * channels, columns)
        A ring of tape: as it is, low-passed, and both less the top.
    states : ndarray, shape (channels, 5)
        See the rows above.
    delays : ndarray, shape (2, columns)
        Lag of every sample of a stretch; scratch of the design.
    speeds : ndarray, shape (stretch,)
        Speed at every sample of a stretch.
    read : ndarray, shape (groups * channels, stretch)
        What was read.
    stretch : Places
        Where a stretch is read.
    """

    plan: Precises1
    counts: Integers1
    motions: Precises2
    places: Integers2
    low: Reals1
    below: Reals1
    table: Reals2
    recent: Reals2
    line: Reals2
    states: Precises2
    delays: Precises2
    speeds: Precises1
    read: Reals2
    stretch: Places


@kernel()
def motion(kind: int, lag: Precise, speed: Precise, tau: Precise, elapsed: Precise) -> tuple[Precise, Precise]:
    """Where the tape is behind an event.

    Parameters
    ----------
    kind : int
        Of the event.
    lag, speed : float
        What a stop finds: samples that the tape is late, and its speed re the nominal one.
    tau : float
        Time constant in samples.
    elapsed : float
        Samples since the event.

    Returns
    -------
    lag : float
        Samples by which the tape is late; negative where it is ahead.
    speed : float
        Re the nominal one.
    """
    x = elapsed / tau
    left = exponential(-x)
    if kind == STOP:
        found = speed + FRICTION
        return lag + tau * ((1.0 + FRICTION) * x - found * (1.0 - left)), found * left - FRICTION
    if kind == CUED:
        return -tau * left, 1.0 - left
    slow = exponential(-x / SLOWNESS)
    lag = tau * SLOWNESS / (SLOWNESS - 1.0) * (slow - left)
    return lag, 1.0 - (SLOWNESS * left - slow) / (SLOWNESS - 1.0)


@kernel()
def lasting(kind: int, speed: Precise, tau: Precise) -> Precise:
    """Samples until a stopping tape is at rest, or a starting one within a millionth of a sample of its place."""
    if kind == STOP:
        return tau * logarithm((speed + FRICTION) / FRICTION)
    x = max(1.0, logarithm(1.1 * tau / _LEAST_LAG))
    return SLOWNESS * tau * x if kind == LOCKED else tau * x


@kernel()
def found_by(settings: StartStopSettings, sample_rate: Precise, event: int) -> tuple[Precise, Precise]:
    """Lag in samples and speed that an event finds: what the one before it has left."""
    if event == 0:
        return 0.0, 1.0
    before = event - 1
    kind = int(settings.events[before, _KIND])
    if kind == STOP:
        return 0.0, 0.0
    tau = settings.events[before, _CONSTANT] * sample_rate
    elapsed = (settings.events[event, _SECONDS] - settings.events[before, _SECONDS]) * sample_rate
    if elapsed >= lasting(kind, 0.0, tau):
        return 0.0, 1.0
    lag, speed = motion(kind, 0.0, 0.0, tau, elapsed)
    return lag, speed


@kernel()
def lead_of(settings: StartStopSettings, sample_rate: Precise) -> int:
    """Samples that the tape may be ahead."""
    most: Precise = 0.0
    for event in range(settings.events.shape[0]):
        if settings.events[event, _KIND] == CUED:
            most = max(most, settings.events[event, _CONSTANT] * sample_rate)
    return math.ceil(most)


@kernel()
def lag_of(settings: StartStopSettings, sample_rate: Precise) -> int:
    """Samples that the tape may be late while it moves."""
    most: Precise = 0.0
    for event in range(settings.events.shape[0]):
        tau = settings.events[event, _CONSTANT] * sample_rate
        kind = int(settings.events[event, _KIND])
        if kind == STOP:
            lag, speed = found_by(settings, sample_rate, event)
            rest, _ = motion(STOP, lag, speed, tau, lasting(STOP, speed, tau))
            most = max(most, max(lag, rest))
        elif kind == LOCKED:
            most = max(most, 0.95 * tau)
    return math.ceil(most)


@kernel()
def catches_up(settings: StartStopSettings) -> bool:
    """Whether the tape is ever faster than nominal."""
    found = False
    for event in range(settings.events.shape[0]):
        found = found or settings.events[event, _KIND] == LOCKED
    return found


@kernel()
def filters_delay(settings: StartStopSettings) -> int:
    """Samples that the filters of the tape look ahead."""
    return _LOW_HALF + _BELOW_HALF if catches_up(settings) else _LOW_HALF


@kernel()
def start_stop_latency(settings: StartStopSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: what the tape may be ahead, half the reader, and the filters."""
    return lead_of(settings, sample_rate) + _TAPS // 2 + 2 + filters_delay(settings)


@kernel()
def start_stop_tail(settings: StartStopSettings, sample_rate: Precise, channels: int, level_db: Precise) -> int:
    """Samples that may sound on: what the tape may be late, the reader, and what the equalisation holds."""
    if settings.events.shape[0] == 0:
        return 0
    nepers = max(0.0, -_NEPERS_PER_DB * level_db)
    return lag_of(settings, sample_rate) + _TAPS // 2 + math.ceil(nepers * 1e-6 * settings.bass_us * sample_rate)


@kernel()
def _ring_of(settings: StartStopSettings, sample_rate: Precise) -> int:
    """Columns of the ring of tape."""
    around = lead_of(settings, sample_rate) + lag_of(settings, sample_rate)
    return around + _STRETCH + 2 * _MIRROR


@kernel()
def start_stop_shapes(settings: StartStopSettings, sample_rate: Precise, channels: int, shapes: Integers2) -> None:
    """Write the shapes of the arrays of :class:`StartStopMemory`, a row for each."""
    groups = 4 if catches_up(settings) else 2
    events = max(1, settings.events.shape[0])
    row = shape_row(_NUMBERS, 1, shapes, 0)
    row = shape_row(_COUNTS, 1, shapes, row)
    row = shape_row(events, _COLUMNS, shapes, row)
    row = shape_row(events, _COLUMNS, shapes, row)
    row = shape_row(2 * _LOW_HALF + 1, 1, shapes, row)
    row = shape_row(_BELOW_HALF + 1, 1, shapes, row)
    row = shape_row(CELLS + 2, _TAPS, shapes, row)
    row = shape_row(2 * channels, _HISTORY + _STRETCH, shapes, row)
    row = shape_row(groups * channels, _ring_of(settings, sample_rate) + _MIRROR, shapes, row)
    row = shape_row(channels, _STATES, shapes, row)
    row = shape_row(2, _TAPS * _TAPS, shapes, row)
    row = shape_row(_STRETCH, 1, shapes, row)
    row = shape_row(groups * channels, _STRETCH, shapes, row)
    for _ in range(3):
        row = shape_row(_STRETCH, 1, shapes, row)


@kernel()
def _design_low(pole: Precise, treble: Precise, scratch: Precises2, low: Reals1) -> None:
    """Fit the taps that make a pole the low-pass of a time constant, phase included, up to 0.42 of the rate.

    Least squares over the band, whose normal equations are those of sines.

    Parameters
    ----------
    pole : float
        ``exp(-1 / treble)``.
    treble : float
        Time constant in samples.
    scratch : ndarray, shape (2, taps**2 or more)
        Scratch; the first row is taken for a matrix.
    low : ndarray, shape (taps,)
        Gets the taps, the earliest sample's last.
    """
    size = low.size
    factor = scratch[0]
    right = scratch[1]
    for k in range(size):
        right[k] = 0.0
    for point in range(_POINTS):
        turns: Precise = _LOW_EDGE * (point + 0.5) / _POINTS
        w: Precise = 2.0 * _PI * turns
        # (1 - pole exp(-jw)) / (1 + jw treble)
        real = 1.0 - pole * cosine_of_turns(turns)
        imaginary = pole * sine_of_turns(turns)
        size_squared = 1.0 + w * w * treble * treble
        wanted = (real + imaginary * w * treble) / size_squared
        beside = (imaginary - real * w * treble) / size_squared
        for k in range(size):
            angle: Precise = turns * (k - _LOW_HALF)
            right[k] += 2.0 * (wanted * cosine_of_turns(angle) - beside * sine_of_turns(angle)) / _POINTS
    for row in range(size):
        for column in range(row + 1):
            apart = row - column
            radians: Precise = 2.0 * _PI * _LOW_EDGE * apart
            factor[row * size + column] = 2.0 if apart == 0 else 2.0 * sine_of_turns(_LOW_EDGE * apart) / radians
    factorise_rows(size, factor)
    solve_rows(size, factor, right)
    for k in range(size):
        low[k] = right[k]


@kernel()
def _design_below(below: Reals1) -> None:
    """Half of a low-pass that leaves 0.455 of the rate, and is 100 dB down from 0.4895 on: Kaiser's window."""
    middle: Precise = _BELOW_PASS + _BELOW_STOP
    total: Precise = 0.0
    for k in range(below.size):
        along: Precise = k / (below.size - 0.5)
        window = bessel_i0(_KAISER * math.sqrt(1.0 - along * along)) / bessel_i0(_KAISER)
        tap = middle * window if k == 0 else sine_of_turns(0.5 * middle * k) / (_PI * k) * window
        below[k] = tap
        total += tap if k == 0 else 2.0 * tap
    for k in range(below.size):
        below[k] = below[k] / total


@kernel()
def start_stop_design(
    settings: StartStopSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: StartStopMemory,
) -> None:
    """Fill the plan, for memory that is all zeros, and go to a place on the tape; all tracks move alike."""
    counts = memory.counts
    treble = 1e-6 * settings.treble_us * sample_rate
    bass = 1e-6 * settings.bass_us * sample_rate
    memory.plan[_LOW_POLE] = exponential(-1.0 / treble)
    memory.plan[_BASS_POLE] = exponential(-1.0 / bass)
    memory.plan[_SHARE] = treble / bass
    memory.plan[_OPEN] = OPENING * bass
    counts[_LATENCY] = start_stop_latency(settings, sample_rate, channels)
    counts[_DELAY] = filters_delay(settings)
    counts[_RING] = _ring_of(settings, sample_rate)
    counts[_EVENTS] = settings.events.shape[0]
    counts[_SETTLED] = math.ceil(SETTLING * bass)
    counts[_GROUPS] = 4 if catches_up(settings) else 2
    for event in range(settings.events.shape[0]):
        kind = int(settings.events[event, _KIND])
        place = settings.events[event, _SECONDS] * sample_rate
        tau = settings.events[event, _CONSTANT] * sample_rate
        lag, speed = found_by(settings, sample_rate, event)
        whole = np.floor(place)
        rest = place - whole
        memory.motions[event, _REST] = rest
        memory.motions[event, _TAU] = tau
        memory.motions[event, _LAG] = lag
        memory.motions[event, _SPEED] = speed
        memory.places[event, _PLACE] = np.int64(whole)
        memory.places[event, _FIRST] = np.int64(-np.floor(-place))
        memory.places[event, _OVER] = np.int64(whole) + math.ceil(rest + lasting(kind, speed, tau))
        memory.places[event, _WHAT] = kind
    _design_low(memory.plan[_LOW_POLE], treble, memory.delays, memory.low)
    _design_below(memory.below)
    design_reader(_TAPS, memory.delays, memory.table)
    start_stop_seek(memory, start_sample)


@kernel()
def start_stop_seek(memory: StartStopMemory, place: np.int64) -> None:
    """Go to a place on the tape, as if made there."""
    counts = memory.counts
    counts[_START] = place
    counts[_FED] = 0
    counts[_MADE] = 0
    counts[_EVENT] = -1
    clear_rows(memory.line)
    clear_rows(memory.recent)
    clear_precise_rows(memory.states)


@kernel()
def start_stop_process(memory: StartStopMemory, block: Reals2, out: Reals2) -> None:
    """Read a block of any length from a tape that starts and stops.

    Parameters
    ----------
    memory : StartStopMemory
        Plan and state.
    block : ndarray, shape (channels, samples)
        What goes onto the tape.
    out : ndarray, shape (channels, samples)
        Gets what is read; may be `block` itself.
    """
    counts = memory.counts
    taken = 0
    while taken < block.shape[1]:
        count = min(block.shape[1] - taken, _STRETCH)
        _lay(memory, block, taken, count)
        counts[_FED] += count
        end = taken + count
        while taken < end:
            taken = taken + _next_outputs(memory, end - taken, taken, out)


@kernel()
def _put(row: Reals1, place: int, ring: int, first: int, recent: Reals1, count: int) -> None:
    """Write numbers into a ring, from a place on; its first columns stand behind its end as well."""
    to_end = min(count, ring - place)
    around = count - to_end
    here, since, end, turned = np.uintp(place), np.uintp(first), np.uintp(ring), np.uintp(first + to_end)
    for i in range(np.uintp(to_end)):
        row[here + i] = recent[since + i]
    for i in range(np.uintp(max(0, min(to_end, _MIRROR - place)))):
        row[end + here + i] = recent[since + i]
    for i in range(np.uintp(around)):
        row[i] = recent[turned + i]
    for i in range(np.uintp(min(around, _MIRROR))):
        row[end + i] = recent[turned + i]


@kernel()
def _low_passed(
    recent: Reals1, first: int, count: int, low: Reals1, pole: Precise, held: Precise, out: Reals1
) -> Precise:
    """Low-pass numbers of which the first lies in column `first`; returns what the pole holds at the end."""
    begin = np.uintp(first + _LOW_HALF)
    # Tap by tap over all numbers, which fit into vectors side by side.
    for i in range(np.uintp(count)):
        out[i] = low[0] * recent[begin + i]
    for k in range(_1, np.uintp(low.size)):
        tap = low[k]
        for i in range(np.uintp(count)):
            out[i] += tap * recent[begin - k + i]
    for i in range(np.uintp(count)):
        held = pole * held + out[i]
        if abs(held) < _NOTHING:
            held = 0.0
        out[i] = held
    return held


@kernel()
def _without_top(recent: Reals1, first: int, count: int, below: Reals1, out: Reals1) -> None:
    """Filter numbers of which the first lies in column `first`, linear in phase, into the new columns."""
    middle = np.uintp(first)
    begin = np.uintp(_HISTORY)
    for i in range(np.uintp(count)):
        out[begin + i] = below[0] * recent[middle + i]
    for k in range(_1, np.uintp(below.size)):
        tap = below[k]
        for i in range(np.uintp(count)):
            out[begin + i] += tap * (recent[middle - k + i] + recent[middle + k + i])


@kernel()
def _runs_on(memory: StartStopMemory) -> bool:
    """Whether nothing happens any more: the tape is only copied, or stands."""
    counts = memory.counts
    event = int(counts[_EVENT])
    if event + 1 < counts[_EVENTS]:
        return False
    return event < 0 or counts[_START] + counts[_MADE] - counts[_LATENCY] >= memory.places[event, _OVER]


@kernel()
def _lay(memory: StartStopMemory, block: Reals2, taken: int, count: int) -> None:
    """Lay samples onto the tape: as they are; while its speed may change, low-passed and less the top too."""
    counts = memory.counts
    channels = block.shape[0]
    ring = int(counts[_RING])
    delay = int(counts[_DELAY])
    first = _HISTORY - delay
    place = int((counts[_FED] - delay) % ring)
    pole = memory.plan[_LOW_POLE]
    scratch = memory.read[0]
    changes = not _runs_on(memory)
    for channel in range(channels):
        recent = memory.recent[channel]
        states = memory.states[channel]
        for i in range(count):
            recent[_HISTORY + i] = block[channel, taken + i]
        _put(memory.line[channel], place, ring, first, recent, count)
        if changes:
            states[_LOW] = _low_passed(recent, first, count, memory.low, pole, states[_LOW], scratch)
            _put(memory.line[channels + channel], place, ring, 0, scratch, count)
        if changes and counts[_GROUPS] == 4:
            below = memory.recent[channels + channel]
            _without_top(recent, _HISTORY - _BELOW_HALF, count, memory.below, below)
            behind = _HISTORY - _LOW_HALF
            _put(memory.line[2 * channels + channel], place, ring, behind, below, count)
            states[_LOW_BELOW] = _low_passed(below, behind, count, memory.low, pole, states[_LOW_BELOW], scratch)
            _put(memory.line[3 * channels + channel], place, ring, 0, scratch, count)
            for i in range(_HISTORY):
                below[i] = below[count + i]
        for i in range(_HISTORY):
            recent[i] = recent[count + i]


@kernel()
def _next_outputs(memory: StartStopMemory, most: int, at: int, out: Reals2) -> int:
    """Read the next outputs, into columns of `out` from `at` on, until the tape does something else.

    Returns
    -------
    int
        How many were made, `most` or fewer.
    """
    counts = memory.counts
    places = memory.places
    reached = counts[_MADE] - counts[_LATENCY]
    place = counts[_START] + reached
    while counts[_EVENT] + 1 < counts[_EVENTS] and places[counts[_EVENT] + 1, _FIRST] <= place:
        counts[_EVENT] += 1
    event = int(counts[_EVENT])
    count = np.int64(most)
    if event + 1 < counts[_EVENTS]:
        count = min(count, places[event + 1, _FIRST] - place)
    stands = False
    if event < 0:
        stands = counts[_EVENTS] > 0 and places[0, _WHAT] != STOP
        if stands:
            _silence(int(count), at, out)
        else:
            _run(memory, reached, int(count), at, out)
    elif place < places[event, _OVER]:
        count = min(count, places[event, _OVER] - place)
        _move(memory, event, reached, int(count), at, out)
    elif places[event, _WHAT] != STOP:
        _run(memory, reached, int(count), at, out)
    elif place < places[event, _OVER] + counts[_SETTLED]:
        count = min(count, places[event, _OVER] + counts[_SETTLED] - place)
        _settle(memory, int(count), at, out)
    else:
        _silence(int(count), at, out)
    counts[_MADE] += count
    return int(count)


@kernel()
def _silence(count: int, at: int, out: Reals2) -> None:
    """Write silence: the tape stands."""
    for channel in range(out.shape[0]):
        for i in range(count):
            out[channel, at + i] = 0.0


@kernel()
def _run(memory: StartStopMemory, reached: np.int64, count: int, at: int, out: Reals2) -> None:
    """Copy what was recorded: the tape runs at its speed."""
    ring = int(memory.counts[_RING])
    first = int(reached % ring)
    for channel in range(out.shape[0]):
        memory.states[channel, _HELD] = 0.0
        memory.states[channel, _BEFORE] = 0.0
        place = first
        done = 0
        while done < count:
            here, to, some = np.uintp(place), np.uintp(at + done), min(count - done, ring - place)
            for i in range(np.uintp(some)):
                out[channel, to + i] = memory.line[channel, here + i]
            done += some
            place = 0


@kernel()
def _settle(memory: StartStopMemory, count: int, at: int, out: Reals2) -> None:
    """Let die away what the equalisation holds: the tape has come to rest."""
    pole = memory.plan[_BASS_POLE]
    share = memory.plan[_SHARE]
    for channel in range(out.shape[0]):
        states = memory.states[channel]
        under = states[_UNDER]
        held = states[_HELD]
        before = states[_BEFORE]
        for i in range(count):
            held = pole * held + (1.0 - pole) * 0.5 * (under + before)
            before = under
            out[channel, at + i] = (1.0 - share) * (under - held)
        states[_HELD] = held
        states[_BEFORE] = before


@kernel()
def _move(memory: StartStopMemory, event: int, reached: np.int64, count: int, at: int, out: Reals2) -> None:
    """Read the tape where it is while it changes its speed, through head and equalisation."""
    counts = memory.counts
    kind = int(memory.places[event, _WHAT])
    place = counts[_START] + reached
    since = np.float64(place - memory.places[event, _PLACE]) - memory.motions[event, _REST]
    fastest: Precise = 0.0
    for i in range(count):
        lag, speed = motion(
            kind,
            memory.motions[event, _LAG],
            memory.motions[event, _SPEED],
            memory.motions[event, _TAU],
            since + np.float64(i),
        )
        memory.delays[0, i] = lag
        memory.speeds[i] = speed
        fastest = max(fastest, speed)
    locate(memory.delays, 0.0, 0.0, 0.0, CELLS, 0, count, memory.stretch)
    ring = counts[_RING]
    first = reached - (_TAPS // 2 - 1)
    for i in range(count):
        memory.stretch.left[i] = np.int32((first + np.int64(memory.stretch.left[i])) % ring)
    channels = out.shape[0]
    part = Part(0, 0, count, 0)
    for channel in range(channels):
        read_pair_48(memory.line, memory.table, memory.stretch, part, channel, channels + channel, memory.read)
        if counts[_GROUPS] == 4 and fastest > 1.0:
            upper = 2 * channels + channel
            read_pair_48(memory.line, memory.table, memory.stretch, part, upper, channels + upper, memory.read)
            for i in range(count):
                much = min(1.0, max(0.0, (memory.speeds[i] - 1.0) / _FULLY_BELOW))
                for group in range(2):
                    row = group * channels + channel
                    less = memory.read[2 * channels + row, i] - memory.read[row, i]
                    memory.read[row, i] = memory.read[row, i] + much * less
        if kind != STOP and place == memory.places[event, _FIRST]:
            # It stood there, and what the equalisation had was gone.
            memory.states[channel, _HELD] = memory.read[channels + channel, 0]
            memory.states[channel, _BEFORE] = memory.read[channels + channel, 0]
        _equalise(memory, channel, channels + channel, count, at, out)
    if kind != STOP and since < memory.plan[_OPEN]:
        for channel in range(channels):
            for i in range(count):
                out[channel, at + i] = out[channel, at + i] * min(1.0, (since + i) / memory.plan[_OPEN])


@kernel()
def _equalise(memory: StartStopMemory, channel: int, low_row: int, count: int, at: int, out: Reals2) -> None:
    """The replay head and its equalisation, see the module."""
    pole = memory.plan[_BASS_POLE]
    share = memory.plan[_SHARE]
    states = memory.states[channel]
    held = states[_HELD]
    before = states[_BEFORE]
    low: Precise = 0.0
    for i in range(count):
        speed = memory.speeds[i]
        low = memory.read[low_row, i]
        slow = (1.0 - speed) * low
        held = pole * held + (1.0 - pole) * 0.5 * (slow + before)
        if abs(held) < _NOTHING:
            held = 0.0
        before = slow
        out[channel, at + i] = speed * memory.read[channel, i] + slow - held - share * (slow - held)
    states[_HELD] = held
    states[_BEFORE] = before
    states[_UNDER] = low
