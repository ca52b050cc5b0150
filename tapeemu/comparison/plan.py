"""How thoroughly orders are measured."""

from tapeemu.comparison.compared_figures import LEVEL_NAMES
from tapeemu.processor import Settings, setting

__all__ = ["FULL", "LEAN", "MANY", "MeasuringPlan", "plan_for"]

MANY = 6
"""Up to so many orders the full plan is the default, and each is told against the first by itself."""


class MeasuringPlan(Settings):
    """How thoroughly the chains are measured.

    Attributes
    ----------
    reference_level_dbfs : float
        Level that counts as the reference; quiet and loud are relative to it.
    quiet_db, loud_db : float
        The two other levels re the reference.
    glide_decays : float
        Length of the glide that distortion is averaged over, in decay times of the chain.
    glides : int
        Glides, each on its own tape and in its own room; at the quiet level one.
    bursts, most_bursts : int
        Bursts of noise, each on its own tape and in its own room, that decays are averaged over: at least so
        many, then twice as many and so on while a sentence is in doubt, to the limit.
    tapes, most_tapes : int
        Tapes that the renders are made on, at least and at most; their spread is the uncertainty of a render's
        figures.
    """

    reference_level_dbfs: float = setting(-18.0, "Reference level", unit="dBFS", ge=-60.0, le=0.0)
    quiet_db: float = setting(-20.0, "Quiet level re the reference", unit="dB", ge=-60.0, le=0.0)
    loud_db: float = setting(10.0, "Loud level re the reference", unit="dB", ge=0.0, le=60.0)
    glide_decays: float = setting(1.5, "Length of a glide in decay times", ge=1.0, le=20.0)
    glides: int = setting(3, "Glides per level", ge=1, le=100)
    bursts: int = setting(6, "Bursts of noise per level to begin with", ge=1, le=1000)
    most_bursts: int = setting(24, "Bursts of noise per level at most", ge=1, le=1000)
    tapes: int = setting(4, "Tapes the renders are made on to begin with", ge=1, le=100)
    most_tapes: int = setting(16, "Tapes the renders are made on at most", ge=1, le=100)

    @property
    def levels_dbfs(self) -> dict[str, float]:
        """Level by name."""
        offsets = zip(LEVEL_NAMES, (self.quiet_db, 0.0, self.loud_db), strict=True)
        return {name: self.reference_level_dbfs + offset for name, offset in offsets}


FULL = MeasuringPlan()
"""The plan for a few orders."""

LEAN = MeasuringPlan(most_bursts=12, most_tapes=8)
"""The plan for many orders: the same levels and protocols with fewer repeats."""


def plan_for(orders: int) -> MeasuringPlan:
    """How thoroughly so many orders are measured."""
    return FULL if orders <= MANY else LEAN
