"""Loops behind trajectories: hashed noise, interpolation between nodes, phasors, dropouts.

Integer arithmetic on hashes is unsigned throughout; it wraps on purpose.
"""

import math

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.kernels.compilation import kernel

__all__ = [
    "add_nodes",
    "add_phasor",
    "add_upsampled",
    "begin_at_zero",
    "dip",
    "expand",
    "fill_noise",
    "fill_octaves",
    "fill_spectra",
    "mix_hash",
    "settle",
]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Spectra = npt.NDArray[np.complex64]
Keys = npt.NDArray[np.uint64]
Counts = npt.NDArray[np.int64]

_0, _1, _2, _3, _4, _5, _6, _7, _8 = (np.uint64(k) for k in range(9))

_WEYL = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
_SHIFT_30 = np.uint64(30)
_SHIFT_27 = np.uint64(27)
_SHIFT_31 = np.uint64(31)
_SHIFT_16 = np.uint64(16)
_SHIFT_32 = np.uint64(32)
_SHIFT_48 = np.uint64(48)
_LOW_16 = np.uint64(0xFFFF)
_OCTAVE_TAPS = 32
# Four 16-bit uniforms: mean 4 * 32767.5, variance 4 * (65536**2 - 1) / 12.
_MEAN = 131070.0
_SCALE = 1.0 / math.sqrt((65536.0**2 - 1.0) / 3.0)


@kernel()
def mix_hash(key: np.uint64, index: np.uint64) -> np.uint64:
    """Finaliser of the SplitMix64 generator: 64 well mixed bits of a key and a counter."""
    z = key + index * _WEYL
    z = (z ^ (z >> _SHIFT_30)) * _MIX_1
    z = (z ^ (z >> _SHIFT_27)) * _MIX_2
    return z ^ (z >> _SHIFT_31)


@kernel()
def fill_noise(key: np.uint64, first: int, out: Floats) -> None:
    """Write unit-variance white noise: the sum of four uniforms per node, by node index.

    The sum is within 3.47 of zero, so everything filtered from it is bounded.
    """
    for i in range(out.size):
        z = mix_hash(key, np.uint64(first + i))
        total = (z & _LOW_16) + ((z >> _SHIFT_16) & _LOW_16) + ((z >> _SHIFT_32) & _LOW_16) + (z >> _SHIFT_48)
        out[i] = (np.float64(np.int64(total)) - _MEAN) * _SCALE


@kernel()
def settle(first: float, per_duration: float, start: float, out: Floats) -> None:
    """Take `start` off a trajectory at index 0, and less of it away from there, to nothing at the duration.

    Point `i` of `out` has the index ``first + i``; `per_duration` is one over the duration.
    """
    for i in range(out.size):
        u = min(abs(first + i) * per_duration, 1.0)
        out[i] -= start * (1.0 - u * u * (3.0 - 2.0 * u))


@kernel()
def begin_at_zero(first: float, per_duration: float, out: Floats) -> None:
    """Let a trajectory grow from zero at index 0, in both directions, to itself at the duration.

    Arguments as for :func:`settle`.
    """
    for i in range(out.size):
        u = min(abs(first + i) * per_duration, 1.0)
        out[i] *= u * u * (3.0 - 2.0 * u)


@kernel()
def fill_spectra(
    key: np.uint64, first_block: int, first_bin: int, magnitudes: Floats, circle: Spectra, out: Spectra
) -> None:
    """Write one half-spectrum a row: given magnitudes, hashed phases (one entry of `circle` each)."""
    places = np.uint64(circle.size - 1)
    for row in range(out.shape[0]):
        base = mix_hash(key, np.uint64(first_block + row))
        for k in range(magnitudes.size):
            out[row, first_bin + k] = magnitudes[k] * circle[mix_hash(base, np.uint64(k)) & places]


@kernel()
def add_upsampled(low: Singles, taps: Singles, scratch: Singles, out: Floats) -> None:
    """Add a low-rate signal, raised to ``taps.shape[0]`` times its rate, to `out`.

    ``out[0]`` lies on ``low[3]``. `taps` has eight columns; its row 0 is taken to be the samples themselves.
    `scratch` has the shape (rows of taps, ``out.size // rows``).
    """
    phases = taps.shape[0]
    count = np.uint64(scratch.shape[1])
    for m in range(count):
        scratch[0, m] = low[m + _3]
    for phase in range(1, phases):
        row = np.uint64(phase)
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
                out[m * np.uint64(phases) + np.uint64(phase)] += scratch[phase, m]


@kernel()
def add_nodes(
    values: Floats, slopes: Floats, start: float, step: float, out_values: Floats, out_slopes: Floats
) -> None:
    """Add a band, known by value and slope at its nodes, to a finer grid (cubic Hermite).

    Point `i` of the grid stands at node ``start + i * step``, with `start` from 0 to 1. `slopes` are per node
    spacing and come out per step of the grid.
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
        for i in range(np.uint64(begin), np.uint64(end)):
            u = start + step * np.float64(i) - node
            out_values[i] += first + u * (left + u * (lean + u * bend))
            out_slopes[i] += step * (left + u * (2.0 * lean + u * 3.0 * bend))
        begin = max(begin, end)
        node += 1


@kernel()
def filter_numbers(white: Floats, taps: Floats, numbers: int, planes: Floats) -> None:
    """Filter a sequence of numbers by every row of `taps`, to one row of `planes` each.

    ``planes[r, m]`` is the sum of ``taps[r, k] * white[m + k]`` over the 32 taps, eight taps at a time.
    """
    count = np.uint64(numbers)
    for row in range(np.uint64(taps.shape[0])):
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
    keys: Keys,
    first_nodes: Counts,
    starts: Floats,
    steps: Floats,
    value_scales: Floats,
    slope_scales: Floats,
    taps: Floats,
    white: Floats,
    planes: Floats,
    node_values: Floats,
    node_slopes: Floats,
    limit: float,
    out_values: Floats,
    out_slopes: Floats,
) -> None:
    """Write the sum of octaves of filtered hashed numbers on a grid, each by way of its own nodes.

    Parameters
    ----------
    keys : ndarray, shape (octaves,)
        Keys of the hashed numbers.
    first_nodes : ndarray, shape (octaves,)
        Node at or before the first point of the grid.
    starts, steps : ndarray, shape (octaves,)
        Where that point stands behind it, 0 to 1, and the distance of two points, in node spacings.
    value_scales, slope_scales : ndarray, shape (octaves,)
        Factors on values, and on slopes per node spacing.
    taps : ndarray, shape (4, 32)
        Taps of the values of nodes 0 and 1 behind a number, then those of their slopes.
    white : ndarray, shape (numbers + 31,)
        Scratch, for as many numbers as the fastest octave needs.
    planes : ndarray, shape (4, numbers)
        Scratch.
    node_values, node_slopes : ndarray, shape (2 * numbers,)
        Scratch.
    limit : float
        Largest magnitude of a value.
    out_values, out_slopes : ndarray, shape (points,)
        Get the values, and the slopes per step of the grid.
    """
    for i in range(np.uint64(out_values.size)):
        out_values[i] = 0.0
        out_slopes[i] = 0.0
    for octave in range(keys.size):
        number = first_nodes[octave] // 2
        skipped = first_nodes[octave] - 2 * number
        count = int(starts[octave] + steps[octave] * (out_values.size - 1)) + 3
        numbers = (skipped + count + 1) // 2
        fill_noise(keys[octave], number - (_OCTAVE_TAPS // 2 - 1), white[: numbers + _OCTAVE_TAPS - 1])
        filter_numbers(white, taps, numbers, planes)
        value_scale = value_scales[octave]
        slope_scale = slope_scales[octave]
        for m in range(np.uint64(numbers)):
            node_values[_2 * m] = value_scale * planes[_0, m]
            node_values[_2 * m + _1] = value_scale * planes[_1, m]
            node_slopes[_2 * m] = slope_scale * planes[_2, m]
            node_slopes[_2 * m + _1] = slope_scale * planes[_3, m]
        add_nodes(
            *(node_values[skipped:], node_slopes[skipped:], starts[octave], steps[octave]),
            *(out_values, out_slopes),
        )
    for i in range(np.uint64(out_values.size)):
        out_values[i] = min(max(out_values[i], -limit), limit)


@kernel()
def add_phasor(
    amplitude: float,
    cycles: float,
    cycles_per_step: float,
    lanes: Floats,
    out_values: Floats,
    out_slopes: Floats,
) -> None:
    """Add ``amplitude * cos(2 pi (cycles + i cycles_per_step))`` and its slope per step.

    Eight phasors side by side, each eight steps ahead at a time, so that none waits for its predecessor.
    `lanes`, shape (2, 8), is scratch; the outputs have a multiple of eight points.
    """
    turn = 2.0 * math.pi * cycles_per_step
    for lane in range(8):
        angle = 2.0 * math.pi * cycles + turn * lane
        lanes[0, lane] = amplitude * math.cos(angle)
        lanes[1, lane] = amplitude * math.sin(angle)
    turn_real = math.cos(8.0 * turn)
    turn_imaginary = math.sin(8.0 * turn)
    for block in range(out_values.size // 8):
        base = np.uint64(8 * block)
        for lane in range(_8):
            real = lanes[0, lane]
            imaginary = lanes[1, lane]
            out_values[base + lane] += real
            out_slopes[base + lane] -= turn * imaginary
            lanes[0, lane] = real * turn_real - imaginary * turn_imaginary
            lanes[1, lane] = real * turn_imaginary + imaginary * turn_real


@kernel()
def expand(values: Floats, slopes: Floats, step: int, out: Floats) -> None:
    """Interpolate a grid to every sample (cubic Hermite); `step` samples lie in one grid interval."""
    unit = 1.0 / step
    for interval in range(out.size // step):
        first = values[interval]
        rise = values[interval + 1] - first
        left = slopes[interval]
        bend = slopes[interval + 1] + left - 2.0 * rise
        lean = rise - left - bend
        base = interval * step
        for i in range(step):
            u = i * unit
            out[base + i] = first + u * (left + u * (lean + u * bend))


@kernel()
def dip(centre: float, half_flat: float, half_all: float, depth: float, out: Floats) -> None:
    """Deepen `out` to `depth` round `centre`: a flat floor with raised-cosine edges; the deeper dip wins.

    Positions are in samples from the first of `out`.
    """
    first = max(0, math.ceil(centre - half_all))
    last = min(out.size - 1, math.floor(centre + half_all))
    for i in range(first, last + 1):
        away = abs(i - centre)
        if away <= half_flat:
            level = depth
        else:
            level = depth * 0.5 * (1.0 + math.cos(math.pi * (away - half_flat) / (half_all - half_flat)))
        out[i] = max(out[i], level)
