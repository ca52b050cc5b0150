"""What a decay time must keep, and what widens its uncertainty, however it was read."""

import math
from typing import NamedTuple

from measure.parts.decay_bands import Envelope

__all__ = [
    "CLIPPED",
    "SMEARED",
    "STRAYS",
    "Widened",
    "too_short",
    "widened",
]

_LEAST_BT = 4.0
CLIPPED = "the response is clipped"
STRAYS = "no exponential describes this: the power strays from it by more than the figure itself"
SMEARED = "what was found is no stronger than the band filter's smear of what came before"


class Widened(NamedTuple):
    """A standard uncertainty that counts what the neighbouring bands add."""

    sigma: float
    bound: bool  # whether most of it is the neighbours' part: an error of one sign, counted as it stands
    warnings: tuple[str, ...]

    def basis(self, chance: str) -> str:
        """What the uncertainty is based on, where chance alone is by `chance`."""
        return f"{chance}; mostly a bound: what neighbouring bands add, not taken off" if self.bound else chance


def widened(value: float, sigma: float, leak: float) -> Widened:
    """Count the neighbours' share of a figure in its uncertainty, and warn where that is much.

    The reciprocal of an uncertain slope is long on average by the relative variance, which counts too. The
    neighbours' share is no scatter: where it is more than chance, the figure strays by about one standard
    uncertainty to one side, and two of them bound the error rather than hold it in 95 of 100 cases.
    """
    sigma = math.hypot(sigma, sigma**2 / value)
    if math.isinf(leak):
        why = "what the neighbouring bands add could not be worked out: the figure may be all theirs"
        return Widened(value, True, (why,))
    own = value / (1.0 + leak)
    total = math.hypot(sigma, value - own)
    bound = abs(value - own) > sigma
    if abs(value - own) < max(0.05 * value, sigma):
        return Widened(total, bound, ())
    side = "slower" if leak > 0.0 else "faster"
    why = f"{side} neighbouring bands show through the filter's skirts: the band itself decays in some {own:.2g} s"
    return Widened(total, bound, (why,))


def too_short(value: float, envelope: Envelope, width_hz: float) -> str:
    """Say when a decay is as short as the band filter's smear."""
    least = max(_LEAST_BT / width_hz, 2.0 * envelope.own_decay)
    if value > least:
        return ""
    return (
        f"{value:.2g} s is too short for a band {width_hz:.3g} Hz wide, which needs more than {least:.2g} s "
        f"(B T > {_LEAST_BT:g}, and twice what the filter itself reads)"
    )
