"""What a channel hears of the tracks beside its own: see :class:`tapeemu.processors.crosstalk.Crosstalk`."""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, power_of_ten
from tapeemu.dsp.kernels.three_rates import (
    HOP,
    POINTS,
    ThreeRates,
    add_odd_law,
    clear_three_rates,
    design_three_rates,
    filter_hop,
    next_hop,
    next_hop_alone,
    point_turns,
    three_rates_half,
    three_rates_latency,
    three_rates_shapes,
    three_rates_work,
)

__all__ = [
    "CrosstalkMemory",
    "CrosstalkSettings",
    "coupling_gain",
    "crosstalk_design",
    "crosstalk_latency",
    "crosstalk_process",
    "crosstalk_seek",
    "crosstalk_shapes",
    "crosstalk_tail",
    "fringing_gain",
]

_TURN = 6.283185307179586
_LAW_TO_HZ = 20_000.0
_LAW_TO_TURNS = 0.45
"""Coupling rises to 20 kHz or 0.45 of the sample rate, and falls to nothing at half of it."""

_FARTHEST_SECONDS = 0.0125
"""Passing time from which on fringing of tracks that are no neighbours is left out: 13.6 dB down at 20 Hz."""

_ARRAYS_OF_FILTER = 12

# Places in CrosstalkMemory.counts.
_IN_HOP, _COLUMN, _LATE, _HEARD = 0, 1, 2, 3


class CrosstalkSettings(NamedTuple):
    """Settings of the crosstalk, as numbers.

    Attributes
    ----------
    fringing, coupling : int
        1 with it, 0 without.
    fringing_db : float
        Level of the fringing at the longest wavelengths.
    guard_mm, tape_speed_cm_s : float
        Distance between two tracks, and speed of the tape.
    coupling_db : float
        Level of the coupling at 1 kHz.
    tracks_heard : int
        How many tracks away a track is heard, 1 to 3.
    track_width_mm : float
        Width of the tracks that lie between.
    coupling_step_db : float
        By how much coupling falls with every track further away.
    """

    fringing: int
    fringing_db: Precise
    guard_mm: Precise
    tape_speed_cm_s: Precise
    coupling: int
    coupling_db: Precise
    tracks_heard: int
    track_width_mm: Precise
    coupling_step_db: Precise


class CrosstalkMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    counts : ndarray, shape (4,)
        Sample of the hop that is next, column of the lines that gets the hop, samples of latency, and how many
        tracks away a track is heard.
    dry : ndarray, shape (channels, columns)
        The sound, which waits for what is added.
    heard : ndarray, shape (channels, HOP)
        What is added to the sound that is given out now.
    part : ndarray, shape (channels, HOP)
        What is heard of tracks that are no neighbours, on its way to `heard`.
    work : ndarray, shape (three_rates_work(sample_rate),)
        For the design.
    filters, further, farthest : ThreeRates
        Of what is heard of the neighbours, and of the tracks two and three places away. Those that nothing is
        heard of have no lines.
    """

    counts: Integers1
    dry: Reals2
    heard: Reals2
    part: Reals2
    work: Precises1
    filters: ThreeRates
    further: ThreeRates
    farthest: ThreeRates


@kernel()
def fringing_gain(settings: CrosstalkSettings, frequency_hz: Precise, away: int) -> Precise:
    """What the field beyond the edge of a track leaves so many tracks away: ``exp(-k g)``, g the distance."""
    if settings.fringing == 0:
        return 0.0
    distance_mm = away * settings.guard_mm + (away - 1) * settings.track_width_mm
    if away > 1 and 0.1 * distance_mm > _FARTHEST_SECONDS * settings.tape_speed_cm_s:
        return 0.0
    k = _TURN * frequency_hz / (0.01 * settings.tape_speed_cm_s)
    return power_of_ten(0.05 * settings.fringing_db) * exponential(-k * 1e-3 * distance_mm)


@kernel()
def coupling_gain(settings: CrosstalkSettings, frequency_hz: Precise, sample_rate: Precise, away: int) -> Precise:
    """What goes from winding to winding: in proportion to frequency, less by a step for every track between."""
    if settings.coupling == 0:
        return 0.0
    level_db = settings.coupling_db - (away - 1) * settings.coupling_step_db
    gain = power_of_ten(0.05 * level_db) * frequency_hz / 1000.0
    law_to = min(_LAW_TO_HZ, _LAW_TO_TURNS * sample_rate)
    beyond = min(max((frequency_hz - law_to) / (0.5 * sample_rate - law_to), 0.0), 1.0)
    return gain * (0.5 + 0.5 * cosine_of_turns(0.5 * beyond))


@kernel()
def crosstalk_latency(settings: CrosstalkSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: half a filter, nothing for one channel, which has no neighbour."""
    return three_rates_latency(sample_rate) if channels > 1 else 0


@kernel()
def crosstalk_tail(settings: CrosstalkSettings, sample_rate: Precise, channels: int, level_db: Precise) -> int:
    """Samples that sound on: the other half of the filter."""
    return three_rates_half(sample_rate) if channels > 1 else 0


@kernel()
def crosstalk_shapes(settings: CrosstalkSettings, sample_rate: Precise, channels: int, shapes: Integers2) -> None:
    """Write the shapes of the arrays of :class:`CrosstalkMemory`, a row for each."""
    for i in range(shapes.shape[0]):
        for j in range(shapes.shape[1]):
            shapes[i, j] = 1
    for away in range(min(settings.tracks_heard, 3)):
        three_rates_shapes(sample_rate, channels, shapes, 5 + away * _ARRAYS_OF_FILTER)
    shapes[0, 0] = 4
    shapes[1, 0] = channels
    # The line of the filter, which is the seventh of its arrays.
    shapes[1, 1] = shapes[11, 1]
    shapes[2, 0] = channels
    shapes[2, 1] = HOP
    if settings.tracks_heard > 1:
        shapes[3, 0] = channels
        shapes[3, 1] = HOP
    shapes[4, 0] = three_rates_work(sample_rate)


@kernel()
def _design_filter(
    settings: CrosstalkSettings, sample_rate: Precise, away: int, filters: ThreeRates, work: Precises1
) -> None:
    """Design the filter of tracks that are so many places away."""
    laws = filters.laws
    for level in range(3):
        for i in range(POINTS):
            laws[level, i] = fringing_gain(settings, point_turns(level, i) * sample_rate, away)
    design_three_rates(filters, sample_rate, work)
    for i in range(POINTS):
        laws[0, i] = coupling_gain(settings, point_turns(0, i) * sample_rate, sample_rate, away)
    add_odd_law(filters)


@kernel()
def crosstalk_design(
    settings: CrosstalkSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: CrosstalkMemory,
) -> None:
    """Fill the plan; crosstalk is the same everywhere on the tape."""
    _design_filter(settings, sample_rate, 1, memory.filters, memory.work)
    if settings.tracks_heard > 1:
        _design_filter(settings, sample_rate, 2, memory.further, memory.work)
    if settings.tracks_heard > 2:
        _design_filter(settings, sample_rate, 3, memory.farthest, memory.work)
    memory.counts[_HEARD] = settings.tracks_heard
    memory.counts[_LATE] = crosstalk_latency(settings, sample_rate, channels)
    crosstalk_seek(memory, start_sample)


@kernel()
def crosstalk_seek(memory: CrosstalkMemory, place: np.int64) -> None:
    """Go to another place on the tape; nothing that sounded before is left."""
    clear_three_rates(memory.filters)
    if memory.counts[_HEARD] > 1:
        clear_three_rates(memory.further)
    if memory.counts[_HEARD] > 2:
        clear_three_rates(memory.farthest)
    for channel in range(memory.dry.shape[0]):
        for column in range(memory.dry.shape[1]):
            memory.dry[channel, column] = 0.0
        for i in range(HOP):
            memory.heard[channel, i] = 0.0
    memory.counts[_IN_HOP] = place - place // HOP * HOP
    memory.counts[_COLUMN] = next_hop(memory.filters, memory.dry)


@kernel()
def _add_neighbours(memory: CrosstalkMemory, column: int) -> None:
    """Write to the filter's line what a hop's neighbours sound."""
    dry = memory.dry
    line = memory.filters.line
    last = dry.shape[0] - 1
    for channel in range(dry.shape[0]):
        before = max(channel - 1, 0)
        after = min(channel + 1, last)
        if channel == 0 or channel == last:
            only = after if channel == 0 else before
            for i in range(column, column + HOP):
                line[channel, i] = dry[only, i]
        else:
            for i in range(column, column + HOP):
                line[channel, i] = dry[before, i] + dry[after, i]


@kernel()
def _make_room(memory: CrosstalkMemory) -> None:
    """Make room for the next hop in the lines of tracks that are no neighbours; it begins on the same column."""
    if memory.counts[_HEARD] > 1:
        next_hop_alone(memory.further)
    if memory.counts[_HEARD] > 2:
        next_hop_alone(memory.farthest)


@kernel()
def _add_further(memory: CrosstalkMemory, filters: ThreeRates, away: int, column: int) -> None:
    """Add to what is heard a hop of the tracks that are so many places away on either side."""
    dry = memory.dry
    line = filters.line
    channels = dry.shape[0]
    for channel in range(channels):
        before, after = channel - away, channel + away
        for i in range(column, column + HOP):
            line[channel, i] = 0.0
        if before >= 0:
            for i in range(column, column + HOP):
                line[channel, i] = dry[before, i]
        if after < channels:
            for i in range(column, column + HOP):
                line[channel, i] = line[channel, i] + dry[after, i]
    filter_hop(filters, memory.part)
    for channel in range(channels):
        for i in range(HOP):
            memory.heard[channel, i] = memory.heard[channel, i] + memory.part[channel, i]


@kernel()
def crosstalk_process(memory: CrosstalkMemory, block: Reals2, out: Reals2) -> None:
    """Add to every channel what it hears of those beside it.

    Parameters
    ----------
    memory : CrosstalkMemory
        Changed in place.
    block : ndarray, shape (channels, samples)
        Of any length.
    out : ndarray, shape (channels, samples)
        Gets the result; may be `block` itself.
    """
    counts = memory.counts
    dry = memory.dry
    channels, samples = block.shape
    late = int(counts[_LATE])
    done = 0
    while done < samples:
        begin = int(counts[_IN_HOP])
        count = min(samples - done, HOP - begin)
        column = int(counts[_COLUMN])
        to, back, since = np.uintp(column + begin), np.uintp(column + begin - late), np.uintp(done)
        for channel in range(channels):
            for i in range(np.uintp(count)):
                dry[channel, to + i] = block[channel, since + i]
            for i in range(np.uintp(count)):
                out[channel, since + i] = dry[channel, back + i] + memory.heard[channel, np.uintp(begin) + i]
        begin += count
        done += count
        if begin == HOP:
            begin = 0
            if channels > 1:
                _add_neighbours(memory, column)
                filter_hop(memory.filters, memory.heard)
                if counts[_HEARD] > 1:
                    _add_further(memory, memory.further, 2, column)
                if counts[_HEARD] > 2:
                    _add_further(memory, memory.farthest, 3, column)
                _make_room(memory)
            counts[_COLUMN] = next_hop(memory.filters, dry)
        counts[_IN_HOP] = begin
