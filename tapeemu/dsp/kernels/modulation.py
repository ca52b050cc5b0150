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
    "dip",
    "expand",
    "fill_noise",
    "fill_spectra",
    "mix_hash",
]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Spectra = npt.NDArray[np.complex64]

_1, _2, _3, _4, _5, _6, _7, _8 = (np.uint64(k) for k in range(1, 9))

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
