"""Classes of transport: which parts turn, how strongly they are felt, and the figure that is typical.

Ours, from common practice (no source): which parts of a class of transport are felt most. Diameters give rates
that have no short common period; rotating parts hold most of the weighted power, so that a reading over half a
minute repeats within 1.5 % (standard deviation).
"""

from typing import NamedTuple

__all__ = ["AS_SET", "PROFILES", "ProfilePart", "TransportProfile"]


class ProfilePart(NamedTuple):
    """A rotating part: its diameter in mm, and the peak speed deviation that it causes in percent."""

    diameter_mm: float
    peak_percent: float


class TransportProfile(NamedTuple):
    """What a transport is made of.

    Attributes
    ----------
    tape_speed_cm_s : float
        Speed of the tape.
    parts : tuple of ProfilePart
        Rotating parts.
    random_percent : float
        Deviation of the random part, exceeded 5 % of the time.
    random_band_hz : tuple of float
        Edges between which its slope holds.
    weighted_flutter_percent : float
        Typical weighted figure, to which everything is scaled.
    """

    tape_speed_cm_s: float
    parts: tuple[ProfilePart, ...]
    random_percent: float
    random_band_hz: tuple[float, float]
    weighted_flutter_percent: float


def _parts(*parts: tuple[float, float]) -> tuple[ProfilePart, ...]:
    return tuple(ProfilePart(diameter_mm, peak_percent) for diameter_mm, peak_percent in parts)


_TO_SCRAPE_HZ = (0.05, 2500.0)

PROFILES = {
    "studio": TransportProfile(
        38.1, _parts((9.0, 0.040), (38.0, 0.030), (180.0, 0.030)), 0.035, _TO_SCRAPE_HZ, 0.05
    ),
    "domestic": TransportProfile(
        19.05, _parts((8.0, 0.075), (25.0, 0.060), (130.0, 0.070)), 0.05, _TO_SCRAPE_HZ, 0.1
    ),
    "cassette": TransportProfile(
        4.7625, _parts((2.3, 0.090), (13.0, 0.110), (34.0, 0.110)), 0.075, _TO_SCRAPE_HZ, 0.15
    ),
    "portable": TransportProfile(
        4.7625, _parts((2.0, 0.220), (11.0, 0.400), (30.0, 0.450)), 0.26, _TO_SCRAPE_HZ, 0.45
    ),
    "worn": TransportProfile(9.525, _parts((5.1, 0.450), (25.0, 0.900), (70.0, 0.700)), 0.53, _TO_SCRAPE_HZ, 0.9),
}

AS_SET = PROFILES["studio"]._replace(random_percent=0.03, random_band_hz=(0.05, 100.0))
"""Without a profile: the parts of "studio", and its random part up to where scrape flutter begins."""
