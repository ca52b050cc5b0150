"""The figures of each order: of its renders, and of the chain itself at three levels.

Every figure comes from `measure`. Those of a render are exact for that stem and that tape; what another
tape would change is found by rendering on other tapes. Those of the chain are means over repeats, each
with its own noise, tape and room (see `tapeemu.comparison.chains`).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from measure.quantities.character import Character, Likeness, character, likeness
from measure.quantities.level import LevelResult, level
from measure.results import Reading
from tapeemu.processor import Settings, setting
from tapeemu.rendering.matched import Render

__all__ = [
    "FIGURES",
    "FULL",
    "LEAN",
    "LEVEL_NAMES",
    "Figure",
    "MeasuringPlan",
    "Repeats",
    "mean_and_doubt",
    "paired_difference",
    "relative_octaves",
    "render_figures",
    "repeats_of_renders",
    "settled",
    "with_spread",
]

LEVEL_NAMES = ("quiet", "reference", "loud")
"""The three levels at which a chain is measured."""


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One column of the comparison.

    Attributes
    ----------
    key : str
        Name in tables; the unit ends it.
    name, unit : str
        As printed.
    digits : int
        Decimals as printed.
    threshold : float
        Difference between orders from which on it is worth a sentence; in the unit, or relative.
    relative : bool
        Whether the threshold is a share of the smaller value.
    basis : str
        Where the threshold comes from.
    group : str
        ``"render"`` or ``"chain"``.
    more, less : str
        Words for a larger and a smaller value.
    least : float
        The larger of two values must reach this for their difference to be worth a sentence.
    """

    key: str
    name: str
    unit: str
    digits: int
    threshold: float
    relative: bool
    basis: str
    group: Literal["render", "chain"]
    more: str = "more"
    less: str = "less"
    least: float = -math.inf


_CHOICE = "our choice, no source"
_EDT_JND = "just noticeable difference of EDT, ISO 3382-1 Table A.1"
_T_JND = "taken as that of EDT, ISO 3382-1 Table A.1"


def _chain_kinds() -> list[Figure]:
    made = []
    for name in LEVEL_NAMES:
        for key, words in (("thd", "THD"), ("imd", "intermodulation")):
            made.append(
                Figure(
                    key=f"{key}_{name}_percent",
                    name=f"{words}, {name}",
                    unit="%",
                    digits=2,
                    threshold=0.5,
                    relative=True,
                    basis=f"a change by half, to or from 0.1 % or more; {_CHOICE}",
                    group="chain",
                    least=0.1,
                )
            )
    for name in LEVEL_NAMES:
        for key, basis in (("edt", _EDT_JND), ("t20", _T_JND), ("t30", _T_JND)):
            made.append(
                Figure(
                    key=f"{key}_{name}_seconds",
                    name=f"{key.upper()}, {name}",
                    unit="s",
                    digits=2,
                    threshold=0.05,
                    relative=True,
                    basis=basis,
                    group="chain",
                    more="longer",
                    less="shorter",
                )
            )
    return made


def _swing_kind() -> Figure:
    return Figure(
        key="swing_reference_db",
        name="level swing of a held note, reference",
        unit="dB",
        digits=1,
        threshold=1.0,
        relative=False,
        basis=f"1 dB; {_CHOICE}",
        group="chain",
    )


def _octave_kinds() -> list[Figure]:
    return [
        Figure(
            key=f"octave_{centre}hz_db",
            name=f"octave {centre} Hz, against the first",
            unit="dB",
            digits=1,
            threshold=1.0,
            relative=False,
            basis=f"1 dB; {_CHOICE}",
            group="render",
        )
        for centre in (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
    ]


def _render_kind(
    key: str,
    name: str,
    unit: str,
    digits: int,
    threshold: float,
    *,
    relative: bool = False,
    words: str = "more less",
) -> Figure:
    more, less = words.split()
    return Figure(
        key=key,
        name=name,
        unit=unit,
        digits=digits,
        threshold=threshold,
        relative=relative,
        basis=_CHOICE,
        group="render",
        more=more,
        less=less,
    )


FIGURES: dict[str, Figure] = {
    figure.key: figure
    for figure in (
        _render_kind("loudness_lufs", "loudness", "LUFS", 2, 0.1, words="louder softer"),
        _render_kind("true_peak_dbtp", "true peak", "dBTP", 2, 1.0, words="higher lower"),
        _render_kind("crest_db", "crest factor", "dB", 1, 1.0),
        _render_kind("plr_db", "peak-to-loudness ratio", "dB", 1, 1.0),
        _render_kind("lra_lu", "loudness range", "LU", 1, 1.0),
        _render_kind("centroid_hz", "spectral centroid", "Hz", 0, 0.1, relative=True, words="higher lower"),
        *_octave_kinds(),
        _render_kind("stereo_correlation", "stereo correlation", "", 2, 0.1, words="higher lower"),
        _render_kind("width_db", "stereo width (side over middle)", "dB", 1, 1.0, words="wider narrower"),
        _render_kind("null_db", "difference signal, against the first", "dB", 1, math.inf),
        _render_kind("correlation", "correlation with the first", "", 3, math.inf),
        *_chain_kinds(),
        _swing_kind(),
    )
}
"""All figures by key, in the order of tables."""


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


def render_figures(render: Render, reference: Render, *, sample_rate: float) -> dict[str, Reading]:
    """Measure a render, and its difference from a reference of the same length and loudness."""
    signal = render.audio.astype(np.float64)
    levels = level(signal, sample_rate)
    image = character(signal, sample_rate)
    reference_signal = signal if render is reference else reference.audio.astype(np.float64)
    against = likeness(signal, reference_signal, sample_rate)
    return _level_figures(levels) | _image_figures(image) | _likeness_figures(against)


def _level_figures(levels: LevelResult) -> dict[str, Reading]:
    true_peak = max(
        levels.true_peak, key=lambda reading: -math.inf if math.isnan(reading.value) else reading.value
    )
    peak = max((r.value for r in levels.peak if r.defined), default=math.nan)
    # A level of the AES17 kind is 3.01 dB above the plain RMS, the crest factor a plain ratio.
    power = np.mean([10.0 ** ((r.value if r.defined else -math.inf) / 10.0) for r in levels.rms]) / 2.0
    crest = peak - 10.0 * math.log10(power) if power > 0.0 else math.nan
    conditions = {key: value for key, value in levels.loudness.conditions.items() if key != "channel"}
    return {
        "loudness_lufs": levels.loudness,
        "true_peak_dbtp": true_peak,
        "crest_db": Reading(
            quantity="crest factor",
            value=crest,
            unit="dB",
            method="largest sample of all channels over the RMS of all channels",
            conditions=conditions,
            uncertainty_basis="exact for this recording",
        ),
        "plr_db": Reading(
            quantity="peak-to-loudness ratio",
            value=true_peak.value - levels.loudness.value,
            unit="dB",
            method="true peak less integrated loudness",
            standard="ITU-R BS.1770",
            conditions=conditions,
            uncertainty_basis="exact for this recording",
        ),
        "lra_lu": levels.loudness_range,
    }


def _image_figures(image: Character) -> dict[str, Reading]:
    octaves = {
        f"octave_{reading.quantity.removeprefix('octave level, ').removesuffix(' Hz')}hz_db": reading
        for reading in image.octaves
    }
    return {
        "centroid_hz": image.centroid,
        **octaves,
        "stereo_correlation": image.stereo_correlation,
        "width_db": image.width,
    }


def _likeness_figures(against: Likeness) -> dict[str, Reading]:
    return {"null_db": against.null, "correlation": against.correlation}


def relative_octaves(figures: Mapping[str, Reading], first: Mapping[str, Reading]) -> dict[str, Reading]:
    """Replace the octave levels by their differences from those of the first order.

    How far a band lies below the strongest of both orders is kept among its conditions: what no one can hear
    is not worth a sentence.
    """
    changed = dict(figures)
    octaves = [key for key in figures if key.startswith("octave_")]
    levels = [each[key].value for each in (figures, first) for key in octaves if key in each and each[key].defined]
    strongest = max(levels, default=math.nan)
    for key in octaves:
        other = first[key].value if key in first else math.nan
        louder = max(figures[key].value, other)
        changed[key] = replace(
            figures[key],
            quantity=figures[key].quantity.replace("octave level", "octave level against the first order"),
            unit="dB",
            value=figures[key].value - other,
            conditions={**figures[key].conditions, "below_strongest_db": strongest - louder},
        )
    return changed


Repeats = Mapping[str, tuple[float, ...]]
"""Values of figures on each repeat; the repeats are the same for all orders."""


def repeats_of_renders(tapes: Sequence[Mapping[str, Reading]]) -> dict[str, tuple[float, ...]]:
    """Figures of one order on several tapes, as far as they are defined on all."""
    found = {}
    for key in tapes[0] if len(tapes) > 1 else ():
        values = tuple(tape[key].value for tape in tapes if key in tape)
        if len(values) == len(tapes) and np.all(np.isfinite(values)):
            found[key] = values
    return found


def paired_difference(one: Sequence[float], two: Sequence[float]) -> tuple[float, float] | None:
    """Mean difference of a figure between two orders, and its uncertainty, from repeats that both share.

    What a tape, a room or a burst of noise does to both alike cancels. A repeat on which one of the two is
    undefined is left out for both. The uncertainty is the standard error, widened for the few repeats so that
    twice of it is Student's limit at 99 %. None where fewer than two repeats are left.
    """
    count = min(len(one), len(two))
    differences = np.subtract(one[:count], two[:count])
    return mean_and_doubt(differences[np.isfinite(differences)].tolist())


def mean_and_doubt(values: Sequence[float]) -> tuple[float, float] | None:
    """Mean of independent values and its widened standard error; None for fewer than two."""
    count = len(values)
    if count < 2:
        return None
    spread = float(np.std(values, ddof=1)) / math.sqrt(count)
    return math.fsum(values) / count, widened(spread, count)


def settled(
    key: str, own: Mapping[str, Reading], repeats: Repeats, other: Mapping[str, Reading], others: Repeats
) -> bool:
    """Whether it is clear that two orders differ in a figure by its threshold, or that they do not."""
    one, two = own.get(key), other.get(key)
    if one is None or two is None or not (one.defined and two.defined):
        return True
    pair = paired_difference(repeats.get(key, ()), others.get(key, ()))
    if pair is None:
        return True
    figure = FIGURES[key]
    threshold = figure.threshold * (min(abs(one.value), abs(two.value)) if figure.relative else 1.0)
    return abs(abs(pair[0]) - threshold) >= 2.0 * pair[1]


def widened(doubt: float, repeats: int) -> float:
    """Widen a doubt for the few repeats it comes from, so that twice of it is Student's limit at 99 %."""
    from scipy.special import stdtrit

    return doubt * float(stdtrit(repeats - 1, 0.995)) / 2.0


def with_spread(figures: Mapping[str, Reading], repeats: Repeats) -> dict[str, Reading]:
    """Give figures of renders the standard deviation over tapes as their uncertainty."""
    return {
        key: replace(
            reading,
            uncertainty=float(np.std(repeats[key], ddof=1)),
            uncertainty_basis=f"repeats ({len(repeats[key])} tapes, loudest part of the stem)",
        )
        if key in repeats
        else reading
        for key, reading in figures.items()
    }
