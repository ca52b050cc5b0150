"""A signal read between its samples by the kernel."""

import numpy as np

from tapeemu.dsp.interpolation import CELLS, make_reader


def read(line, delays, taps, *, start=0.0, slope=0.0, origin=0):
    """Output `i` is `line` at ``origin + i + start + slope * i - delays[i]``, half the taps on either side."""
    from tapeemu.dsp.kernels.interpolation import Part, Places, locate, read_pair_32, read_pair_48

    reader = make_reader(taps)
    left, row = np.empty((2, delays.size), dtype=np.int32)
    places = Places(left, row, np.empty(delays.size, dtype=np.float32))
    locate(delays, start, slope, float(CELLS), places)
    kernel = read_pair_32 if taps == 32 else read_pair_48
    out = np.empty((2, delays.size))
    kernel(line, reader.table, places, Part(origin + 1 - reader.ahead, 0, delays.size, 0), 0, 1, out)
    return out
