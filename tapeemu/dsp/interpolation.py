"""Reading audio between its samples: one set of taps per place, from a least-squares table.

The taps of a fraction minimise the mean squared error of the read over all frequencies up to a band edge,
which is the best any interpolator of that length can do there; a window designed for all bands at once (the
windowed sinc of Smith and Gossett, "A flexible sampling-rate conversion method", ICASSP 1984) needs about a
fifth more taps for the same error. Like theirs, taps between table rows are interpolated linearly.
The least-squares design is that of Laakso, Valimaki, Karjalainen, Laine, "Splitting the unit delay", IEEE
Signal Processing Magazine 13(1), 1996 (cited from memory).

Measured error for a sine read along 0.3 % wow at 1 Hz plus 0.1 % at 10 Hz, as shares of the sample rate
(frequencies at 48 kHz in brackets):

======  =====================  ==========================
taps    100 dB below signal    latency, samples
======  =====================  ==========================
32      to 0.385 (18.5 kHz)    16
48      to 0.417 (20.0 kHz)    24
======  =====================  ==========================
"""

from typing import Literal, NamedTuple

import numpy as np

from tapeemu.dsp.aligned import aligned_copy
from tapeemu.dsp.linear_systems import solve_in_order
from tapeemu.dsp.shared_tables import shared
from tapeemu.validation import FloatArray

__all__ = ["CELLS", "Reader", "make_reader"]

CELLS = 512
"""Rows of a table per sample: linear interpolation between them errs by -114 dB at 0.375 of the rate."""

_BAND_EDGE = {32: 19.0 / 48.0, 48: 20.4 / 48.0}


class Reader(NamedTuple):
    """A table of taps and the number of samples that a read needs after its place."""

    table: FloatArray
    taps: int

    @property
    def ahead(self) -> int:
        """Samples needed after the place that is read: half the taps."""
        return self.taps // 2


@shared(maxsize=4)
def make_reader(taps: Literal[32, 48] = 32) -> Reader:
    """Design the table of a reader.

    Parameters
    ----------
    taps : {32, 48}
        Length; see the table of errors in the module's description.

    Returns
    -------
    Reader
        Row ``r`` of its table holds the taps for the fraction ``r / CELLS``; tap ``k`` belongs to the
        sample ``k - (taps // 2 - 1)`` places after the one before the place. One row more than needed
        guards against a fraction that rounds to one.
    """
    edge = _BAND_EDGE[taps]
    offsets = np.arange(taps) - (taps // 2 - 1)
    fractions = np.arange(CELLS + 2) / CELLS
    normal = np.sinc(2.0 * edge * (offsets[:, None] - offsets[None, :]))
    wanted = np.sinc(2.0 * edge * (offsets[:, None] - fractions[None, :]))
    table = solve_in_order(normal, wanted).T
    # A row of its own at fractions 0 and 1: a tape that does not move is passed on without any error.
    for fraction, place in ((0, taps // 2 - 1), (CELLS, taps // 2)):
        table[fraction] = 0.0
        table[fraction, place] = 1.0
    return Reader(aligned_copy(table), taps)
