"""A signal read between its samples by the kernel."""

import numpy as np

from tapeemu.dsp.kernels.interpolation import Part, Places, locate, read_pair_32, read_pair_48
from tapeemu.dsp.kernels.reader_table import CELLS, design_reader


def designed(taps):
    table = np.zeros((CELLS + 2, taps))
    design_reader(taps, np.zeros((2, taps * taps)), table)
    return table


TABLES = {taps: designed(taps) for taps in (32, 48)}


def places_for(count):
    left, row = np.empty((2, count), dtype=np.int32)
    return Places(left, row, np.empty(count))


def read(line, delays, taps, *, start=0.0, slope=0.0, origin=0):
    """Output `i` is `line` at ``origin + i + start + slope * i - delays[i]``, half the taps on either side."""
    places = places_for(delays.size)
    locate(np.stack([delays, 0.0 * delays]), 0.0, start, slope, float(CELLS), 0, delays.size, places)
    kernel = read_pair_32 if taps == 32 else read_pair_48
    out = np.empty((2, delays.size))
    kernel(line, TABLES[taps], places, Part(origin + 1 - taps // 2, 0, delays.size, 0), 0, 1, out)
    return out
