"""What the filters of the lines of a feedback delay network do: gain, level and time of one pass through a line.

All lines' filters lie in one array, see :data:`FILTER_ROWS`; :mod:`tapeemu.dsp.kernels.absorption` designs them.
"""

import numpy as np

from tapeemu.dsp.kernels.arrays import Precise, Precises3
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, logarithm, sine_of_turns

__all__ = [
    "FILTER_ROWS",
    "PER_NEPER_DB",
    "copy_filters",
    "filter_delay",
    "loop_decay_seconds",
    "loop_level_db",
    "pass_power",
    "power_db",
    "quadratic_power",
    "section_count",
]

FILTER_ROWS = 9
"""Rows of an array of all lines' filters, shape (FILTER_ROWS, 4, lines).

Row 0 holds the gains of the lines, and in its second part how many sections there are. The rows behind it
are the sections ``(1 + c/z + d/z^2) / (1 + e/z + f/z^2)``, as c - e, d - f, e, f.
"""

PER_NEPER_DB = 4.342944819032518  # of power


@kernel()
def section_count(filters: Precises3) -> int:
    """How many sections every line's filter has."""
    return int(filters[0, 1, 0])


@kernel()
def quadratic_power(once: Precise, twice: Precise, cosine: Precise, sine: Precise) -> Precise:
    """``|1 + once / z + twice / z^2| ^ 2`` at an angle with this cosine and sine."""
    real_part = 1.0 + once * cosine + twice * (2.0 * cosine * cosine - 1.0)
    imaginary_part = once * sine + twice * (2.0 * cosine * sine)
    return real_part * real_part + imaginary_part * imaginary_part


@kernel()
def pass_power(filters: Precises3, line: int, cosine: Precise, sine: Precise) -> Precise:
    """Power gain of one pass through a line, its gain included, at an angle with this cosine and sine."""
    power: Precise = filters[0, 0, line] * filters[0, 0, line]
    for section in range(1, 1 + section_count(filters)):
        e = filters[section, 2, line]
        f = filters[section, 3, line]
        above = quadratic_power(filters[section, 0, line] + e, filters[section, 1, line] + f, cosine, sine)
        power *= above / quadratic_power(e, f, cosine, sine)
    return power


@kernel()
def _quadratic_delay(once: Precise, twice: Precise, cosine: Precise, sine: Precise) -> Precise:
    """Group delay of ``1 + once / z + twice / z^2`` in samples: the derivative of its logarithm."""
    double_cosine = 2.0 * cosine * cosine - 1.0
    double_sine = 2.0 * cosine * sine
    real_part = 1.0 + once * cosine + twice * double_cosine
    imaginary_part = once * sine + twice * double_sine
    real_slope = once * cosine + 2.0 * (twice * double_cosine)
    imaginary_slope = once * sine + 2.0 * (twice * double_sine)
    power = real_part * real_part + imaginary_part * imaginary_part
    return (real_slope * real_part + imaginary_slope * imaginary_part) / power


@kernel()
def filter_delay(filters: Precises3, line: int, cosine: Precise, sine: Precise) -> Precise:
    """Group delay of a line's filter in samples, at an angle with this cosine and sine.

    A filter whose loss changes over frequency delays, or hastens. Where a decay lasts for few periods that is
    as much as 4 % of the pass, and the decay is as much longer or shorter.
    """
    delay: Precise = 0.0
    for section in range(1, 1 + section_count(filters)):
        e = filters[section, 2, line]
        f = filters[section, 3, line]
        delay += _quadratic_delay(
            filters[section, 0, line] + e, filters[section, 1, line] + f, cosine, sine
        ) - _quadratic_delay(e, f, cosine, sine)
    return delay


@kernel()
def power_db(power: Precise) -> Precise:
    """Level of a power."""
    return PER_NEPER_DB * logarithm(power)


@kernel()
def loop_level_db(filters: Precises3, line: int, frequency_hz: Precise, sample_rate: Precise) -> Precise:
    """Level of one pass through a line at a frequency, all its gains included."""
    turns = frequency_hz / sample_rate
    return power_db(pass_power(filters, line, cosine_of_turns(turns), sine_of_turns(turns)))


@kernel()
def loop_decay_seconds(
    filters: Precises3, delay: np.int64, line: int, frequency_hz: Precise, sample_rate: Precise
) -> Precise:
    """Decay time that a line's pass stands for: ``-3 M / (fs log10 |H(f)|)``, M with the filter's group delay."""
    turns = frequency_hz / sample_rate
    cosine = cosine_of_turns(turns)
    sine = sine_of_turns(turns)
    samples = np.float64(delay) + filter_delay(filters, line, cosine, sine)
    return -60.0 * samples / (sample_rate * power_db(pass_power(filters, line, cosine, sine)))


@kernel()
def copy_filters(source: Precises3, target: Precises3) -> None:
    """Copy gains and sections."""
    for row in range(1 + section_count(source)):
        for part in range(4):
            for line in range(source.shape[2]):
                target[row, part, line] = source[row, part, line]
