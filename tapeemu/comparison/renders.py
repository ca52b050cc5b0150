"""The renders of a comparison measured: their figures, and those of their difference from the first.

They are exact for one stem and one tape; what another tape would change is found by rendering on other
tapes (see `tapeemu.comparison.tapes`).
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from measure.quantities.character import Character, Likeness, character, likeness
from measure.quantities.level import LevelResult, level
from measure.results import Reading
from tapeemu.rendering.matched import Render
from tapeemu.rendering.threads import in_threads

__all__ = ["measured_against", "relative_octaves", "render_figures"]


def render_figures(render: Render, reference: Render, *, sample_rate: float) -> dict[str, Reading]:
    """Measure a render, and its difference from a reference of the same length and loudness."""
    signal = render.audio.astype(np.float64)
    levels = level(signal, sample_rate)
    image = character(signal, sample_rate)
    reference_signal = signal if render is reference else reference.audio.astype(np.float64)
    against = likeness(signal, reference_signal, sample_rate)
    return {
        **_level_figures(levels),
        **_image_figures(image),
        **_likeness_figures(against),
    }


def measured_against(
    pairs: Sequence[tuple[Render, Render]], *, sample_rate: float, jobs: int, done: Callable[[], None]
) -> list[dict[str, Reading]]:
    """Figures of several renders, each against its reference, several at once; after each, `done` is called."""

    def work(render: Render, reference: Render) -> dict[str, Reading]:
        found = render_figures(render, reference, sample_rate=sample_rate)
        done()
        return found

    return in_threads(work, pairs, jobs=jobs)


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
