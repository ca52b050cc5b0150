"""Gaussian noise of a given spectrum, from filtered hashed numbers, octave by octave.

A spectrum as a sum of noises, one an octave, each a filtered sequence of random numbers at its own rate: the
idea of Voss and McCartney (from memory), here with flanks whose powers add up to one. Octaves are an exact
octave apart, counted down from the highest frequency of the spectrum. The nodes of one octave are half as dense
as those of the next, so what lies below is raised to twice its rate (the maximally flat halfband interpolator,
which is Lagrange's) and the next octave is added, up to the top; a cubic between the last nodes makes a curve
of it.

Nodes are functions of their number alone. The last ones of every octave are kept, so a stretch behind the one
before costs its own nodes only; any other is made from nothing, to the same bits.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Hashes1, Hashes2, Integers2, Precise, Precises1, Precises2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, logarithm, sine_of_turns
from tapeemu.dsp.kernels.exact_places import place_of, set_rate
from tapeemu.dsp.kernels.hashing import mix_hash
from tapeemu.dsp.kernels.hashing import white as white_number
from tapeemu.dsp.kernels.lanes import eight_precise_lanes
from tapeemu.dsp.kernels.noise_spectrum import (
    BAND,
    HIGHEST_SHARE,
    noise_highest,
    noise_power,
    spectrum_begin,
    spectrum_end,
    spectrum_ratio,
    spectrum_shape,
)

__all__ = [
    "Noises",
    "add_noise_curve",
    "add_noise_samples",
    "cubics_room",
    "design_noise",
    "fill_nodes",
    "forget_nodes",
    "noise_octaves",
    "pairs_room",
]

TAPS = 32
_MIDDLE = 15
"""Tap of a node's own number; the node after it has its own between this one and the next."""
_LN2 = 0.6931471805599453
_TURN = 6.283185307179586

_LOWEST_OF_HIGH = 0.15
"""A band down to 0 Hz has octaves down to this share of its upper edge; the lowest takes all below."""

_FREQUENCIES = 96
"""Frequencies at which an octave's spectrum is taken in its design."""

# Rows of an octave's taps: nodes on a hashed number, and halfway to the next one.
# Columns of Noises.layout.
FIRST_OCTAVE = 0
OCTAVES = 1
DOUBLED = 2
ON_CURVE = 3
LAYOUT_SIZE = 4
# Columns of Noises.values.
PER_SAMPLE = 0
VALUES_SIZE = 1

_DENSE = 8.0
"""Samples to a node from which on the last grid is raised once more, because that costs little."""

_MARGIN = 4
"""Nodes to either side of a node from which its slope is taken."""

# Columns of Noises.held.
_BEGIN = 0
_PAIRS = 1
# Rows of Noises.spans.
_FROM = 0
_TO = 1
_ONE, _TWO, _THREE, _EIGHT = np.uintp(1), np.uintp(2), np.uintp(3), np.uintp(8)


class Noises(NamedTuple):
    """Noises of a trajectory: what they are made of, and the nodes that were made last.

    A grid of nodes has a row for every octave, and one more where the last is raised. Rows of one variant follow
    one another, noise by noise.

    Attributes
    ----------
    keys : ndarray, shape (noises,)
        Keys of the hashed numbers.
    rates : ndarray, shape (noises, 3)
        Nodes per sample of the last grid of nodes, as of :func:`set_rate`.
    layout : ndarray, shape (noises, LAYOUT_SIZE)
        First octave and number of octaves; whether the last grid is raised once more; whether it is slow enough
        for the trajectory's curve.
    values : ndarray, shape (noises, VALUES_SIZE)
        Nodes per sample.
    taps : ndarray, shape (2 * octaves, 32)
        Two rows an octave.
    spans : ndarray, shape (2, octaves of a noise + 1)
        Scratch: first pair of nodes that every grid is to make, and the one behind the last.
    held : ndarray, shape (variants * (octaves + noises), 2)
        First pair of nodes that a row holds, and how many; all zeros where it holds none.
    numbers : ndarray, shape (variants * (octaves + noises), pairs + 31)
        Hashed numbers of the pairs, 15 before the first one's and 16 behind the last one's.
    nodes : ndarray, shape (variants * (octaves + noises), 2 * pairs)
        The nodes.
    cubics : ndarray, shape (3, longest)
        Scratch: what the cubics between nodes are made of.
    """

    keys: Hashes1
    rates: Hashes2
    layout: Integers2
    values: Precises2
    taps: Precises2
    spans: Integers2
    held: Integers2
    numbers: Precises2
    nodes: Precises2
    cubics: Precises2


@kernel()
def noise_octaves(kind: int, low_hz: Precise, high_hz: Precise, sample_rate: Precise) -> int:
    """Octaves that a noise is made of: down to a centre at or below its lower edge."""
    lowest = low_hz
    if kind == BAND and low_hz == 0.0:
        lowest = _LOWEST_OF_HIGH * high_hz
    centre = 0.5 * noise_highest(kind, low_hz, high_hz, sample_rate)
    octaves = 1
    while centre > lowest:
        centre = 0.5 * centre
        octaves += 1
    return octaves


@kernel()
def cubics_room(highest_hz: Precise, sample_rate: Precise, samples: int) -> int:
    """Columns of cubics that a noise of a highest frequency needs for a stretch of samples."""
    return math.ceil(8.0 * highest_hz / sample_rate * samples) + 3


@kernel()
def pairs_room(highest_hz: Precise, sample_rate: Precise, samples: int) -> int:
    """Pairs of nodes that a grid of such a noise needs for a stretch: of a slow one, what the grid above hears."""
    return max(cubics_room(highest_hz, sample_rate, samples) // 2 + _MARGIN + 2, 2 * _MARGIN + 4)


@kernel()
def _flank(octave: int, octaves: int, place: Precise) -> Precise:
    """Amplitude of an octave at a place in octaves from its centre; the outermost take all beyond theirs."""
    if octave == 0:
        place = max(place, 0.0)
    if octave == octaves - 1:
        place = min(place, 0.0)
    if abs(place) >= 1.0:
        return 0.0
    return cosine_of_turns(0.25 * place)


@kernel()
def _power_of_taps(taps: Precises2, integrated: bool, node_rate: Precise) -> Precise:
    """Power of the noise that the taps make of `node_rate` nodes a second, read from their own transform."""
    made: Precise = 0.0
    width = 0.5 * node_rate / _FREQUENCIES
    for i in range(_FREQUENCIES):
        frequency = width * (i + 0.5)
        response: Precise = 0.0 if integrated else taps[0, _MIDDLE]
        # Cosines, or sines, of 1, 2, ... angles: each from the two before it.
        turns = frequency / node_rate
        twice = 2.0 * cosine_of_turns(turns)
        wave: Precise = sine_of_turns(turns) if integrated else 0.5 * twice
        before: Precise = 0.0 if integrated else 1.0
        for j in range(1, TAPS):
            response += 2.0 * taps[j % 2, _MIDDLE - j // 2] * wave
            after = twice * wave - before
            before = wave
            wave = after
        if integrated:
            response = response * (_TURN * frequency)
        made += width / node_rate * response * response
    return made


@kernel()
def _design_octave(
    kind: int,
    low_hz: Precise,
    high_hz: Precise,
    slope_db_per_octave: Precise,
    integrated: bool,
    lower_hz: Precise,
    upper_hz: Precise,
    centre_hz: Precise,
    octave: int,
    octaves: int,
    taps: Precises2,
) -> None:
    """Design the taps of an octave of an unscaled spectrum.

    The inverse transform of the spectrum's amplitude times the octave's flank, under a Hann window; for the
    integral of the noise it is divided by the frequency, and odd, so that nothing drifts. The power of the
    noise itself, read from the taps' own transform, is then made what the octave's share of the spectrum is.

    Parameters
    ----------
    lower_hz, upper_hz : float
        Limits of the octave's share.
    taps : ndarray, shape (2, 32)
        Gets them: for a node on number 15 of the 32, and for the node after it.
    others
        As for :func:`design_noise`.
    """
    node_rate = 8.0 * centre_hz
    ratio = spectrum_ratio(kind, low_hz, high_hz)
    for row in range(2):
        for k in range(TAPS):
            taps[row, k] = 0.0
    step = (upper_hz - lower_hz) / _FREQUENCIES
    wanted: Precise = 0.0
    for i in range(_FREQUENCIES):
        frequency = lower_hz + step * (i + 0.5)
        shape = spectrum_shape(kind, low_hz, high_hz, slope_db_per_octave, ratio, frequency)
        shape = shape * _flank(octave, octaves, logarithm(frequency / centre_hz) / _LN2)
        wanted += step * shape * shape
        if integrated:
            shape = shape / frequency
        # Cosines, or sines, of 0, 1, 2, ... angles: each from the two before it.
        turns = frequency / node_rate
        twice = 2.0 * cosine_of_turns(turns)
        wave: Precise = 0.0 if integrated else 1.0
        before = -sine_of_turns(turns) if integrated else 0.5 * twice
        for j in range(TAPS):
            taps[j % 2, _MIDDLE - j // 2] += shape * wave
            after = twice * wave - before
            before = wave
            wave = after
    # The window reaches zero 32 nodes from the middle; the other half of the taps is the mirror of the first.
    for j in range(TAPS):
        tap = taps[j % 2, _MIDDLE - j // 2] * (0.5 + 0.5 * cosine_of_turns(j / (2.0 * TAPS)))
        taps[j % 2, _MIDDLE - j // 2] = tap
        if j > 0:
            taps[j % 2, _MIDDLE + (j + 1) // 2] = -tap if integrated else tap
    made = _power_of_taps(taps, integrated, node_rate)
    scale = math.sqrt(wanted / made) if made > 0.0 else 0.0
    for row in range(2):
        for k in range(TAPS):
            taps[row, k] *= scale


@kernel()
def design_noise(
    number: int,
    kind: int,
    key: np.uint64,
    low_hz: Precise,
    high_hz: Precise,
    rms: Precise,
    slope_db_per_octave: Precise,
    integrated: bool,
    sample_rate: Precise,
    curve_rate: Precise,
    noises: Noises,
) -> None:
    """Design a noise.

    Parameters
    ----------
    number : int
        Which of the group's; to be set in order.
    kind : int
        LAW or BAND, see :func:`tapeemu.dsp.kernels.noise_spectrum.spectrum_shape`.
    key : uint64
        Key of its random numbers.
    low_hz, high_hz : float
        Edges; the lower of a band may be 0 if it is not integrated.
    rms : float
        Standard deviation of the noise, before integration; 0 for a noise that is not there.
    slope_db_per_octave : float
        Of the power density of a law.
    integrated : bool
        Deliver the integral over time in seconds. It is designed as a response, not accumulated, so it is bounded.
    sample_rate : float
        Samples per second; what lies above 0.45 of it is left out.
    curve_rate : float
        Points per second of the curve that slow noise is drawn on first.
    noises : Noises
        Gets it.
    """
    layout = noises.layout
    first = 0
    if number > 0:
        first = layout[number - 1, FIRST_OCTAVE] + layout[number - 1, OCTAVES]
    layout[number, FIRST_OCTAVE] = first
    layout[number, OCTAVES] = 0
    noises.keys[number] = key
    if not rms > 0.0:
        return
    octaves = noise_octaves(kind, low_hz, high_hz, sample_rate)
    highest = noise_highest(kind, low_hz, high_hz, sample_rate)
    end = min(spectrum_end(kind, low_hz, high_hz), HIGHEST_SHARE * sample_rate)
    begin = spectrum_begin(kind, low_hz, high_hz)
    if begin >= end:
        return
    layout[number, OCTAVES] = octaves
    centre = 0.5 * highest
    for octave in range(octaves - 1, -1, -1):
        lower = begin if octave == 0 else max(begin, 0.5 * centre)
        upper = end if octave == octaves - 1 else min(end, 2.0 * centre)
        row = 2 * (first + octave)
        _design_octave(
            kind,
            low_hz,
            high_hz,
            slope_db_per_octave,
            integrated,
            lower,
            max(lower, upper),
            centre,
            octave,
            octaves,
            noises.taps[row : row + 2],
        )
        centre = 0.5 * centre
    scale = rms / math.sqrt(noise_power(kind, low_hz, high_hz, slope_db_per_octave))
    for each in range(2 * first, 2 * (first + octaves)):
        for k in range(TAPS):
            noises.taps[each, k] *= scale
    node_rate = 4.0 * highest
    layout[number, DOUBLED] = 0
    if _DENSE * node_rate < sample_rate:
        layout[number, DOUBLED] = 1
        node_rate = 2.0 * node_rate
    layout[number, ON_CURVE] = 1 if 5.5 * min(highest, end) <= curve_rate else 0
    noises.values[number, PER_SAMPLE] = node_rate / sample_rate
    set_rate(node_rate, sample_rate, noises.rates[number])


@kernel()
def _filter_pairs(numbers: Precises1, taps: Precises2, first: int, pairs: int, out: Precises1) -> None:
    """Write two nodes of an octave for each of successive numbers, from pair `first` of a row to its last one.

    Parameters
    ----------
    numbers : ndarray, shape (pairs + 31 or more,)
        Hashed numbers; those of the row's first pair begin at column 0.
    taps : ndarray, shape (2, 32)
        Of the octave.
    first, pairs : int
        First pair to make, and how many the row has then.
    out : ndarray, shape (2 * pairs or more,)
        Gets the nodes.
    """
    even, odd = taps[0], taps[1]
    at = np.uintp(first)
    eights = np.uintp((pairs - first) // 8)
    # Eight pairs side by side: every sum grows as it would alone.
    for _ in range(eights):
        a = eight_precise_lanes()
        b = eight_precise_lanes()
        for k in range(np.uintp(TAPS)):
            for j in range(_EIGHT):
                number = numbers[at + k + j]
                a[j] += even[k] * number
                b[j] += odd[k] * number
        for j in range(_EIGHT):
            out[_TWO * (at + j)] = a[j]
            out[_TWO * (at + j) + _ONE] = b[j]
        at = at + _EIGHT
    for m in range(at, np.uintp(pairs)):
        one: Precise = 0.0
        other: Precise = 0.0
        for k in range(np.uintp(TAPS)):
            number = numbers[m + k]
            one += even[k] * number
            other += odd[k] * number
        out[_TWO * m] = one
        out[_TWO * m + _ONE] = other


@kernel()
def _add_raised(low: Precises1, first: int, pairs: int, out: Precises1) -> None:
    """Add nodes raised to twice their rate, eight nodes to a place between two.

    Parameters
    ----------
    low : ndarray, shape (pairs - first + 7 or more,)
        Nodes of the grid below; ``low[3]`` lies on the first node of pair `first`.
    first, pairs : int
        First pair that is added to, and the one behind the last.
    out : ndarray, shape (2 * pairs or more,)
        Is added to.
    """
    to = np.uintp(first)
    for k in range(np.uintp(pairs - first)):
        three = low[k + _THREE]
        between = (
            1225.0 * (three + low[k + np.uintp(4)])
            - 245.0 * (low[k + np.uintp(2)] + low[k + np.uintp(5)])
            + 49.0 * (low[k + np.uintp(1)] + low[k + np.uintp(6)])
            - 5.0 * (low[k] + low[k + np.uintp(7)])
        )
        out[_TWO * (to + k)] += three
        out[_TWO * (to + k) + _ONE] += (1.0 / 2048.0) * between


@kernel()
def _keep_from(row: Precises1, skipped: int, kept: int) -> None:
    """Move what is kept of a row to its front."""
    since = np.uintp(skipped)
    for i in range(np.uintp(kept)):
        row[i] = row[since + i]


@kernel()
def _make_room(row: int, begin: np.int64, noises: Noises) -> int:
    """Let a row of nodes begin at a pair, keep what it holds from there on, and return how many pairs that is."""
    held = noises.held
    held_from = held[row, _BEGIN]
    held_to = held_from + held[row, _PAIRS]
    kept = 0
    if held_from <= begin and begin < held_to:
        kept = int(held_to - begin)
        skipped = int(begin - held_from)
        if skipped > 0:
            _keep_from(noises.nodes[row], 2 * skipped, 2 * kept)
            _keep_from(noises.numbers[row], skipped, kept + TAPS - 1)
    held[row, _BEGIN] = begin
    held[row, _PAIRS] = kept
    return kept


@kernel()
def forget_nodes(variant: int, noises: Noises) -> None:
    """Let the rows of a variant hold nothing."""
    last = noises.keys.size - 1
    rows = int(noises.layout[last, FIRST_OCTAVE] + noises.layout[last, OCTAVES]) + noises.keys.size
    for row in range(variant * rows, (variant + 1) * rows):
        noises.held[row, _PAIRS] = 0


@kernel()
def _first_row(number: int, place: int, noises: Noises) -> int:
    """Row of the lowest grid of a noise, for the variant whose rows have this place."""
    layout = noises.layout
    last = noises.keys.size - 1
    rows = int(layout[last, FIRST_OCTAVE] + layout[last, OCTAVES]) + noises.keys.size
    return place * rows + int(layout[number, FIRST_OCTAVE]) + number


@kernel()
def fill_nodes(number: int, place: int, variant: np.uint64, first: np.int64, count: int, noises: Noises) -> int:
    """Make nodes of the last grid of a noise, and return where they are.

    Parameters
    ----------
    number : int
        Which noise.
    place : int
        Which rows of nodes are the variant's. They hold nothing, or what was made for this variant.
    variant : uint64
        Picks other random numbers; 0 for those of the key.
    first : int64
        First node.
    count : int
        How many.
    noises : Noises
        The nodes lie in the row of the noise's last grid.

    Returns
    -------
    int
        Column of the first node.
    """
    spans = noises.spans
    held = noises.held
    octaves = int(noises.layout[number, OCTAVES])
    first_octave = int(noises.layout[number, FIRST_OCTAVE])
    grids = octaves + int(noises.layout[number, DOUBLED])
    lowest = _first_row(number, place, noises)
    # From the top down: which pairs of nodes each grid must have for the one above it. What it holds, it has.
    begin = first
    end = first + count
    grid = grids - 1
    missing = True
    while grid >= 0 and missing:
        row = lowest + grid
        pair = begin // 2
        behind = (end + 1) // 2
        held_to = held[row, _BEGIN] + held[row, _PAIRS]
        missing = pair < held[row, _BEGIN] or behind > held_to
        if missing:
            kept = _make_room(row, pair, noises)
            spans[_FROM, grid] = pair + kept
            spans[_TO, grid] = behind
            begin = pair + kept - 3
            end = behind + 4
            grid -= 1
    key = mix_hash(noises.keys[number], variant)
    for each in range(grid + 1, grids):
        row = lowest + each
        begin = held[row, _BEGIN]
        kept = int(spans[_FROM, each] - begin)
        pairs = int(spans[_TO, each] - begin)
        nodes = noises.nodes[row]
        if each < octaves:
            numbers = noises.numbers[row]
            octave_key = mix_hash(key, np.uint64(each))
            start = np.uint64(begin - _MIDDLE)
            for i in range(np.uintp(kept + TAPS - 1 if kept > 0 else 0), np.uintp(pairs + TAPS - 1)):
                numbers[i] = white_number(octave_key, start + np.uint64(i))
            rows = 2 * (first_octave + each)
            _filter_pairs(numbers, noises.taps[rows : rows + 2], kept, pairs, nodes)
        else:
            for i in range(2 * kept, 2 * pairs):
                nodes[i] = 0.0
        if each > 0:
            below = int(spans[_FROM, each] - 3 - 2 * held[row - 1, _BEGIN])
            _add_raised(noises.nodes[row - 1, below:], kept, pairs, nodes)
        held[row, _PAIRS] = pairs
    return int(first - 2 * held[lowest + grids - 1, _BEGIN])


@kernel()
def _fill_cubics(nodes: Precises1, count: int, slopes: Precises1, leans: Precises1, bends: Precises1) -> None:
    """Write what the cubics between successive nodes are made of, from node 4 on.

    The slope per node spacing is taken from eight neighbours, exact to the eighth power. Behind node `i` the
    curve is ``nodes[i] + u * (slopes[i] + u * (leans[i] + u * bends[i]))`` (Hermite).
    """
    for i in range(np.uintp(count + 1)):
        slopes[i] = (1.0 / 840.0) * (
            672.0 * (nodes[i + np.uintp(5)] - nodes[i + np.uintp(3)])
            - 168.0 * (nodes[i + np.uintp(6)] - nodes[i + np.uintp(2)])
            + 32.0 * (nodes[i + np.uintp(7)] - nodes[i + np.uintp(1)])
            - 3.0 * (nodes[i + np.uintp(8)] - nodes[i])
        )
    for i in range(np.uintp(count)):
        rise = nodes[i + np.uintp(5)] - nodes[i + np.uintp(4)]
        bend = slopes[i + np.uintp(1)] + slopes[i] - 2.0 * rise
        bends[i] = bend
        leans[i] = rise - slopes[i] - bend


@kernel()
def _make_cubics(
    number: int,
    place: int,
    variant: np.uint64,
    sample: np.int64,
    per_point: Precise,
    first: int,
    count: int,
    noises: Noises,
) -> tuple[int, int, Precise]:
    """Make the cubics of a stretch in the scratch.

    Parameters
    ----------
    number, place, variant, noises
        As for :func:`fill_nodes`.
    sample : int64
        Where the grid of points begins.
    per_point : float
        Node spacings from one point to the next.
    first, count : int
        First point of the stretch, and how many.

    Returns
    -------
    column : int
        Column of the node at or before the first point, in the row of the noise's last grid.
    skipped : int
        How many nodes behind the one at or before point 0 that node is.
    start : float
        Where point 0 lies behind the node at or before it, in node spacings.
    """
    cubics = noises.cubics
    node, start = place_of(sample, noises.rates[number])
    skipped = int(np.int32(start + per_point * np.double(first)))
    cubes = int(np.int32(start + per_point * np.double(first + count - 1))) - skipped + 1
    column = fill_nodes(number, place, variant, node + skipped - _MARGIN, cubes + 1 + 2 * _MARGIN, noises)
    row = _first_row(number, place, noises) + _last_grid(number, noises)
    _fill_cubics(noises.nodes[row, column:], cubes, cubics[0], cubics[1], cubics[2])
    return column + _MARGIN, skipped, start


@kernel()
def _last_grid(number: int, noises: Noises) -> int:
    """Number of the last grid of a noise."""
    return int(noises.layout[number, OCTAVES] + noises.layout[number, DOUBLED]) - 1


@kernel()
def add_noise_curve(
    number: int,
    place: int,
    variant: np.uint64,
    sample: np.int64,
    step: int,
    first: int,
    noises: Noises,
    out_values: Precises1,
    out_slopes: Precises1,
) -> None:
    """Add a slow noise to a curve: values, and slopes per point.

    Parameters
    ----------
    number, place, variant, noises
        As for :func:`fill_nodes`.
    sample : int64
        Sample that point 0 lies on.
    step : int
        Samples from one point to the next.
    first : int
        First point of the stretch.
    out_values, out_slopes : ndarray, shape (points,)
        Are added to.
    """
    if noises.layout[number, OCTAVES] == 0:
        return
    per_point = step * noises.values[number, PER_SAMPLE]
    column, skipped, start = _make_cubics(
        number, place, variant, sample, per_point, first, out_values.size, noises
    )
    nodes = noises.nodes[_first_row(number, place, noises) + _last_grid(number, noises), column:]
    slopes = noises.cubics[0]
    leans = noises.cubics[1]
    bends = noises.cubics[2]
    begin = np.uintp(first)
    for i in range(np.uintp(out_values.size)):
        reached = start + per_point * np.double(np.int32(begin + i))
        whole = np.int32(reached)
        k = np.uintp(whole - np.int32(skipped))
        u = reached - np.double(whole)
        out_values[i] += nodes[k] + u * (slopes[k] + u * (leans[k] + u * bends[k]))
        out_slopes[i] += per_point * (slopes[k] + u * (2.0 * leans[k] + u * 3.0 * bends[k]))


@kernel()
def add_noise_samples(
    number: int,
    place: int,
    variant: np.uint64,
    sample: np.int64,
    first: int,
    noises: Noises,
    out: Precises1,
) -> None:
    """Add a noise to every sample from ``sample + first`` on; arguments as for :func:`add_noise_curve`."""
    if noises.layout[number, OCTAVES] == 0:
        return
    per_sample = noises.values[number, PER_SAMPLE]
    column, skipped, start = _make_cubics(number, place, variant, sample, per_sample, first, out.size, noises)
    nodes = noises.nodes[_first_row(number, place, noises) + _last_grid(number, noises), column:]
    slopes = noises.cubics[0]
    leans = noises.cubics[1]
    bends = noises.cubics[2]
    begin = np.uintp(first)
    for i in range(np.uintp(out.size)):
        reached = start + per_sample * np.double(np.int32(begin + i))
        whole = np.int32(reached)
        k = np.uintp(whole - np.int32(skipped))
        u = reached - np.double(whole)
        out[i] += nodes[k] + u * (slopes[k] + u * (leans[k] + u * bends[k]))
