"""Figures in a musician's words: what is softer, duller, cleaner, longer, steadier."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from measure.results import Reading
from tapeemu.comparison.compared_figures import FIGURES, LEVEL_NAMES

__all__ = [
    "SPOKEN",
    "TRAITS",
    "Change",
    "Trait",
    "audible",
    "changes",
    "figure_words",
    "most_telling",
    "phrase",
    "short_phrase",
]

# An octave this far below the strongest one is taken as unheard beside it; our choice, no source.
_UNHEARD_DB = 50.0
_WHEN = {"quiet": "in quiet passages ", "reference": "", "loud": "in loud passages "}


@dataclass(frozen=True, kw_only=True)
class Trait:
    """One side of a sound, and the figures that tell of it.

    Attributes
    ----------
    name : str
        Heading.
    subject : str
        With its verb, as in "attacks are".
    less, more : str
        Words for a smaller and a larger figure.
    keys : tuple of str
        Figures, the most telling first.
    strongest : bool
        Say the figure that differs most instead of the first.
    """

    name: str
    subject: str
    less: str
    more: str
    keys: tuple[str, ...]
    strongest: bool = False


def _levels(kind: str, ending: str) -> tuple[str, ...]:
    return tuple(f"{kind}_{name}_{ending}" for name in ("reference", "loud", "quiet"))


TRAITS = (
    Trait(name="Attacks", subject="attacks are", less="softer", more="sharper", keys=("plr_db", "crest_db")),
    Trait(
        name="Top",
        subject="the top is",
        less="duller",
        more="brighter",
        keys=("octave_8000hz_db", "octave_16000hz_db", "octave_4000hz_db", "centroid_hz"),
        strongest=True,
    ),
    Trait(
        name="Middle",
        subject="the middle is",
        less="further back",
        more="further forward",
        keys=("octave_1000hz_db", "octave_2000hz_db", "octave_500hz_db"),
        strongest=True,
    ),
    Trait(
        name="Bass",
        subject="the bass is",
        less="thinner",
        more="fuller",
        keys=("octave_125hz_db", "octave_63hz_db", "octave_250hz_db"),
        strongest=True,
    ),
    Trait(
        name="Chords",
        subject="chords are",
        less="cleaner",
        more="rougher",
        keys=_levels("imd", "percent"),
    ),
    Trait(
        name="Single notes",
        subject="single notes are",
        less="purer",
        more="richer in harmonics",
        keys=_levels("thd", "percent"),
    ),
    Trait(
        name="First fading",
        subject="the room at first fades",
        less="sooner",
        more="later",
        keys=_levels("edt", "seconds"),
    ),
    Trait(
        name="Tail",
        subject="the tail is",
        less="shorter",
        more="longer",
        keys=(*_levels("t30", "seconds"), *_levels("t20", "seconds")),
    ),
    Trait(
        name="Held notes",
        subject="held notes are",
        less="steadier",
        more="less steady",
        keys=("swing_reference_db",),
    ),
    Trait(
        name="Contrast",
        subject="loud and soft passages lie",
        less="closer together",
        more="further apart",
        keys=("lra_lu",),
    ),
    Trait(
        name="Width",
        subject="the image is",
        less="narrower",
        more="wider",
        keys=("width_db", "stereo_correlation"),
    ),
)
"""In the order of sentences and pictures. Every figure that has a threshold belongs to one of them."""

SPOKEN = tuple(key for trait in TRAITS for key in trait.keys)
"""Figures that sentences are made from."""


@dataclass(frozen=True, kw_only=True)
class Change:
    """One figure of two orders that is worth a word.

    Attributes
    ----------
    key : str
        Figure.
    value, other : float
        Of the order spoken of, and of the one it is held against.
    """

    key: str
    value: float
    other: float

    @property
    def more(self) -> bool:
        """Whether the trait is more of itself; correlation falls as the image widens."""
        return (self.value > self.other) is not (self.key == "stereo_correlation")

    @property
    def weight(self) -> float:
        """Difference in thresholds."""
        figure = FIGURES[self.key]
        scale = min(abs(self.value), abs(self.other)) if figure.relative else 1.0
        unit = figure.threshold * scale
        return abs(self.value - self.other) / unit if unit > 0.0 else math.inf


def audible(reading: Reading) -> bool:
    """Whether what a figure tells of can be heard beside the rest: of an octave, that it is not far below it."""
    below = reading.conditions.get("below_strongest_db")
    return not isinstance(below, float) or below <= _UNHEARD_DB


def changes(clear: Callable[[str], Change | None]) -> list[tuple[Trait, list[Change]]]:
    """The traits in which two orders differ, each with the figures to say so.

    Parameters
    ----------
    clear : callable
        The change of a figure, where it is worth a word.
    """
    found = []
    for trait in TRAITS:
        chosen = most_telling(trait, [change for key in trait.keys if (change := clear(key)) is not None])
        if chosen:
            found.append((trait, chosen))
    return found


def most_telling(trait: Trait, clear: Sequence[Change]) -> list[Change]:
    """One figure for each direction that a trait has gone."""
    chosen = []
    for more in (False, True):
        there = [change for change in clear if change.more is more]
        if there:
            chosen.append(max(there, key=lambda change: change.weight) if trait.strongest else there[0])
    return sorted(chosen, key=lambda change: trait.keys.index(change.key))


def phrase(trait: Trait, change: Change) -> str:
    """Words first, then the figure in brackets: "attacks are softer (peaks 1.2 dB lower at the same loudness)"."""
    word = trait.more if change.more else trait.less
    when = _WHEN[level] if (level := _level_of(change.key)) else ""
    return f"{when}{trait.subject} {word} ({figure_words(change)})"


def short_phrase(trait: Trait, change: Change) -> str:
    """The same in a few words without a figure: "attacks softer"."""
    when = _WHEN[level].strip() if (level := _level_of(change.key)) else ""
    word = trait.more if change.more else trait.less
    return f"{trait.name.lower()} {word}{' ' + when if when else ''}"


def _level_of(key: str) -> str:
    return next((name for name in LEVEL_NAMES if f"_{name}_" in key), "")


def figure_words(change: Change) -> str:
    """The figure of a change as it stands in brackets."""
    figure = FIGURES[change.key]
    apart = abs(change.value - change.other)
    digits = figure.digits
    if change.key == "plr_db":
        return f"peaks {apart:.{digits}f} dB {'higher' if change.more else 'lower'} at the same loudness"
    if change.key.startswith("octave_"):
        hertz = int(change.key.removeprefix("octave_").removesuffix("hz_db"))
        band = f"{hertz // 1000} kHz" if hertz >= 1000 else f"{hertz} Hz"
        return f"{band} {apart:.{digits}f} dB {'more' if change.more else 'less'}"
    name = {"imd": "intermodulation", "thd": "harmonics", "edt": "early decay", "t30": "T30", "t20": "T20"}.get(
        change.key.split("_")[0], figure.name
    )
    name = {"swing_reference_db": "level swings by", "lra_lu": "loudness range"}.get(change.key, name)
    unit = f" {figure.unit}" if figure.unit else ""
    return f"{name} {change.value:.{digits}f} instead of {change.other:.{digits}f}{unit}"
