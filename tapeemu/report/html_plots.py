"""The plots of the HTML page, section by section, each with its caption and its figures in words."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from measure.results import Reading
from tapeemu.comparison import Comparison
from tapeemu.comparison.compared_figures import FIGURES, LEVEL_NAMES
from tapeemu.report import plots
from tapeemu.report.pictures import Picture
from tapeemu.report.wording import value_text

__all__ = ["plot_sections"]


def plot_sections(
    comparison: Comparison, chosen: Sequence[int], pictures: Sequence[Picture]
) -> list[dict[str, Any]]:
    """Sections of plots: decay and distortion of the chains, spectrum and level of the renders, spectrograms.

    Parameters
    ----------
    comparison : Comparison
        What to show.
    chosen : sequence of int
        Places of the orders that are drawn, the first of them the reference.
    pictures : sequence of Picture
        Of the dry stem, then of each order that is drawn.
    """
    dry, *drawn = pictures
    numbers = [index + 1 for index in chosen]
    bursts = len(comparison.repeats[0].get("edt_reference_seconds", ()))
    figures = [comparison.figures[index] for index in chosen]
    names = "; ".join(f"{number} is {comparison.labels[number - 1]}" for number in numbers)
    levels = comparison.plan.levels_dbfs

    def plot(svg: str, alt: str, caption: str) -> dict[str, str]:
        return {"svg": svg, "alt": f"{alt} {names}.", "caption": caption}

    decay = [
        plot(
            plots.measured_plot(figures, levels, "edt", "Early decay against level", "s"),
            f"Early decay time against level: {_spoken(figures, 'edt', 'seconds', numbers)}.",
            "EDT, middle frequencies, with its standard uncertainty.",
        ),
        plot(
            plots.measured_plot(figures, levels, "t30", "Late decay against level", "s"),
            f"T30 against level: {_spoken(figures, 't30', 'seconds', numbers)}.",
            "T30, middle frequencies, with its standard uncertainty.",
        ),
    ]
    decay += [
        plot(
            plots.decay_plot([comparison.decays[index][name] for index in chosen], name),
            f"Decay curves of the octave at 1 kHz after noise of {levels[name]:g} dBFS.",
            f"Interrupted pink noise of {levels[name]:g} dBFS, mean of {bursts} bursts.",
        )
        for name in LEVEL_NAMES
    ]
    distortion = [
        plot(
            plots.measured_plot(figures, levels, kind, title, "%"),
            f"{title}: {_spoken(figures, kind, 'percent', numbers)}.",
            "With its standard uncertainty; the scale is linear below 0.1 %.",
        )
        for kind, title in (("thd", "Harmonic distortion against level"), ("imd", "Intermodulation against level"))
    ]
    colour = [
        plot(
            plots.spectrum_plot(drawn, dry),
            "Average spectrum of each order and of the dry stem in third octaves.",
            "Mean of the channels at equal loudness.",
        ),
        plot(
            plots.difference_plot(drawn),
            "Spectrum of the further orders less that of the first, in third octaves.",
            "Bands more than 80 dB below the strongest are left out.",
        ),
        plot(
            plots.level_plot(drawn, dry),
            "Histogram of short-term levels of each order and of the dry stem.",
            "A narrow heap is even, a wide one dynamic.",
        ),
    ]
    top = max(float(np.max(picture.spectrogram_db)) for picture in drawn)
    first = drawn[0]
    grams = [
        plot(
            plots.spectrogram_plot(picture, top, number),
            f"Spectrogram of order {number}, on the scale common to all.",
            f"{number}: mel bands, dB below the strongest of all.",
        )
        for number, picture in zip(numbers, drawn, strict=True)
    ]
    grams += [
        plot(
            plots.spectrogram_difference_plot(picture, first, top, number),
            f"Spectrogram of order {number} less that of order 1.",
            f"{number} less 1: where it is louder and where softer.",
        )
        for number, picture in zip(numbers[1:], drawn[1:], strict=True)
    ]
    return [
        {"title": "Decay", "plots": decay},
        {"title": "Distortion", "plots": distortion},
        {"title": "Spectrum and level", "plots": colour},
        {"title": "Spectrograms", "plots": grams},
    ]


def _spoken(figures: Sequence[Mapping[str, Reading]], kind: str, ending: str, numbers: Sequence[int]) -> str:
    """The figures of a plot in words, for those who cannot see it."""
    said = []
    for number, own in zip(numbers, figures, strict=True):
        values = [
            f"{name} {value_text(key, own[key])}" for name in LEVEL_NAMES if (key := f"{kind}_{name}_{ending}")
        ]
        said.append(f"order {number}: {', '.join(values)} {FIGURES[f'{kind}_quiet_{ending}'].unit}")
    return "; ".join(said)
