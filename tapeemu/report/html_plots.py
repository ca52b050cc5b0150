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
    drawn = _Drawn(comparison, chosen, pictures)
    return [
        {"title": "Decay", "plots": drawn.decay()},
        {"title": "Distortion", "plots": drawn.distortion()},
        {"title": "Spectrum and level", "plots": drawn.spectrum_and_level()},
        {"title": "Spectrograms", "plots": drawn.spectrograms()},
    ]


class _Drawn:
    """The orders that are drawn, and their plots."""

    def __init__(self, comparison: Comparison, chosen: Sequence[int], pictures: Sequence[Picture]) -> None:
        self.dry, *self.drawn = pictures
        self.numbers = [index + 1 for index in chosen]
        self.figures = [comparison.figures[index] for index in chosen]
        self.decays = [comparison.decays[index] for index in chosen]
        self.levels = comparison.plan.levels_dbfs
        self.bursts = comparison.bursts
        self._names = "; ".join(f"{number} is {comparison.labels[number - 1]}" for number in self.numbers)

    def _plot(self, svg: str, alt: str, caption: str) -> dict[str, str]:
        return {"svg": svg, "alt": f"{alt} {self._names}.", "caption": caption}

    def decay(self) -> list[dict[str, str]]:
        """Decay times against level, and decays."""
        against_level = [
            self._plot(
                plots.measured_plot(self.figures, self.levels, "edt", "Early decay against level", "s"),
                f"Early decay time against level: {_spoken(self.figures, 'edt', 'seconds', self.numbers)}.",
                "EDT, middle frequencies, with its standard uncertainty.",
            ),
            self._plot(
                plots.measured_plot(self.figures, self.levels, "t30", "Late decay against level", "s"),
                f"T30 against level: {_spoken(self.figures, 't30', 'seconds', self.numbers)}.",
                "T30, middle frequencies, with its standard uncertainty.",
            ),
        ]
        return against_level + [
            self._plot(
                plots.decay_plot([decays[name] for decays in self.decays], name),
                f"Decay curves of the octave at 1 kHz after noise of {self.levels[name]:g} dBFS.",
                f"Interrupted pink noise of {self.levels[name]:g} dBFS, mean of {self.bursts[name]} bursts.",
            )
            for name in LEVEL_NAMES
        ]

    def distortion(self) -> list[dict[str, str]]:
        """Distortion against level."""
        return [
            self._plot(
                plots.measured_plot(self.figures, self.levels, kind, title, "%"),
                f"{title}: {_spoken(self.figures, kind, 'percent', self.numbers)}.",
                "With its standard uncertainty; the scale is linear below 0.1 %.",
            )
            for kind, title in (
                ("thd", "Harmonic distortion against level"),
                ("imd", "Intermodulation against level"),
            )
        ]

    def spectrum_and_level(self) -> list[dict[str, str]]:
        """Average spectra, their differences, and how often which level occurs."""
        return [
            self._plot(
                plots.spectrum_plot(self.drawn, self.dry),
                "Average spectrum of each order and of the dry stem in third octaves.",
                "Mean of the channels at equal loudness.",
            ),
            self._plot(
                plots.difference_plot(self.drawn),
                "Spectrum of the further orders less that of the first, in third octaves.",
                "Bands more than 80 dB below the strongest are left out.",
            ),
            self._plot(
                plots.level_plot(self.drawn, self.dry),
                "Histogram of short-term levels of each order and of the dry stem.",
                "A narrow heap is even, a wide one dynamic.",
            ),
        ]

    def spectrograms(self) -> list[dict[str, str]]:
        """Spectrograms on one scale, and their differences from the first."""
        top = max(float(np.max(picture.spectrogram_db)) for picture in self.drawn)
        first = self.drawn[0]
        grams = [
            self._plot(
                plots.spectrogram_plot(picture, top, number),
                f"Spectrogram of order {number}, on the scale common to all.",
                f"Order {number}: mel bands, dB below the strongest of all.",
            )
            for number, picture in zip(self.numbers, self.drawn, strict=True)
        ]
        return grams + [
            self._plot(
                plots.spectrogram_difference_plot(picture, first, top, number),
                f"Spectrogram of order {number} less that of order 1.",
                f"Order {number} less order 1: where it is louder and where softer.",
            )
            for number, picture in zip(self.numbers[1:], self.drawn[1:], strict=True)
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
