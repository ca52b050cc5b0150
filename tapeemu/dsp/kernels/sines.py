"""The loop behind rotating parts: a sine by value and slope."""

import math

import numpy as np

from tapeemu.dsp.kernels.arrays import Precise, Precises1, Precises2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, sine_of_turns

__all__ = ["add_phasors", "begin_phasors", "pass_phasors"]

_8 = np.uintp(8)


@kernel()
def begin_phasors(amplitude: Precise, cycles: Precise, cycles_per_step: Precise, lanes: Precises2) -> None:
    """Begin ``amplitude * cos(2 pi (cycles + i cycles_per_step))`` at ``i = 0``.

    Parameters
    ----------
    amplitude : float
        Peak.
    cycles, cycles_per_step : float
        Phase at the first point, and its change from point to point, in turns.
    lanes : ndarray, shape (2, 8)
        Gets real and imaginary parts of eight phasors.
    """
    for lane in range(8):
        turns = cycles + cycles_per_step * lane
        lanes[0, lane] = amplitude * cosine_of_turns(turns)
        lanes[1, lane] = amplitude * sine_of_turns(turns)


@kernel()
def pass_phasors(cycles_per_step: Precise, eights: int, lanes: Precises2) -> None:
    """Go on by so many times eight points, as :func:`add_phasors` does."""
    turn_real = cosine_of_turns(8.0 * cycles_per_step)
    turn_imaginary = sine_of_turns(8.0 * cycles_per_step)
    for _ in range(eights):
        for lane in range(_8):
            real = lanes[0, lane]
            imaginary = lanes[1, lane]
            lanes[0, lane] = real * turn_real - imaginary * turn_imaginary
            lanes[1, lane] = real * turn_imaginary + imaginary * turn_real


@kernel()
def add_phasors(cycles_per_step: Precise, lanes: Precises2, out_values: Precises1, out_slopes: Precises1) -> None:
    """Add the sine that was begun, and its slope per step, at the next points.

    Eight phasors side by side, each eight steps ahead at a time, so that none waits for its predecessor.

    Parameters
    ----------
    cycles_per_step : float
        As it was begun with.
    lanes : ndarray, shape (2, 8)
        From :func:`begin_phasors`; goes on.
    out_values, out_slopes : ndarray, shape (points,)
        Are added to; a multiple of eight points.
    """
    turn = 2.0 * math.pi * cycles_per_step
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
