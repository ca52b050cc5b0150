"""Taps that read audio between its samples: least squares over all frequencies up to a band edge.

The taps of a fraction minimise the mean squared error of the read up to the band edge, which is the best any
interpolator of that length can do there (Laakso, Valimaki, Karjalainen, Laine, "Splitting the unit delay", IEEE
Signal Processing Magazine 13(1), 1996; cited from memory). The normal equations are those of sines: a matrix of
sinc values, the same for all fractions.
"""

from tapeemu.dsp.kernels.arrays import Precise, Precises2, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import sine_of_turns
from tapeemu.dsp.kernels.small_systems import factorise_rows, solve_rows

__all__ = ["CELLS", "design_reader"]

CELLS = 512
"""Rows of a table per sample: linear interpolation between them errs by -114 dB at 0.375 of the rate."""

_PI = 3.141592653589793


@kernel()
def _band_edge(taps: int) -> Precise:
    """Share of the sample rate up to which a reader of 32 or 48 taps is designed."""
    return 19.0 / 48.0 if taps == 32 else 20.4 / 48.0


@kernel()
def _cardinal_sine(x: Precise) -> Precise:
    """``sin(pi x) / (pi x)``, 1 at 0."""
    return 1.0 if x == 0.0 else sine_of_turns(0.5 * x) / (_PI * x)


@kernel()
def design_reader(taps: int, scratch: Precises2, table: Reals2) -> None:
    """Design the table of a reader.

    Parameters
    ----------
    taps : int
        32 or 48.
    scratch : ndarray, shape (2, taps**2 or more)
        Scratch.
    table : ndarray, shape (CELLS + 2, taps)
        Row ``r`` gets the taps for the fraction ``r / CELLS``; tap ``k`` belongs to the sample
        ``k - (taps // 2 - 1)`` places after the one before the place. One row more than needed guards against a
        fraction that rounds to one. Rows of their own at fractions 0 and 1: a tape that does not move is passed on
        without any error.
    """
    edge = _band_edge(taps)
    middle = taps // 2 - 1
    factor = scratch[0]
    solution = scratch[1]
    for row in range(taps):
        for column in range(row + 1):
            factor[row * taps + column] = _cardinal_sine(2.0 * edge * (row - column))
    factorise_rows(taps, factor)
    # The taps of one less a fraction are those of the fraction backwards.
    for row in range(CELLS // 2 + 1):
        fraction: Precise = row / CELLS
        for k in range(taps):
            solution[k] = _cardinal_sine(2.0 * edge * (k - middle - fraction))
        solve_rows(taps, factor, solution)
        for k in range(taps):
            table[row, k] = solution[k]
            table[CELLS - row, taps - 1 - k] = solution[k]
    for k in range(taps):
        table[0, k] = 1.0 if k == middle else 0.0
        table[CELLS, k] = 1.0 if k == middle + 1 else 0.0
        # One row beyond, only ever read with a share of zero.
        table[CELLS + 1, k] = table[CELLS, k]
