"""Echo density: how soon a response becomes as dense as noise."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from measure.parts.decay_bands import onset_of
from measure.results import Condition, Conditions, Curve, Reading, Result
from measure.validation import FloatArray, check_rate, check_signal, unusable

__all__ = [
    "EchoDensity",
    "echo_density",
]

_LEVELS = {0.5: "half", 0.9: "nine tenths", 1.0: "full"}
_METHOD = "share of samples beyond one standard deviation, Hann window"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class EchoDensity(Result):
    """Normalised echo density: 0 for a single echo, 1 where the response is as dense as Gaussian noise.

    Attributes
    ----------
    profile : Curve
        Density against seconds after the first arrival.
    half, nine_tenths, full : Reading
        First time at which the density reaches 0.5, 0.9 and 1.
    """

    profile: Curve
    half: Reading
    nine_tenths: Reading
    full: Reading


def echo_density(
    impulse_response: FloatArray, sample_rate: float, *, window_seconds: float = 0.025
) -> EchoDensity:
    """Read how soon a response becomes as dense as noise.

    Parameters
    ----------
    impulse_response : ndarray, shape (samples,)
        Response.
    sample_rate : float
        Samples per second.
    window_seconds : float
        Length of the sliding Hann window.

    Notes
    -----
    Abel and Huang, "A simple, robust measure of reverberation echo density", AES 121, 2006: the weighted share
    of samples beyond one weighted standard deviation, over that of Gaussian noise, ``erfc(1 / sqrt 2)``. The
    window of 20 to 30 ms is from memory.
    """
    h = check_signal(impulse_response)
    rate = check_rate(sample_rate)
    width = round(window_seconds * rate) | 1
    conditions: Conditions = {"window_seconds": window_seconds, "sample_rate_hz": rate}
    empty = np.empty(0)
    reason = unusable(h)
    if reason:
        return _result(empty, empty, reason, conditions)
    onset = onset_of(h)
    h = h[onset:]
    if width < 16 or len(h) < 2 * width:
        reason = f"the response lasts {len(h) / rate:.3g} s, but two windows of it are needed"
        return _result(empty, empty, reason, conditions)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(width) + 0.5) / width)
    window /= window.sum()
    hop = max(1, round(0.001 * rate))
    # Where the tail has sunk into digital silence there is no density to speak of.
    alive = np.flatnonzero(np.abs(h) > 1e-9 * np.max(np.abs(h)))
    h = h[: alive[-1] + 1]
    if len(h) < width:
        return _result(empty, empty, "the response is a single echo", conditions)
    frames = np.lib.stride_tricks.sliding_window_view(h, width)[::hop]
    sigma = np.sqrt((frames**2) @ window)
    expected = math.erfc(math.sqrt(0.5))
    density = ((np.abs(frames) > sigma[:, None]) @ window) / expected
    t = (np.arange(len(frames)) * hop + width // 2) / rate
    return _result(density, t, "", conditions)


def _result(density: FloatArray, t: FloatArray, why: str, conditions: Mapping[str, Condition]) -> EchoDensity:
    found = {}
    for level in _LEVELS:
        reached = np.flatnonzero(density >= level)
        if len(reached):
            found[level] = _reading(level, float(t[reached[0]]), conditions)
        else:
            found[level] = _reading(level, math.nan, conditions, why or f"the density never reaches {level:g}")
    profile = Curve(
        quantity="echo density",
        x=t,
        y=density,
        x_name="time",
        x_unit="s",
        y_unit="",
        method=_METHOD,
        conditions=conditions,
        warnings=(why,) if why else (),
    )
    return EchoDensity(profile=profile, half=found[0.5], nine_tenths=found[0.9], full=found[1.0])


def _reading(level: float, value: float, conditions: Mapping[str, Condition], *why: str) -> Reading:
    known = math.isfinite(value)
    return Reading(
        quantity=f"time to {_LEVELS[level]} echo density",
        value=value,
        unit="s",
        method=_METHOD,
        conditions=conditions,
        # Where within the window the density is reached is known to about a tenth of it.
        uncertainty=0.1 * float(conditions["window_seconds"]) if known else math.nan,
        uncertainty_basis="theory (a tenth of the window)" if known else "not stated",
        warnings=why,
    )
