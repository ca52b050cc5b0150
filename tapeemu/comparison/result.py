"""What a comparison found: the renders, their figures, and what these say in words."""

import math
from dataclasses import dataclass, replace
from typing import Any

from measure.results import Curve, Reading
from tapeemu.chain import Chain
from tapeemu.comparison.compared_figures import FIGURES, LEVEL_NAMES
from tapeemu.comparison.findings import (
    OrderedFigures,
    PairEffect,
    Swap,
    effect_sentences,
    idle_pairs,
    pair_effects,
    silent_sentence,
    swap_sentences,
)
from tapeemu.comparison.groups import Group
from tapeemu.comparison.plan import MANY, MeasuringPlan
from tapeemu.comparison.repeats import paired_difference
from tapeemu.comparison.sentences import answer, clear_change, level_sentence, meaning
from tapeemu.comparison.traits import Change
from tapeemu.errors import ParameterError
from tapeemu.rendering.matched import Render

__all__ = ["Comparison"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """Renders of one stem through several chains, and what tells them apart.

    Attributes
    ----------
    name : str
        Of the stem.
    sample_rate : float
        Samples per second of all renders.
    renders : tuple of Render
        One an order, all of one length and one loudness, aligned with the stem; the first is the
        reference of the others.
    dry : Render
        The stem itself, at the same loudness.
    figures : tuple of dict
        One an order: readings by key. With more than six orders, those of the chain are measured on the
        first order of each group of orders that sound alike, and stand for the whole group.
    dry_figures : dict
        Readings of the stem, without those of a chain.
    repeats : tuple of dict
        One an order: values of the figures on each repeat (tape, room, burst), the same for all orders.
    decays : tuple of dict
        One an order: decay of the octave at 1 kHz by level name.
    plan : MeasuringPlan
        Levels and repeats of the measurement.
    true_peak_ceiling_dbtp : float
        Highest true peak allowed.
    seed : int or None
        Which tape; None is the one of the preset.
    permutations : bool
        Whether the orders are all permutations of one chain.
    groups : tuple of Group
        Which orders sound alike; the first of each speaks for it.
    swaps : tuple of Swap
        For all permutations: how far renders are apart in which two neighbours have changed places.
    tail_seconds : float
        How much longer than the stem the renders are.
    """

    name: str
    sample_rate: float
    renders: tuple[Render, ...]
    dry: Render
    figures: tuple[dict[str, Reading], ...]
    dry_figures: dict[str, Reading]
    repeats: tuple[dict[str, tuple[float, ...]], ...]
    decays: tuple[dict[str, Curve], ...]
    plan: MeasuringPlan
    true_peak_ceiling_dbtp: float
    seed: int | None
    permutations: bool
    groups: tuple[Group, ...]
    swaps: tuple[Swap, ...] = ()
    tail_seconds: float = 0.0

    @property
    def labels(self) -> tuple[str, ...]:
        """What the orders are called."""
        return tuple(render.label for render in self.renders)

    @property
    def table(self) -> list[dict[str, Any]]:
        """One row an order: label, stages, gain, and each figure with its standard uncertainty."""
        rows = []
        for render, own in zip(self.renders, self.figures, strict=True):
            row: dict[str, Any] = {
                "label": render.label,
                "stages": ", ".join(render.order),
                "gain_db": render.gain_db,
            }
            for key in FIGURES:
                if key in own:
                    row[key] = own[key].value
                    row[f"{key}_uncertainty"] = own[key].uncertainty
            rows.append(row)
        return rows

    @property
    def bursts(self) -> dict[str, int]:
        """Over how many bursts of noise decays were averaged, by level: as many as it took to be sure."""
        return {name: len(self.repeats[0].get(f"edt_{name}_seconds", ())) for name in LEVEL_NAMES}

    @property
    def by_order(self) -> OrderedFigures:
        """Figures by the order of the stages, with their values on each repeat."""
        return {
            render.order: (own, repeats)
            for render, own, repeats in zip(self.renders, self.figures, self.repeats, strict=True)
        }

    @property
    def effects(self) -> list[PairEffect]:
        """For all permutations: what it does when two stages change places; else nothing."""
        return pair_effects([self.by_order]) if self.permutations and len(self.renders) > 2 else []

    @property
    def answer(self) -> str:
        """One paragraph: whether the order matters on this recording, and to what."""
        effects = self.effects
        return answer(
            self.labels,
            self.figures,
            self.repeats,
            self.groups,
            mattering=[sentence[:1].upper() + sentence[1:] for sentence in effect_sentences(effects)],
            idle=idle_pairs(self.swaps),
        )

    @property
    def distances(self) -> list[str]:
        """For all permutations: how far apart renders are in which two stages have changed places."""
        return silent_sentence(self.effects) + swap_sentences(self.swaps) if self.effects else []

    @property
    def against_the_first(self) -> list[str]:
        """What sets each group of orders apart from the first, how each decays, and how all are matched."""
        renders = (self.dry, *self.renders)
        matched = level_sentence(
            [render.loudness_lufs for render in renders],
            [render.true_peak_dbtp for render in renders],
            self.true_peak_ceiling_dbtp,
        )
        # Few orders are told one by one, for on a louder recording those of a group may part.
        groups = self.groups if len(self.renders) > MANY else ()
        return [*meaning(self.labels, self.figures, self.repeats, groups), matched]

    @property
    def sentences(self) -> list[str]:
        """What the figures mean, in plain words; every threshold is stated in the report."""
        return effect_sentences(self.effects) + self.distances + self.against_the_first

    def change(self, place: int, key: str, *, against: int = 0) -> Change | None:
        """The change of a figure from one order to another, where it is worth a word."""
        return clear_change(
            key, self.figures[place], self.repeats[place], self.figures[against], self.repeats[against]
        )

    def weight(self, place: int, key: str, *, against: int = 0) -> float:
        """Difference of a figure from one order to another in thresholds, worth a word or not; 0 if undefined."""
        one, two = self.figures[place].get(key), self.figures[against].get(key)
        if one is None or two is None or not (one.defined and two.defined):
            return 0.0
        pair = paired_difference(self.repeats[place].get(key, ()), self.repeats[against].get(key, ()))
        difference = one.value - two.value if pair is None else pair[0]
        figure = FIGURES[key]
        scale = figure.threshold * (min(abs(one.value), abs(two.value)) if figure.relative else 1.0)
        return difference / scale if scale > 0.0 else 0.0

    def to_frame(self) -> Any:
        """Return the table as a pandas frame, indexed by label.

        Raises
        ------
        ParameterError
            If pandas is not installed.
        """
        try:
            import pandas
        except ImportError:
            raise ParameterError(
                "to_frame needs pandas, which is not installed; run 'pip install pandas', or use .table"
            ) from None
        return pandas.DataFrame(self.table).set_index("label")

    def to_dict(self) -> dict[str, Any]:
        """Everything but the audio as plain values for JSON; what is not finite becomes None."""
        return {
            "stem": self.name,
            "sample_rate_hz": self.sample_rate,
            "seed": self.seed,
            "tail_seconds": self.tail_seconds,
            "true_peak_ceiling_dbtp": self.true_peak_ceiling_dbtp,
            "plan": {key: getattr(self.plan, key) for key in type(self.plan).model_fields},
            "answer": self.answer,
            "sentences": self.sentences,
            "groups": [
                {"label": group.label, "orders": [self.labels[place] for place in group.members]}
                for group in self.groups
            ],
            "swaps": [
                {
                    "stages": [swap.first, swap.second],
                    "null_db": swap.null_db if math.isfinite(swap.null_db) else None,
                }
                for swap in self.swaps
            ],
            "orders": [
                {
                    "label": render.label,
                    "stages": list(render.order),
                    "chain": _plain_chain(render.chain),
                    "gain_db": render.gain_db,
                    "readings": {key: own[key].to_dict() for key in FIGURES if key in own},
                }
                for render, own in zip(self.renders, self.figures, strict=True)
            ],
        }

    def without_audio(self) -> "Comparison":
        """Return the figures alone, for when many comparisons are kept."""
        return replace(
            self,
            renders=tuple(replace(render, audio=render.audio[:, :0].copy()) for render in self.renders),
            dry=replace(self.dry, audio=self.dry.audio[:, :0].copy()),
        )


def _plain_chain(chain: Chain) -> dict[str, Any] | None:
    try:
        return chain.to_dict()
    except ParameterError:  # an object given from outside has no plain form
        return None
