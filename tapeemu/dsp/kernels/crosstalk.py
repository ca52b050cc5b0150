"""What a channel hears of the tracks beside its own: see :class:`tapeemu.processors.crosstalk.Crosstalk`."""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Reals1, Reals2
from tapeemu.dsp.kernels.builds import settings_may_move
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, power_of_ten
from tapeemu.dsp.kernels.glides import (
    AT,
    CELL,
    REST,
    Glide,
    glide_design,
    glide_late_stands,
    glide_late_value,
    glide_moves,
    glide_pass,
    glide_rest,
    glide_seek,
    glide_target,
    late_glide_shapes,
)
from tapeemu.dsp.kernels.kept_rows import clear_rows
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.three_rates import (
    HOP,
    POINTS,
    ThreeRates,
    clear_three_rates,
    design_three_rates,
    filter_hop,
    filter_hop_at_sample_rate,
    next_hop,
    next_hop_alone,
    odd_taps,
    point_turns,
    three_rates_half,
    three_rates_latency,
    three_rates_shapes,
    three_rates_work,
)

__all__ = [
    "CROSSTALK_MOVES",
    "CrosstalkMemory",
    "CrosstalkSettings",
    "TrackFilter",
    "coupling_gain",
    "coupling_law",
    "crosstalk_change",
    "crosstalk_design",
    "crosstalk_latency",
    "crosstalk_process",
    "crosstalk_seek",
    "crosstalk_shapes",
    "crosstalk_tail",
    "fringing_gain",
    "fringing_law",
]

CROSSTALK_MOVES = ("fringing_db", "coupling_db", "coupling_step_db")
"""Settings that it follows while it plays."""

_TURN = 6.283185307179586
_LAW_TO_HZ = 20_000.0
_LAW_TO_TURNS = 0.45
"""Coupling rises to 20 kHz or 0.45 of the sample rate, and falls to nothing at half of it."""

_FARTHEST_SECONDS = 0.0125
"""Passing time from which on fringing of tracks that are no neighbours is left out: 13.6 dB down at 20 Hz."""

_NONE_DB = -120.0
"""Level of what is not there at all."""

# Places in CrosstalkMemory.counts.
_IN_HOP, _COLUMN, _LATE, _HEARD, _APART = 0, 1, 2, 3, 4
_COUNTS = 5

_FRINGING, _COUPLING = 0, 1
_NUMBERS = 4
"""What glides: gain of the fringing, and of the coupling one, two and three tracks away."""


class CrosstalkSettings(NamedTuple):
    """Settings of the crosstalk, as numbers.

    Attributes
    ----------
    fringing_db : float
        Level of the fringing at the longest wavelengths; -120 for none.
    guard_mm, tape_speed_cm_s : float
        Distance between two tracks, and speed of the tape.
    coupling_db : float
        Level of the coupling at 1 kHz; -120 for none.
    tracks_heard : int
        How many tracks away a track is heard, 1 to 3.
    track_width_mm : float
        Width of the tracks that lie between.
    coupling_step_db : float
        By how much coupling falls with every track further away.
    """

    fringing_db: Precise
    guard_mm: Precise
    tape_speed_cm_s: Precise
    coupling_db: Precise
    tracks_heard: int
    track_width_mm: Precise
    coupling_step_db: Precise


class TrackFilter(NamedTuple):
    """What is heard of the tracks that are so many places away.

    Attributes
    ----------
    rates : ThreeRates
        The filter that runs: both laws together, or the fringing alone at 0 dB while levels move.
    raised : ndarray, shape of ``rates.raising``
        Its last step from the lower rates, with the gain that the fringing has in it: what comes before is at
        0 dB always, so that it need not be heard anew when that changes.
    fast : ndarray, shape of ``rates.fast``
        Taps of the fringing at 0 dB.
    odd : ndarray, shape of `fast`
        Taps of the coupling at 0 dB.
    """

    rates: ThreeRates
    raised: Reals2
    fast: Reals1
    odd: Reals1


class CrosstalkMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    counts : ndarray, shape (5,)
        Sample of the hop that is next, column of the lines that gets the hop, samples of latency, how many tracks
        away a track is heard, and whether the laws are filtered apart.
    dry : ndarray, shape (channels, columns)
        The sound, which waits for what is added.
    heard : ndarray, shape (channels, HOP)
        What is added to the sound that is given out now.
    part : ndarray, shape (channels, HOP)
        What is heard of tracks that are no neighbours, on its way to `heard`.
    coupled : ndarray, shape (channels, HOP)
        What is heard by coupling, where it is filtered apart.
    gains : ndarray, shape (4, HOP)
        Scratch: what glides, sample by sample.
    work : ndarray, shape (three_rates_work(sample_rate),)
        For the design.
    filters, further, farthest : TrackFilter
        Of what is heard of the neighbours, and of the tracks two and three places away. Those that nothing is
        heard of have no lines.
    glide : Glide
        Gains.
    """

    counts: Integers1
    dry: Reals2
    heard: Reals2
    part: Reals2
    coupled: Reals2
    gains: Reals2
    work: Precises1
    filters: TrackFilter
    further: TrackFilter
    farthest: TrackFilter
    glide: Glide


@kernel()
def fringing_law(settings: CrosstalkSettings, frequency_hz: Precise, away: int) -> Precise:
    """What the field beyond the edge of a track leaves so many tracks away: ``exp(-k g)``, g the distance."""
    distance_mm = away * settings.guard_mm + (away - 1) * settings.track_width_mm
    if away > 1 and 0.1 * distance_mm > _FARTHEST_SECONDS * settings.tape_speed_cm_s:
        return 0.0
    k = _TURN * frequency_hz / (0.01 * settings.tape_speed_cm_s)
    return exponential(-k * 1e-3 * distance_mm)


@kernel()
def coupling_law(frequency_hz: Precise, sample_rate: Precise) -> Precise:
    """What goes from winding to winding, re 1 kHz: in proportion to frequency."""
    law_to = min(_LAW_TO_HZ, _LAW_TO_TURNS * sample_rate)
    beyond = min(max((frequency_hz - law_to) / (0.5 * sample_rate - law_to), 0.0), 1.0)
    return frequency_hz / 1000.0 * (0.5 + 0.5 * cosine_of_turns(0.5 * beyond))


@kernel()
def fringing_gain(settings: CrosstalkSettings) -> Precise:
    """Gain of the fringing at the longest wavelengths."""
    return power_of_ten(0.05 * settings.fringing_db) if settings.fringing_db > _NONE_DB else 0.0


@kernel()
def coupling_gain(settings: CrosstalkSettings, away: int) -> Precise:
    """Gain of the coupling at 1 kHz: less by a step for every track between."""
    level_db = settings.coupling_db - (away - 1) * settings.coupling_step_db
    return power_of_ten(0.05 * level_db) if settings.coupling_db > _NONE_DB else 0.0


@kernel()
def crosstalk_latency(settings: CrosstalkSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: half a filter, nothing for one channel, which has no neighbour."""
    return three_rates_latency(sample_rate) if channels > 1 else 0


@kernel()
def crosstalk_tail(settings: CrosstalkSettings, sample_rate: Precise, channels: int, level_db: Precise) -> int:
    """Samples that sound on: the other half of the filter."""
    return three_rates_half(sample_rate) if channels > 1 else 0


@kernel()
def _filter_shapes(sample_rate: Precise, channels: int, shapes: Integers2, row: int) -> int:
    """Write the shapes of the arrays of a :class:`TrackFilter` from a row on; gives the row of the next one."""
    behind = three_rates_shapes(sample_rate, channels, shapes, row)
    # Of the filter that runs, taps are the second array, and the fifth is what raises a rate.
    taps = int(shapes[row + 1, 0])
    behind = shape_row(int(shapes[row + 4, 0]), int(shapes[row + 4, 1]), shapes, behind)
    return shape_row(taps, 1, shapes, shape_row(taps, 1, shapes, behind))


@kernel()
def crosstalk_shapes(settings: CrosstalkSettings, sample_rate: Precise, channels: int, shapes: Integers2) -> None:
    """Write the shapes of the arrays of :class:`CrosstalkMemory`, a row for each."""
    for i in range(shapes.shape[0]):
        for j in range(shapes.shape[1]):
            shapes[i, j] = 1
    further = settings.tracks_heard > 1
    shape_row(_COUNTS, 1, shapes, 0)
    shape_row(channels, HOP, shapes, 2)
    if further:
        shape_row(channels, HOP, shapes, 3)
    if settings_may_move():
        shape_row(channels, HOP, shapes, 4)
        shape_row(_NUMBERS, HOP, shapes, 5)
    row = shape_row(three_rates_work(sample_rate), 1, shapes, 6)
    arrays = _filter_shapes(sample_rate, channels, shapes, row) - row
    # The line of the filter, which is the seventh of its arrays.
    shape_row(channels, int(shapes[row + 6, 1]), shapes, 1)
    for away in range(1, min(settings.tracks_heard, 3)):
        _filter_shapes(sample_rate, channels, shapes, row + away * arrays)
    late = three_rates_latency(sample_rate)
    late_glide_shapes(_NUMBERS, late, sample_rate, row + 3 * arrays, shapes)


@kernel()
def _set_taps(filters: TrackFilter, fringing: Precise, coupling: Precise) -> None:
    """Let a filter run with both laws at these gains."""
    rates = filters.rates
    for n in range(rates.fast.size):
        rates.fast[n] = fringing * filters.fast[n] + coupling * filters.odd[n]
    for k in range(rates.raising.shape[0]):
        for phase in range(rates.raising.shape[1]):
            filters.raised[k, phase] = fringing * rates.raising[k, phase]


@kernel()
def _set_all_taps(memory: CrosstalkMemory, apart: bool) -> None:
    """Let all filters run with both laws as designed, or with the fringing alone at 0 dB."""
    values = memory.glide.values
    for away in range(1, int(memory.counts[_HEARD]) + 1):
        fringing: Precise = 1.0 if apart else values[_FRINGING, REST]
        coupling: Precise = 0.0 if apart else values[_COUPLING + away - 1, REST]
        if away == 1:
            _set_taps(memory.filters, fringing, coupling)
        elif away == 2:
            _set_taps(memory.further, fringing, coupling)
        else:
            _set_taps(memory.farthest, fringing, coupling)
    memory.counts[_APART] = 1 if apart else 0


@kernel()
def _design_filter(
    settings: CrosstalkSettings, sample_rate: Precise, away: int, filters: TrackFilter, work: Precises1
) -> None:
    """Design both laws of tracks that are so many places away, each at 0 dB."""
    rates = filters.rates
    laws = rates.laws
    for level in range(3):
        for i in range(POINTS):
            laws[level, i] = fringing_law(settings, point_turns(level, i) * sample_rate, away)
    design_three_rates(rates, sample_rate, work)
    for n in range(rates.fast.size):
        filters.fast[n] = rates.fast[n]
    for i in range(POINTS):
        laws[0, i] = coupling_law(point_turns(0, i) * sample_rate, sample_rate)
    odd_taps(laws[0], filters.odd)


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
    glide_rest(_FRINGING, fringing_gain(settings), memory.glide)
    for away in range(1, _NUMBERS):
        glide_rest(_COUPLING + away - 1, coupling_gain(settings, away), memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    _set_all_taps(memory, False)
    crosstalk_seek(memory, start_sample)


@kernel()
def crosstalk_change(
    settings: CrosstalkSettings, sample_rate: Precise, channels: int, memory: CrosstalkMemory
) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `CROSSTALK_MOVES` may differ from the ones that it was designed for.
    """
    glide_target(_FRINGING, fringing_gain(settings), memory.glide)
    for away in range(1, _NUMBERS):
        glide_target(_COUPLING + away - 1, coupling_gain(settings, away), memory.glide)


@kernel()
def crosstalk_seek(memory: CrosstalkMemory, place: np.int64) -> None:
    """Go to another place on the tape; nothing that sounded before is left."""
    glide_seek(place, memory.glide)
    clear_three_rates(memory.filters.rates)
    if memory.counts[_HEARD] > 1:
        clear_three_rates(memory.further.rates)
    if memory.counts[_HEARD] > 2:
        clear_three_rates(memory.farthest.rates)
    clear_rows(memory.dry)
    clear_rows(memory.heard)
    memory.counts[_IN_HOP] = place - place // HOP * HOP
    memory.counts[_COLUMN] = next_hop(memory.filters.rates, memory.dry)


@kernel()
def _add_neighbours(memory: CrosstalkMemory, column: int) -> None:
    """Write to the filter's line what a hop's neighbours sound."""
    dry = memory.dry
    line = memory.filters.rates.line
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
        next_hop_alone(memory.further.rates)
    if memory.counts[_HEARD] > 2:
        next_hop_alone(memory.farthest.rates)


@kernel()
def _find_gains(memory: CrosstalkMemory) -> None:
    """See whether levels move where the next hop lies on the tape, and if so, find them sample by sample.

    It is asked of the place alone: where a render began, and how it is cut, must not decide how it is added up.
    """
    glide = memory.glide
    first = int(glide.counts[AT] - memory.counts[_LATE])
    apart = glide_moves(glide) and not glide_late_stands(first, HOP, glide)
    if apart != (memory.counts[_APART] == 1):
        _set_all_taps(memory, apart)
    if apart:
        for number in range(_NUMBERS):
            for i in range(HOP):
                memory.gains[number, i] = glide_late_value(number, first + i, glide)


@kernel()
def _filter_tracks(memory: CrosstalkMemory, filters: TrackFilter, away: int, out: Reals2) -> None:
    """Filter the hop that was written to the line of tracks so many places away."""
    if settings_may_move() and memory.counts[_APART] == 1:
        filter_hop_at_sample_rate(filters.rates, filters.odd, memory.coupled)
        filter_hop(filters.rates, filters.raised, out)
        fringing, coupling = memory.gains[_FRINGING], memory.gains[_COUPLING + away - 1]
        for channel in range(out.shape[0]):
            for i in range(HOP):
                out[channel, i] = fringing[i] * out[channel, i] + coupling[i] * memory.coupled[channel, i]
    else:
        filter_hop(filters.rates, filters.raised, out)


@kernel()
def _add_further(memory: CrosstalkMemory, filters: TrackFilter, away: int, column: int) -> None:
    """Add to what is heard a hop of the tracks that are so many places away on either side."""
    dry = memory.dry
    line = filters.rates.line
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
    _filter_tracks(memory, filters, away, memory.part)
    for channel in range(channels):
        for i in range(HOP):
            memory.heard[channel, i] = memory.heard[channel, i] + memory.part[channel, i]


@kernel()
def _hear_tracks(memory: CrosstalkMemory, column: int) -> None:
    """Make what is added to the sound that is given out during the next hop."""
    if settings_may_move():
        _find_gains(memory)
    _add_neighbours(memory, column)
    _filter_tracks(memory, memory.filters, 1, memory.heard)
    if memory.counts[_HEARD] > 1:
        _add_further(memory, memory.further, 2, column)
    if memory.counts[_HEARD] > 2:
        _add_further(memory, memory.farthest, 3, column)
    _make_room(memory)


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
        if glide_moves(memory.glide):
            count = min(count, int(memory.glide.counts[CELL] - memory.glide.counts[AT]))
        column = int(counts[_COLUMN])
        to, back, since = np.uintp(column + begin), np.uintp(column + begin - late), np.uintp(done)
        for channel in range(channels):
            for i in range(np.uintp(count)):
                dry[channel, to + i] = block[channel, since + i]
            for i in range(np.uintp(count)):
                out[channel, since + i] = dry[channel, back + i] + memory.heard[channel, np.uintp(begin) + i]
        glide_pass(count, memory.glide)
        begin += count
        done += count
        if begin == HOP:
            begin = 0
            if channels > 1:
                _hear_tracks(memory, column)
            counts[_COLUMN] = next_hop(memory.filters.rates, dry)
        counts[_IN_HOP] = begin
