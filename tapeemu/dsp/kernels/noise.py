"""Hashed noise: white, along octaves, in blocks with hashed phases; and raising it to a finer grid."""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import (
    Hashes1,
    Integers1,
    Precise,
    Precises1,
    Reals1,
    Reals2,
    Singles1,
    Singles2,
    Singles3,
)
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.hashing import fill_white, mix_hash

__all__ = [
    "Octaves",
    "Scratch",
    "add_nodes",
    "add_upsampled",
    "fill_octaves",
    "fill_spectra",
]

_0, _1, _2, _3, _4, _5, _6, _7, _8 = (np.uintp(k) for k in range(9))

_OCTAVE_TAPS = 32


class Octaves(NamedTuple):
    """The octaves of a law: where they stand on the tape, and how strong they are.

    Attributes
    ----------
    keys : ndarray, shape (octaves,)
        Keys of the hashed numbers.
    first_nodes : ndarray, shape (octaves,)
        Node at or before the first point of the grid.
    starts, steps : ndarray, shape (octaves,)
        Where that point stands behind it, 0 to 1, and the distance of two points, in node spacings.
    value_scales, slope_scales : ndarray, shape (octaves,)
        Factors on values, and on slopes per node spacing.
    """

    keys: Hashes1
    first_nodes: Integers1
    starts: Precises1
    steps: Precises1
    value_scales: Reals1
    slope_scales: Reals1


class Scratch(NamedTuple):
    """Memory in which octaves are made.

    Attributes
    ----------
    white : ndarray, shape (numbers + 31,)
        Hashed numbers.
    planes : ndarray, shape (4, numbers)
        What each row of taps makes of them.
    node_values, node_slopes : ndarray, shape (2 * numbers,)
        Nodes of one octave.
    """

    white: Precises1
    planes: Reals2
    node_values: Precises1
    node_slopes: Precises1


@kernel()
def fill_spectra(
    key: np.uint64, first_block: int, first_bin: int, magnitudes: Reals1, circle: Singles2, out: Singles3
) -> None:
    """Write one half-spectrum a row: given magnitudes, hashed phases (one entry of `circle` each).

    Parameters
    ----------
    key : uint64
        Of the noise.
    first_block : int
        Number of the block in row 0.
    first_bin : int
        Bin that gets the first magnitude.
    magnitudes : ndarray, shape (bins,)
        For all blocks.
    circle : ndarray, shape (entries, 2)
        Points on the unit circle, real and imaginary; their number is a power of two.
    out : ndarray, shape (blocks, bins, 2)
        Gets real and imaginary parts.
    """
    places = np.uint64(circle.shape[0] - 1)
    for row in range(out.shape[0]):
        base = mix_hash(key, np.uint64(first_block + row))
        for k in range(magnitudes.size):
            entry = mix_hash(base, np.uint64(k)) & places
            out[row, first_bin + k, 0] = np.float32(magnitudes[k] * np.float64(circle[entry, 0]))
            out[row, first_bin + k, 1] = np.float32(magnitudes[k] * np.float64(circle[entry, 1]))


@kernel()
def add_upsampled(low: Singles1, taps: Singles2, scratch: Singles2, out: Precises1) -> None:
    """Add a low-rate signal, raised to ``taps.shape[0]`` times its rate, to `out`.

    Parameters
    ----------
    low : ndarray, shape (samples // factor + 7,)
        The signal; ``out[0]`` lies on ``low[3]``.
    taps : ndarray, shape (factor, 8)
        Taps for each place between two samples; row 0 is taken to be the samples themselves.
    scratch : ndarray, shape (factor, samples // factor)
        Scratch.
    out : ndarray, shape (samples,)
        Is added to.
    """
    phases = taps.shape[0]
    count = np.uintp(scratch.shape[1])
    for m in range(count):
        scratch[0, m] = low[m + _3]
    for phase in range(1, phases):
        row = np.uintp(phase)
        a, b, c, d = taps[row, 0], taps[row, 1], taps[row, 2], taps[row, 3]
        e, f, g, h = taps[row, 4], taps[row, 5], taps[row, 6], taps[row, 7]
        for m in range(count):
            left = a * low[m] + b * low[m + _1] + c * low[m + _2] + d * low[m + _3]
            right = e * low[m + _4] + f * low[m + _5] + g * low[m + _6] + h * low[m + _7]
            scratch[row, m] = left + right
    if phases == 1:
        for m in range(count):
            out[m] += scratch[0, m]
    elif phases == 2:
        for m in range(count):
            out[_2 * m] += scratch[0, m]
            out[_2 * m + _1] += scratch[1, m]
    else:
        for m in range(count):
            for phase in range(phases):
                out[m * np.uintp(phases) + np.uintp(phase)] += scratch[phase, m]


@kernel()
def add_nodes(
    values: Precises1,
    slopes: Precises1,
    start: Precise,
    step: Precise,
    out_values: Precises1,
    out_slopes: Precises1,
) -> None:
    """Add a band, known by value and slope at its nodes, to a finer grid (cubic Hermite).

    Parameters
    ----------
    values, slopes : ndarray, shape (nodes,)
        The band; slopes per node spacing.
    start, step : float
        Point `i` of the grid stands at node ``start + i * step``, with `start` from 0 to 1.
    out_values, out_slopes : ndarray, shape (points,)
        Are added to; slopes per step of the grid.
    """
    size = out_values.size
    begin = 0
    node = 0
    while begin < size:
        end = min(size, math.ceil((node + 1 - start) / step))
        first = values[node]
        rise = values[node + 1] - first
        left = slopes[node]
        bend = slopes[node + 1] + left - 2.0 * rise
        lean = rise - left - bend
        for i in range(np.uintp(begin), np.uint64(end)):
            u = start + step * np.float64(i) - node
            out_values[i] += first + u * (left + u * (lean + u * bend))
            out_slopes[i] += step * (left + u * (2.0 * lean + u * 3.0 * bend))
        begin = max(begin, end)
        node += 1


@kernel()
def filter_numbers(white: Precises1, taps: Reals2, numbers: int, planes: Reals2) -> None:
    """Filter a sequence of numbers by every row of `taps`, to one row of `planes` each.

    ``planes[r, m]`` is the sum of ``taps[r, k] * white[m + k]`` over the 32 taps, eight taps at a time.

    Parameters
    ----------
    white : ndarray, shape (numbers + 31 or more,)
        The sequence.
    taps : ndarray, shape (rows, 32)
    numbers : int
        How many to make.
    planes : ndarray, shape (rows, numbers or more)
        Gets the result.
    """
    count = np.uintp(numbers)
    for row in range(np.uintp(taps.shape[0])):
        for m in range(count):
            planes[row, m] = 0.0
        for group in range(_4):
            k = group * _8
            a, b, c, d = taps[row, k], taps[row, k + _1], taps[row, k + _2], taps[row, k + _3]
            e, f, g, h = taps[row, k + _4], taps[row, k + _5], taps[row, k + _6], taps[row, k + _7]
            for m in range(count):
                at = m + k
                left = a * white[at] + b * white[at + _1] + c * white[at + _2] + d * white[at + _3]
                right = e * white[at + _4] + f * white[at + _5] + g * white[at + _6] + h * white[at + _7]
                planes[row, m] += left + right


@kernel()
def fill_octaves(
    octaves: Octaves, taps: Reals2, scratch: Scratch, limit: float, out_values: Precises1, out_slopes: Precises1
) -> None:
    """Write the sum of octaves of filtered hashed numbers on a grid, each by way of its own nodes.

    Parameters
    ----------
    octaves : Octaves
        Where they stand, and how strong they are.
    taps : ndarray, shape (4, 32)
        Taps of the values of nodes 0 and 1 behind a number, then those of their slopes.
    scratch : Scratch
        For as many numbers as the fastest octave needs.
    limit : float
        Largest magnitude of a value.
    out_values, out_slopes : ndarray, shape (points,)
        Get the values, and the slopes per step of the grid.
    """
    planes = scratch.planes
    node_values = scratch.node_values
    node_slopes = scratch.node_slopes
    for i in range(np.uintp(out_values.size)):
        out_values[i] = 0.0
        out_slopes[i] = 0.0
    for octave in range(octaves.keys.size):
        number = octaves.first_nodes[octave] // 2
        skipped = octaves.first_nodes[octave] - 2 * number
        start = octaves.starts[octave]
        step = octaves.steps[octave]
        count = int(start + step * (out_values.size - 1)) + 3
        numbers = (skipped + count + 1) // 2
        white = scratch.white[: numbers + _OCTAVE_TAPS - 1]
        fill_white(octaves.keys[octave], number - (_OCTAVE_TAPS // 2 - 1), white)
        filter_numbers(white, taps, numbers, planes)
        value_scale = octaves.value_scales[octave]
        slope_scale = octaves.slope_scales[octave]
        for m in range(np.uintp(numbers)):
            node_values[_2 * m] = value_scale * planes[_0, m]
            node_values[_2 * m + _1] = value_scale * planes[_1, m]
            node_slopes[_2 * m] = slope_scale * planes[_2, m]
            node_slopes[_2 * m + _1] = slope_scale * planes[_3, m]
        add_nodes(node_values[skipped:], node_slopes[skipped:], start, step, out_values, out_slopes)
    for i in range(np.uintp(out_values.size)):
        out_values[i] = min(max(out_values[i], -limit), limit)
