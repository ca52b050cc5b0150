"""Distortion against frequency, by a synchronised sweep."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from measure.errors import MeasureError
from measure.parts.run import drive
from measure.parts.signals import SynchronisedSweep, synchronised_sweep
from measure.quantities.distortion.harmonics import HIGHEST_ORDER
from measure.results import Conditions, Curve, Result
from measure.validation import FloatArray, as_system, unusable

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
    """Measure harmonics against frequency by a synchronised sweep.

    Parameters
    ----------
    system, sample_rate, level_dbfs, low_hz, high_hz
        As for :func:`measure.frequency_response`: ``(audio, sample_rate) -> audio``, samples per second, level of
        the sweep, and its band.
    seconds : float
        Duration of the sweep.
    orders : int
        Highest harmonic, 2 to 10.

    Returns
    -------
    FrequencyDistortion
        In per cent of the fundamental, see :func:`distortion_from_sweep`.
    """
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
        harmonics, so an order whose response ends no earlier than that is ``nan``, and says so.

    Notes
    -----
    The response of each order is cut out between its neighbours. Behind a reverb the tail of one order runs into
    the next later one; such curves show no more than an upper bound.
    """
    y = sweep.check_recording(recording)
    if isinstance(orders, bool) or not isinstance(orders, int) or not 2 <= orders <= HIGHEST_ORDER:
        raise MeasureError(f"orders is {orders!r}, but must be a whole number from 2 to {HIGHEST_ORDER}")
    points = np.geomspace(sweep.low_hz, sweep.high_hz, int(12 * math.log2(sweep.high_hz / sweep.low_hz)) + 1)
    reason = unusable(y)
    if reason:
        missing = _Order(np.full(len(points), np.nan), reason)
        return _frequency_distortion(points, [missing] * (orders - 1), sweep, lead_seconds)
    size = 1 << (2 * len(y) - 1).bit_length()
    impulses = np.fft.irfft(np.fft.rfft(y, size) * sweep.inverse_spectrum(size), size)
    fundamental = _order_response(impulses, sweep, 1, points)
    found = []
    for k in range(2, orders + 1):
        ratio = np.full(len(points), np.nan)
        why = _hidden_by_lead(sweep, k, lead_seconds)
        audible = k * points <= 0.45 * sweep.sample_rate
        if not why and audible.any():
            ratio[audible] = _order_response(impulses, sweep, k, k * points[audible]) / fundamental[audible]
        found.append(_Order(ratio, why))
    return _frequency_distortion(points, found, sweep, lead_seconds)


class _Order(NamedTuple):
    """Ratio of a harmonic to the fundamental at each frequency, and why there is none."""

    ratio: FloatArray
    reason: str = ""


def _window(sweep: SynchronisedSweep, k: int) -> tuple[float, float]:
    """Seconds before and after the instant of order k that are cut out."""
    length = sweep.rate_seconds
    after = 0.65 * length * math.log(k / (k - 1)) if k > 1 else 0.9 * length * math.log(2.0)
    return 0.35 * length * math.log((k + 1) / k), after


def _hidden_by_lead(sweep: SynchronisedSweep, k: int, lead_seconds: float) -> str:
    """Why order k cannot be told from what sounds before its input; empty where it can."""
    # The response of an order ends where the next lower one begins; the lead must not reach into it.
    room = sweep.rate_seconds * math.log(k) - _window(sweep, k)[1]
    if lead_seconds == 0.0 or room > lead_seconds:
        return ""
    return (
        f"harmonic {k} cannot be told from what sounds {lead_seconds:.3g} s before its input: this sweep keeps "
        f"{room:.3g} s free for that; make it {math.ceil(lead_seconds / room + 0.01)} times as long or more"
    )


def _order_response(impulses: FloatArray, sweep: SynchronisedSweep, k: int, at_hz: FloatArray) -> FloatArray:
    """Magnitude of the response of order k at output frequencies."""
    rate = sweep.sample_rate
    before, after = _window(sweep, k)
    start = math.floor((-sweep.rate_seconds * math.log(k) - before) * rate)
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
    return np.interp(at_hz, np.fft.rfftfreq(transform, 1.0 / rate), spectrum)


def _frequency_distortion(
    points: FloatArray, found: list[_Order], sweep: SynchronisedSweep, lead_seconds: float
) -> FrequencyDistortion:
    conditions: Conditions = {
        "level_dbfs": sweep.level_dbfs,
        "sweep_seconds": round(sweep.sweep_seconds, 6),
        "lead_seconds": lead_seconds,
        "sample_rate_hz": sweep.sample_rate,
    }

    def curve(quantity: str, ratio: FloatArray, *warnings: str) -> Curve:
        return Curve(
            quantity=quantity,
            x=points,
            y=100.0 * ratio,
            x_name="frequency",
            x_unit="Hz",
            y_unit="%",
            method="synchronised sweep, the response of each order cut out between its neighbours",
            conditions=conditions,
            warnings=warnings,
        )

    stacked = np.array([order.ratio for order in found])
    known = np.isfinite(stacked)
    total = np.sqrt(np.sum(np.where(known, stacked, 0.0) ** 2, axis=0))
    total[~known.any(axis=0)] = np.nan
    reasons = dict.fromkeys(order.reason for order in found if order.reason)
    return FrequencyDistortion(
        thd=curve("THD against frequency", total, *reasons),
        orders=tuple(
            curve(f"harmonic {k} against frequency", order.ratio, *((order.reason,) if order.reason else ()))
            for k, order in enumerate(found, start=2)
        ),
    )
