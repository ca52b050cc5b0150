"""The figures that orders are compared by: names, units, and from which difference on each is worth a sentence.

Those of the renders are measured in `tapeemu.comparison.renders`, those of the chains in
`tapeemu.comparison.chains`; every one of them comes from `measure`.
"""

import math
from dataclasses import dataclass
from typing import Literal

__all__ = ["FIGURES", "LEVEL_NAMES", "ComparedFigure"]

LEVEL_NAMES = ("quiet", "reference", "loud")
"""The three levels at which a chain is measured."""


@dataclass(frozen=True, kw_only=True)
class ComparedFigure:
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


def _chain_kinds() -> list[ComparedFigure]:
    made = []
    for name in LEVEL_NAMES:
        for key, words in (("thd", "THD"), ("imd", "intermodulation")):
            made.append(
                ComparedFigure(
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
                ComparedFigure(
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


def _swing_kind() -> ComparedFigure:
    return ComparedFigure(
        key="swing_reference_db",
        name="level swing of a held note, reference",
        unit="dB",
        digits=1,
        threshold=1.0,
        relative=False,
        basis=f"1 dB; {_CHOICE}",
        group="chain",
    )


def _octave_kinds() -> list[ComparedFigure]:
    return [
        ComparedFigure(
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
) -> ComparedFigure:
    more, less = words.split()
    return ComparedFigure(
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


FIGURES: dict[str, ComparedFigure] = {
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
