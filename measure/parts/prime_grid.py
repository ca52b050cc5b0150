"""Aliasing of a tone on a grid of prime length, where no folded harmonic hides behind a true one."""

import math

import numpy as np

from measure.errors import MeasureError
from measure.validation import FloatArray, check_rate, check_signal

__all__ = ["aliasing_ratio_db", "prime_grid"]


def prime_grid(sample_rate: float, *, frequency_hz: float, seconds: float = 1.0) -> tuple[int, float]:
    """Return a prime length near `seconds` and the frequency on its grid nearest to `frequency_hz`.

    On a prime length no folded harmonic falls on the bin of a true one (Sato and Smith 2025).
    """
    rate = check_rate(sample_rate)
    length = max(3, int(seconds * rate))
    while any(length % divisor == 0 for divisor in range(2, math.isqrt(length) + 1)):
        length -= 1
    cycles = max(1, round(frequency_hz * length / rate))
    return length, cycles * rate / length


def aliasing_ratio_db(
    period: FloatArray, sample_rate: float, *, frequency_hz: float, highest_hz: float = 20_000.0
) -> float:
    """Return the power of all that is not harmonic over that of tone and harmonics, in dB.

    Parameters
    ----------
    period : ndarray, shape (samples,)
        One steady period of prime length, see :func:`prime_grid`.
    sample_rate : float
        Samples per second.
    frequency_hz : float
        Tone on the grid of that length.
    highest_hz : float
        Upper end of the audible band.
    """
    y = check_signal(period)
    rate = check_rate(sample_rate)
    n = len(y)
    cycles = round(frequency_hz * n / rate)
    if cycles < 1 or abs(cycles - frequency_hz * n / rate) > 1e-6 * cycles:
        raise MeasureError(
            f"{frequency_hz!r} Hz does not lie on the grid of {n} samples; take it from prime_grid()"
        )
    if any(n % divisor == 0 for divisor in range(2, math.isqrt(n) + 1)):
        raise MeasureError(f"the period has {n} samples, which is not a prime number; take it from prime_grid()")
    power = np.abs(np.fft.rfft(y)) ** 2
    power = power[: int(min(highest_hz, 0.5 * rate) * n / rate) + 1]
    harmonic = np.zeros(len(power), dtype=bool)
    harmonic[cycles::cycles] = True
    power[0] = 0.0
    wanted = float(power[harmonic].sum())
    other = float(power[~harmonic].sum())
    if not wanted > 0.0:
        return math.nan
    return 10.0 * math.log10(max(other / wanted, 1e-40))
