"""Loops behind trajectories: from a grid to every sample, and how they begin."""

from tapeemu.dsp.kernels.arrays import Precise, Precises1
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["begin_at_zero", "expand", "settle"]


@kernel()
def settle(first: Precise, per_duration: Precise, start: Precise, out: Precises1) -> None:
    """Take `start` off a trajectory at index 0, and less of it away from there, to nothing at the duration.

    Parameters
    ----------
    first : float
        Index of the first point of `out`, in samples from the beginning of the tape.
    per_duration : float
        One over the duration in samples.
    start : float
        What is taken off at index 0.
    out : ndarray, shape (samples,)
        Changed in place.
    """
    for i in range(out.size):
        u = min(abs(first + i) * per_duration, 1.0)
        out[i] -= start * (1.0 - u * u * (3.0 - 2.0 * u))


@kernel()
def begin_at_zero(first: Precise, per_duration: Precise, out: Precises1) -> None:
    """Let a trajectory grow from zero at index 0, in both directions, to itself at the duration.

    Arguments as for :func:`settle`.
    """
    for i in range(out.size):
        u = min(abs(first + i) * per_duration, 1.0)
        out[i] *= u * u * (3.0 - 2.0 * u)


@kernel()
def expand(values: Precises1, slopes: Precises1, step: int, out: Precises1) -> None:
    """Interpolate a grid to every sample (cubic Hermite).

    Parameters
    ----------
    values, slopes : ndarray, shape (samples // step + 1 or more,)
        At every point of the grid; slopes per interval.
    step : int
        Samples in an interval.
    out : ndarray, shape (samples,)
        Gets the samples; as many as whole intervals.
    """
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
