"""The loop behind rotating parts: a sine by value and slope."""

import math

import numpy as np

from tapeemu.dsp.kernels.arrays import Precise, Precises1, Precises2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, sine_of_turns

__all__ = ["add_phasor"]

_8 = np.uintp(8)


@kernel()
def add_phasor(
    amplitude: Precise,
    cycles: Precise,
    cycles_per_step: Precise,
    lanes: Precises2,
    out_values: Precises1,
    out_slopes: Precises1,
) -> None:
    """Add ``amplitude * cos(2 pi (cycles + i cycles_per_step))`` and its slope per step.

    Eight phasors side by side, each eight steps ahead at a time, so that none waits for its predecessor.

    Parameters
    ----------
    amplitude : float
        Peak, in the unit of the outputs.
    cycles, cycles_per_step : float
        Phase at the first point, and its change from point to point, in turns.
    lanes : ndarray, shape (2, 8)
        Scratch: real and imaginary parts.
    out_values, out_slopes : ndarray, shape (points,)
        Are added to; a multiple of eight points.
    """
    turn = 2.0 * math.pi * cycles_per_step
    for lane in range(8):
        turns = cycles + cycles_per_step * lane
        lanes[0, lane] = amplitude * cosine_of_turns(turns)
        lanes[1, lane] = amplitude * sine_of_turns(turns)
    turn_real = cosine_of_turns(8.0 * cycles_per_step)
    turn_imaginary = sine_of_turns(8.0 * cycles_per_step)
    for block in range(out_values.size // 8):
        base = np.uintp(8 * block)
        for lane in range(_8):
            real = lanes[0, lane]
            imaginary = lanes[1, lane]
            out_values[base + lane] += real
            out_slopes[base + lane] -= turn * imaginary
            lanes[0, lane] = real * turn_real - imaginary * turn_imaginary
            lanes[1, lane] = real * turn_imaginary + imaginary * turn_real
