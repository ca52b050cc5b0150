"""The table of the standard set: what is sent, at which level, for how long."""

from dataclasses import dataclass

from measure.quantities.saturation import SATURATION_HZ

__all__ = ["LEVELS_DBFS", "NEIGHBOURS", "PAIRED", "REVERBERANT_SECONDS", "STANDARD_SET", "Row", "fits"]


@dataclass(frozen=True)
class Row:
    """One line of the standard set.

    Attributes
    ----------
    name : str
        What is sent.
    frequencies_hz : tuple of float
        Its tones; empty for noise, sweep and silence. A row whose tones do not fit the rate is left out.
    seconds : float
        How long it lasts, settling time not counted.
    level_db : float
        Level re the reference level.
    every_seed : bool
        Whether it is sent through the system with every seed, or with the first only.
    gives : str
        What is read from it.
    """

    name: str
    frequencies_hz: tuple[float, ...]
    seconds: float
    level_db: float
    every_seed: bool
    gives: str


STANDARD_SET: tuple[Row, ...] = (
    Row("sweep", (), 4.0, 0.0, False, "response, latency, polarity, distortion against frequency"),
    Row("flutter tone", (3150.0,), 20.0, 0.0, True, "flutter, drift, speed error, amplitude fluctuation"),
    Row("high tone", (10_000.0,), 3.0, -10.0, True, "scrape flutter"),
    Row("distortion tone", (1000.0,), 2.0, 0.0, True, "harmonics, THD, THD+N at the reference level"),
    Row("level steps", (1000.0,), 0.18, 0.0, False, "distortion and gain against level, operating level"),
    Row(
        "slow sweep", (), 20.0, -20.0, False, "response re 1 kHz whatever the delay does, edges, bump in the bass"
    ),
    Row(
        "loud tones",
        SATURATION_HZ,
        0.18,
        0.0,
        False,
        "operating level, saturated output, compression by frequency",
    ),
    Row("modulation pair", (60.0, 7000.0), 1.5, 6.0, False, "modulation distortion"),
    Row("difference pair", (19_000.0, 20_000.0), 1.0, 6.0, False, "difference-frequency distortion"),
    Row("prime tone", (4186.0,), 1.0, 12.0, False, "aliasing to signal"),
    Row("silence", (), 3.0, 0.0, False, "noise, weighted and by third octaves"),
    Row("roughened tone", (3150.0,), 6.0, 0.0, False, "modulation noise"),
    Row("two tracks", (1000.0,), 10.0, 0.0, True, "azimuth: delay of one track against the other, and its wander"),
    Row("one track", (), 1.0, 0.0, False, "crosstalk against frequency"),
    Row("short tone", (1000.0,), 3.0, 0.0, False, "print-through: echoes before and behind"),
    Row("noise bursts", (), 2.0, 0.0, False, "EDT, T20, T30 and decay time in octaves"),
)
"""The standard set. The slow sweep lies 20 dB below reference, as responses of slow tapes are read (from memory).
For noise bursts, `seconds` is the least duration: noise and silence grow with the decay."""

NEIGHBOURS = ("two tracks", "one track", "short tone")
"""Rows of a system that hears other tracks, or other turns of the reel."""

PAIRED = ("two tracks", "one track")
"""Those that take two channels."""

LEVELS_DBFS = tuple(range(-42, 1, 3))
"""Input levels of the level steps."""

REVERBERANT_SECONDS = 0.1
"""A system whose decay time is longer than this reverberates, unless the caller says otherwise."""


def fits(row: Row, sample_rate: float) -> bool:
    """Whether a row can be sent at a rate: its tones, and of the difference pair the product ``2 f2 - f1``."""
    if row.name == "silence":
        return sample_rate >= 40_000.0  # the weightings of noise reach to 20 kHz
    if row.name == "loud tones":
        return True  # tones that do not fit are left out one by one
    highest = max(row.frequencies_hz, default=0.0)
    if row.name == "difference pair":
        highest = 2.0 * highest - min(row.frequencies_hz)
    return highest < 0.48 * sample_rate
