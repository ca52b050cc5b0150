"""Which figures a preset keeps, and how far a re-measured one may lie from the one in the file.

Readings are deterministic: the same settings and seeds give the same signals and the same figures on any
machine, up to rounding. A figure that moves by more than its tolerance has therefore been moved by a changed
setting or a changed program, not by chance. The tolerance is the standard uncertainty stated with the
figure within limits: the uncertainty of a noise-free tone can be parts in a million, which neither the ear nor
another version of a library respects; and it can be a third of the figure where a meter may be wrong by
its method (an octave beside slower ones), which it is in the same way every time.
"""

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from measure.results import Reading
from tapeemu.chain import Chain

__all__ = [
    "DECAY_BANDS_HZ",
    "KEPT",
    "KeepingRule",
    "KeptFigure",
    "Measured",
    "settings_digest",
    "tolerance_for",
    "worth_keeping",
]

_MOST_TOLERANCE = 4.0  # of the least
_WORTHLESS_SHARE = 0.5  # of the value; our choice, no source
_WORTHLESS_DB = 3.0
_SIZES = ("level_fluctuation_peak_db", "level_fluctuation_rms_db", "bump_db")
"""Figures in decibels that are sizes: 0 dB is nothing of them. All others in decibels are levels."""

DECAY_BANDS_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
"""Octave bands whose decay time is kept."""


class KeepingRule(NamedTuple):
    """One figure that presets keep.

    Attributes
    ----------
    row : str
        Row of the bench's standard set that it is read from.
    floor : float
        Least tolerance, in its unit.
    share : float
        Least tolerance, as a share of the value; not for levels in decibels.
    heading : str
        Short name in tables; empty for figures that stand in none.
    """

    row: str
    floor: float
    share: float = 0.005
    heading: str = ""


KEPT: dict[str, KeepingRule] = {
    "weighted_flutter_percent": KeepingRule("flutter tone", 0.0005, heading="flutter %"),
    "unweighted_flutter_percent": KeepingRule("flutter tone", 0.0005),
    "wow_percent": KeepingRule("flutter tone", 0.0005),
    "flutter_percent": KeepingRule("flutter tone", 0.0005),
    "speed_error_percent": KeepingRule("flutter tone", 0.0005),
    "scrape_flutter_rms_percent": KeepingRule("high tone", 0.0005),
    "level_fluctuation_peak_db": KeepingRule("flutter tone", 0.005, heading="level ±dB"),
    "level_fluctuation_rms_db": KeepingRule("flutter tone", 0.005),
    "thd_reference_percent": KeepingRule("distortion tone", 0.001, heading="THD %"),
    "harmonic_2_reference_db": KeepingRule("distortion tone", 0.1),
    "harmonic_3_reference_db": KeepingRule("distortion tone", 0.1),
    "mol_3_percent_db": KeepingRule("level steps", 0.02, heading="MOL dB"),
    "mol_315hz_output_db": KeepingRule("loud tones", 0.02),
    "mol_1000hz_output_db": KeepingRule("loud tones", 0.02),
    "mol_6300hz_output_db": KeepingRule("loud tones", 0.05),
    "sol_10000hz_db": KeepingRule("loud tones", 0.05),
    "compression_10000hz_db": KeepingRule("loud tones", 0.05),
    "bump_hz": KeepingRule("slow sweep", 0.5),
    "bump_db": KeepingRule("slow sweep", 0.02),
    "response_40hz_db": KeepingRule("slow sweep", 0.05),
    "response_10000hz_db": KeepingRule("slow sweep", 0.05),
    "response_16000hz_db": KeepingRule("slow sweep", 0.05),
    "modulation_distortion_percent": KeepingRule("modulation pair", 0.001),
    "noise_a_weighted_db": KeepingRule("silence", 0.2, heading="noise dB(A)"),
    "noise_468_db": KeepingRule("silence", 0.2),
    "modulation_noise_db": KeepingRule("roughened tone", 0.2),
    "azimuth_delay_us": KeepingRule("two tracks", 0.01),
    "azimuth_wander_us": KeepingRule("two tracks", 0.02),
    "crosstalk_63hz_db": KeepingRule("one track", 0.05),
    "crosstalk_1000hz_db": KeepingRule("one track", 0.05),
    "crosstalk_8000hz_db": KeepingRule("one track", 0.05),
    "print_pre_db": KeepingRule("short tone", 0.05),
    "print_post_db": KeepingRule("short tone", 0.05),
    "print_post_seconds": KeepingRule("short tone", 0.001),
    "gain_1000hz_db": KeepingRule("sweep", 0.01),
    "low_edge_hz": KeepingRule("slow sweep", 0.2),
    "high_edge_hz": KeepingRule("slow sweep", 20.0),
    **{
        f"decay_{band}hz_seconds": KeepingRule(
            "noise bursts", 0.005, heading=f"RT60 s {band} Hz" if band in (125, 500, 4000) else ""
        )
        for band in DECAY_BANDS_HZ
    },
}
"""Figures that presets keep, by the bench's keys, whose end is the unit."""


@dataclass(frozen=True, kw_only=True)
class KeptFigure:
    """A reading as kept in a preset: the reading, and how far a later one may lie from it."""

    reading: Reading
    tolerance: float


@dataclass(frozen=True, kw_only=True)
class Measured:
    """The measured figures of a preset.

    Attributes
    ----------
    tool_version : str
        Version of tapeemu that measured.
    settings_sha256 : str
        Digest of the settings that were measured, see :func:`settings_digest`.
    sample_rate_hz, reference_level_dbfs : float
        Conditions common to all figures.
    seeds : tuple of int
        Seeds whose mean each random figure is.
    chain : mapping of str to KeptFigure
        Figures of the whole chain. Where it reverberates these are decay times only, for the beating of a
        reverberated tone counts as flutter and level fluctuation.
    without_reverb : mapping of str to KeptFigure
        The other figures of a chain that reverberates, read with its reverberant stages bypassed.
    stages : mapping of str to mapping of str to KeptFigure
        Decay times of reverberant stages by themselves, by name.
    """

    tool_version: str
    settings_sha256: str
    sample_rate_hz: float
    reference_level_dbfs: float
    seeds: tuple[int, ...]
    chain: Mapping[str, KeptFigure] = field(default_factory=dict)
    without_reverb: Mapping[str, KeptFigure] = field(default_factory=dict)
    stages: Mapping[str, Mapping[str, KeptFigure]] = field(default_factory=dict)

    @property
    def figures(self) -> dict[str, KeptFigure]:
        """The figures a preset is known by: of the whole chain, completed by those without reverb."""
        return {**self.without_reverb, **self.chain}

    def parts(self) -> dict[str, Mapping[str, KeptFigure]]:
        """All tables of figures by the name of what was measured."""
        named: dict[str, Mapping[str, KeptFigure]] = {}
        if self.chain:
            named["chain"] = self.chain
        if self.without_reverb:
            named["without reverb"] = self.without_reverb
        return {**named, **{f"stage {name}": figures for name, figures in self.stages.items()}}


def tolerance_for(key: str, reading: Reading) -> float:
    """How far a later reading may lie from this one, in its unit.

    Its uncertainty, but no less than the floor and the share of the value, and no more than four times these. A
    level in decibels has no share: it is a ratio already.
    """
    kept = KEPT[key]
    least = kept.floor if key.endswith("_db") else max(kept.floor, kept.share * abs(reading.value))
    doubt = reading.uncertainty if math.isfinite(reading.uncertainty) else 0.0
    return min(max(doubt, least), _MOST_TOLERANCE * least)


def worth_keeping(key: str, reading: Reading) -> bool:
    """Whether a figure says something of the settings, and not of noise.

    Undefined ones do not; nor do those whose standard uncertainty is above the least tolerance and above half of
    the value, or 3 dB for a level. The speed error has a sign, and zero in the middle of its uncertainty tells
    of a good transport.
    """
    if not math.isfinite(reading.value):
        return False
    if key == "speed_error_percent" or not reading.uncertainty > KEPT[key].floor:
        return True
    level = key.endswith("_db") and key not in _SIZES
    limit = _WORTHLESS_DB if level else _WORTHLESS_SHARE * abs(reading.value)
    return reading.uncertainty <= limit


def settings_digest(chain: Chain) -> str:
    """SHA-256 of a chain's settings in canonical form.

    Settings that equal their defaults are left out, so it makes no difference whether a file states them;
    neither do order of keys, comments, or ``1`` for ``1.0``. The order of stages does.
    """
    text = json.dumps(_canonical(chain.to_dict()), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _canonical(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _canonical(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_canonical(inner) for inner in value]
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return int(value)
    return value
