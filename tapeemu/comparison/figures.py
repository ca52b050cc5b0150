"""The figures of each order: of its renders, and of the chain itself at three levels.

Every figure comes from `measure`. Those of a render are exact for that stem and that tape; what another
tape would change is found by rendering on other tapes. Those of the chain carry the uncertainty that the
measurement states.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from measure.character import Character, Likeness, character, likeness
from measure.level import LevelResult, level
from measure.results import Curve, Reading
from measure.reverberant import average_distortion, jackknife, middle_decay
from tapeemu.chain import Chain
from tapeemu.comparison.rendering import Render, decay_of
from tapeemu.processor import Settings, setting

__all__ = [
    "FIGURES",
    "FULL",
    "LEAN",
    "LEVEL_NAMES",
    "Figure",
    "MeasuringPlan",
    "chain_figures",
    "doubts_of_difference",
    "paired_doubt",
    "render_figures",
    "with_spread",
]

LEVEL_NAMES = ("quiet", "reference", "loud")
"""The three levels at which a chain is measured."""

_LONGEST_DECAY_SECONDS = 8.0
_SHORTEST_GLIDE_SECONDS = 3.0


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
    bursts : int
        Bursts of noise that a decay is averaged over.
    tapes : int
        Tapes (seeds) that the renders are made on; their spread is the uncertainty of a render's figures.
    """

    reference_level_dbfs: float = setting(-18.0, "Reference level", unit="dBFS", ge=-60.0, le=0.0)
    quiet_db: float = setting(-20.0, "Quiet level re the reference", unit="dB", ge=-60.0, le=0.0)
    loud_db: float = setting(10.0, "Loud level re the reference", unit="dB", ge=0.0, le=60.0)
    glide_decays: float = setting(2.0, "Length of a glide in decay times", ge=1.0, le=20.0)
    bursts: int = setting(4, "Bursts of noise per level", ge=1, le=100)
    tapes: int = setting(3, "Tapes the renders are made on", ge=1, le=100)

    @property
    def levels_dbfs(self) -> dict[str, float]:
        """Level by name."""
        offsets = zip(LEVEL_NAMES, (self.quiet_db, 0.0, self.loud_db), strict=True)
        return {name: self.reference_level_dbfs + offset for name, offset in offsets}


FULL = MeasuringPlan()
"""The plan for a few orders."""

LEAN = MeasuringPlan(glide_decays=1.5, tapes=1)
"""The plan for many orders: the same levels and protocols with fewer repeats."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ChainFigures:
    """What was measured of a chain at one level.

    Attributes
    ----------
    readings : dict
        By the keys of :data:`FIGURES`.
    left_out : dict
        By the same keys: the figure with each repeat left out in turn.
    decay : Curve
        Decay of the octave at 1 kHz, dB against seconds.
    """

    readings: dict[str, Reading]
    left_out: dict[str, tuple[float, ...]]
    decay: Curve


def chain_figures(chain: Chain, level_name: str, *, sample_rate: float, plan: MeasuringPlan) -> ChainFigures:
    """Measure distortion and decay of a chain at one of the three levels."""
    level_dbfs = plan.levels_dbfs[level_name]

    def system(audio: "np.typing.NDArray[np.float64]", rate: float) -> "np.typing.NDArray[np.float64]":
        return chain(audio, sample_rate=rate)

    decay_seconds = min(decay_of(chain, sample_rate=sample_rate, channels=1), _LONGEST_DECAY_SECONDS)
    settle_seconds = 0.4 * decay_seconds  # within 24 dB, or 0.4 %, of the steady state
    distortion = average_distortion(
        system,
        sample_rate,
        level_dbfs=level_dbfs,
        glide_seconds=max(plan.glide_decays * decay_seconds, _SHORTEST_GLIDE_SECONDS),
        settle_seconds=max(settle_seconds, 0.1),
    )
    # T30 needs 45 dB of decay, which the drive stretches.
    decay = middle_decay(
        system,
        sample_rate,
        level_dbfs=level_dbfs,
        burst_seconds=max(settle_seconds, 0.5),
        silence_seconds=0.8 * decay_seconds + 0.4,
        repeats=plan.bursts,
    )
    found, left_out = {}, {}
    for result, ending in ((distortion, "percent"), (decay, "seconds")):
        for name, parts in result.left_out.items():
            key = f"{name}_{level_name}_{ending}"
            found[key], left_out[key] = getattr(result, name), parts
    return ChainFigures(readings=found, left_out=left_out, decay=decay.curve)


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
    """Replace the octave levels by their differences from those of the first order."""
    changed = dict(figures)
    for key, reading in figures.items():
        if key.startswith("octave_"):
            changed[key] = replace(
                reading,
                quantity=reading.quantity.replace("octave level", "octave level against the first order"),
                unit="dB",
                value=reading.value - first[key].value if key in first else math.nan,
            )
    return changed


def doubts_of_difference(
    repeats: Sequence[Mapping[str, Reading]], first: Sequence[Mapping[str, Reading]]
) -> dict[str, float]:
    """Uncertainty, over tapes, of the difference between an order and the first on the same tape.

    What a tape does to both orders alike cancels in it, so it is smaller than the spreads of the two. It is
    widened for the few tapes it comes from, so that twice of it is exceeded in one of twenty cases.
    """
    if len(repeats) < 2:
        return {}
    found = {}
    for key in repeats[0]:
        values = [one[key].value - two[key].value for one, two in zip(repeats, first, strict=True) if key in two]
        if len(values) == len(repeats) and np.all(np.isfinite(values)):
            found[key] = widened(float(np.std(values, ddof=1)), len(values))
    return found


def paired_doubt(one: Sequence[float], two: Sequence[float]) -> float | None:
    """Uncertainty of the difference of two figures from their values with each repeat left out in turn.

    The repeats are the same for both (the same noise, the same places of the glide), so what they do to
    both alike cancels. Widened as in :func:`doubts_of_difference`; None where it cannot be told.
    """
    if len(one) != len(two) or len(one) < 2:
        return None
    doubt = jackknife(np.subtract(one, two))
    return widened(doubt, len(one)) if math.isfinite(doubt) else None


def widened(doubt: float, repeats: int) -> float:
    """Widen a doubt for the few repeats it comes from, so that twice of it is Student's limit at 95 %."""
    from scipy.special import stdtrit

    return doubt * max(float(stdtrit(repeats - 1, 0.975)) / 2.0, 1.0)


def with_spread(figures: Mapping[str, Reading], repeats: Sequence[Mapping[str, Reading]]) -> dict[str, Reading]:
    """Give figures the standard deviation over repeats on several tapes as their uncertainty."""
    count = len(repeats)
    if count < 2:
        return dict(figures)
    spread = {}
    for key, reading in figures.items():
        values = [repeat[key].value for repeat in repeats if key in repeat]
        if len(values) == count and np.all(np.isfinite(values)):
            spread[key] = replace(
                reading,
                uncertainty=float(np.std(values, ddof=1)),
                uncertainty_basis=f"repeats ({count} tapes, loudest part of the stem)",
            )
        else:
            spread[key] = reading
    return spread
