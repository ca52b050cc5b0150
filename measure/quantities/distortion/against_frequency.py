"""Distortion against frequency, by a synchronised sweep."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.parts.run import drive
from measure.parts.signals import SynchronisedSweep, synchronised_sweep
from measure.quantities.distortion.harmonics import HIGHEST_ORDER
from measure.results import Curve, Result
from measure.validation import FloatArray, as_system, check_signal, unusable

__all__ = [
    "FrequencyDistortion",
    "distortion_against_frequency",
    "distortion_from_sweep",
]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class FrequencyDistortion(Result):
    """Distortion against frequency.

    Attributes
    ----------
    thd : Curve
        Root of the summed squares of all orders measured, in per cent of the fundamental, against its frequency.
    orders : tuple of Curve
        Harmonic 2, 3, ... in per cent, each as far up as it lies below half the rate.
    """

    thd: Curve
    orders: tuple[Curve, ...]


def distortion_against_frequency(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    level_dbfs: float = -18.0,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    seconds: float = 4.0,
    orders: int = 5,
) -> FrequencyDistortion:
    """Measure harmonics against frequency by a synchronised sweep."""
    sweep = synchronised_sweep(
        sample_rate, low_hz=low_hz, high_hz=high_hz, seconds=seconds, tail_seconds=0.5, level_dbfs=level_dbfs
    )
    return distortion_from_sweep(drive(as_system(system), sweep.signal, sweep.sample_rate), sweep, orders=orders)


def distortion_from_sweep(
    recording: FloatArray, sweep: SynchronisedSweep, *, orders: int = 5, lead_seconds: float = 0.0
) -> FrequencyDistortion:
    """Read harmonics against frequency from a recorded synchronised sweep.

    Parameters
    ----------
    recording : ndarray, shape (samples,)
        What came back, as long as the sweep.
    sweep : SynchronisedSweep
        What was sent.
    orders : int
        Highest harmonic, 2 to 10.
    lead_seconds : float
        By how much the system sounds before its input, as a pre-echo does. The sweep cannot tell that from
        harmonics, so an order whose response ends no earlier than that is ``nan``.

    Notes
    -----
    The response of each order is cut out between its neighbours. Behind a reverb the tail of one order runs into
    the next later one; such curves show no more than an upper bound.
    """
    y = check_signal(recording)
    if len(y) != len(sweep.signal):
        raise MeasureError(f"the recording has {len(y)} samples, but the sweep has {len(sweep.signal)}")
    if isinstance(orders, bool) or not isinstance(orders, int) or not 2 <= orders <= HIGHEST_ORDER:
        raise MeasureError(f"orders is {orders!r}, but must be a whole number from 2 to {HIGHEST_ORDER}")
    rate = sweep.sample_rate
    highest = 0.45 * rate
    points = np.geomspace(sweep.low_hz, sweep.high_hz, int(12 * math.log2(sweep.high_hz / sweep.low_hz)) + 1)
    if unusable(y):
        missing = np.full(len(points), np.nan)
        return _frequency_distortion(points, [missing] * (orders - 1))
    size = 1 << (2 * len(y) - 1).bit_length()
    impulses = np.fft.irfft(np.fft.rfft(y, size) * sweep.inverse_spectrum(size), size)
    length = sweep.rate_seconds

    def window(k: int) -> tuple[float, float]:
        """Seconds before and after the instant of order k that are cut out."""
        after = 0.65 * length * math.log(k / (k - 1)) if k > 1 else 0.9 * length * math.log(2.0)
        return 0.35 * length * math.log((k + 1) / k), after

    def order_response(k: int, at: FloatArray) -> FloatArray:
        """Magnitude of order k at output frequencies."""
        before, after = window(k)
        start = math.floor((-length * math.log(k) - before) * rate)
        count = math.ceil((before + after) * rate)
        piece = np.take(impulses, np.arange(start, start + count), mode="wrap")
        for edge, part in (
            (slice(None, int(0.6 * before * rate)), 1),
            (slice(count - int(0.3 * after * rate), None), -1),
        ):
            ramp = piece[edge]
            fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(len(ramp)) + 0.5) / max(len(ramp), 1))
            piece[edge] = ramp * fade[::part]
        transform = 1 << max(17, (count - 1).bit_length())
        spectrum = np.abs(np.fft.rfft(piece, transform))
        return np.interp(at, np.fft.rfftfreq(transform, 1.0 / rate), spectrum)

    fundamental = order_response(1, points)
    curves = []
    for k in range(2, orders + 1):
        # The response of an order ends where the next lower one begins; the lead must not reach into it.
        apart = lead_seconds == 0.0 or length * math.log(k) - window(k)[1] > lead_seconds
        audible = (k * points <= highest) & apart
        harmonic = np.full(len(points), np.nan)
        if audible.any():
            harmonic[audible] = order_response(k, k * points[audible]) / fundamental[audible]
        curves.append(harmonic)
    return _frequency_distortion(points, curves)


def _frequency_distortion(points: FloatArray, curves: list[FloatArray]) -> FrequencyDistortion:
    def curve(quantity: str, ratio: FloatArray) -> Curve:
        return Curve(quantity=quantity, x=points, y=100.0 * ratio, x_name="frequency", x_unit="Hz", y_unit="%")

    stacked = np.array(curves)
    known = np.isfinite(stacked)
    total = np.sqrt(np.sum(np.where(known, stacked, 0.0) ** 2, axis=0))
    total[~known.any(axis=0)] = np.nan
    return FrequencyDistortion(
        thd=curve("THD against frequency", total),
        orders=tuple(curve(f"harmonic {k + 2} against frequency", ratio) for k, ratio in enumerate(curves)),
    )
