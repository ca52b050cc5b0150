"""The step of the knob "Preset" that each shipped preset has: songs that automate it name presets by number."""

from collections.abc import Iterable

__all__ = ["MOST_PRESETS", "PRESET_ORDER", "in_order"]

MOST_PRESETS = 63
"""Steps that the knob has. VST3 hosts keep a share of the range, so the range must not grow with the presets."""

PRESET_ORDER = (
    "bed-slow-wow",
    "bounced-three-times",
    "cassette-average",
    "cassette-hissing",
    "cassette-well-kept",
    "cassette-worn",
    "domestic-at-19",
    "domestic-at-9",
    "drive-into-hall",
    "hall-into-drive",
    "multitrack-mid-century",
    "multitrack-with-neighbours",
    "portable-worn",
    "preamplifier-alone",
    "pulse-tight",
    "quarter-inch-at-19",
    "quarter-inch-at-38",
    "quarter-inch-misaligned",
    "reel-started-and-spliced",
    "small-room-on-tape",
    "studio-at-38",
    "studio-at-38-with-hiss",
    "studio-at-76",
    "tape-alone",
    "unstable-and-broken",
)
"""Names in the order of their steps. New ones go to the end; none is moved, none that was released goes."""


def in_order(names: Iterable[str]) -> list[str]:
    """Names of presets in the order of their steps; those that have none yet stand behind, by name.

    Parameters
    ----------
    names : iterable of str
        Of presets that a plug-in can hold.
    """
    given = set(names)
    return [name for name in PRESET_ORDER if name in given] + sorted(given.difference(PRESET_ORDER))
