"""What a decay time must keep, and what widens its uncertainty, however it was read."""

import math

from measure.parts.decay_bands import Envelope

__all__ = [
    "CLIPPED",
    "SMEARED",
    "STRAYS",
    "too_short",
    "widened",
]

_LEAST_BT = 4.0
CLIPPED = "the response is clipped"
STRAYS = "no exponential describes this: the power strays from it by more than the figure itself"
SMEARED = "what was found is no stronger than the band filter's smear of what came before"


def widened(value: float, sigma: float, leak: float) -> tuple[float, tuple[str, ...]]:
    """Standard uncertainty with the neighbours' share of a figure in it, and a warning where that is much.

    The reciprocal of an uncertain slope is long on average by the relative variance, which counts too.
    """
    sigma = math.hypot(sigma, sigma**2 / value)
    if math.isinf(leak):
        return value, ("what the neighbouring bands add could not be worked out: the figure may be all theirs",)
    own = value / (1.0 + leak)
    total = math.hypot(sigma, value - own)
    if abs(value - own) < max(0.05 * value, sigma):
        return total, ()
    side = "slower" if leak > 0.0 else "faster"
    return total, (
        f"{side} neighbouring bands show through the filter's skirts: the band itself decays in some {own:.2g} s",
    )


def too_short(value: float, envelope: Envelope, width_hz: float) -> str:
    """Say when a decay is as short as the band filter's smear."""
    least = max(_LEAST_BT / width_hz, 2.0 * envelope.own_decay)
    if value > least:
        return ""
    return (
        f"{value:.2g} s is too short for a band {width_hz:.3g} Hz wide, which needs more than {least:.2g} s "
        f"(B T > {_LEAST_BT:g}, and twice what the filter itself reads)"
    )
