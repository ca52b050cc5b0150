"""Orders of a chain side by side: heard at equal loudness, seen in a report, counted in figures.

The question behind it: does the reverb come before the drive, or the drive before the reverb, and in
general, which order of stages? Only this package and `presets` in the library know both the processors
and the laboratory.
"""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from measure.results import Curve, Reading
from tapeemu.chain import Chain
from tapeemu.comparison.chains import ChainMeter
from tapeemu.comparison.figures import (
    FIGURES,
    FULL,
    LEAN,
    MeasuringPlan,
    Repeats,
    paired_difference,
    relative_octaves,
    render_figures,
    repeats_of_renders,
    settled,
    with_spread,
)
from tapeemu.comparison.findings import (
    OrderedFigures,
    PairEffect,
    Swap,
    effect_sentences,
    idle_pairs,
    neighbour_swaps,
    pair_effects,
    silent_sentence,
    swap_sentences,
)
from tapeemu.comparison.groups import Group, differences_db, grouped
from tapeemu.comparison.orders import Contender, all_orders, chosen_orders, two_orders
from tapeemu.comparison.progress import SILENT, Progress
from tapeemu.comparison.sentences import answer, clear_change, differing, level_sentence, meaning
from tapeemu.comparison.traits import SPOKEN, Change
from tapeemu.errors import AudioError, ParameterError
from tapeemu.files.encodings import Encoding
from tapeemu.files.reader import read_audio
from tapeemu.files.writer import AudioWriter
from tapeemu.rendering.matched import (
    SPREAD_SECONDS,
    Render,
    amplified,
    equalised,
    loudest_part,
    render_all,
    tail_of,
)
from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray, check_audio, check_sample_rate

__all__ = ["FULL", "LEAN", "ChainMeter", "Comparison", "MeasuringPlan", "Render", "compare", "plan_for"]

_MANY = 6  # orders from which on the lean plan is the default, and sentences are about swaps
_MOST_BYTES = 4 * 2**30


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
        groups = self.groups if len(self.renders) > _MANY else ()
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
            raise ParameterError("pandas is not installed; install it, or use .table") from None
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

    def write_report(
        self,
        path: str | Path,
        *,
        overwrite: bool = False,
        embed_limit_mb: float = 16.0,
        progress: Progress = SILENT,
    ) -> list[Path]:
        """Write the comparison as one HTML file with players, blind test, plots and tables.

        Parameters
        ----------
        path : str or Path
            Target, ending in ``.html``.
        overwrite : bool
            Replace what exists.
        embed_limit_mb : float
            Size of the audio up to which it is kept inside the file; larger audio lies in a folder
            beside it, which must travel with it.
        progress : Progress
            Is told of every step.

        Returns
        -------
        list of Path
            The files written.
        """
        from tapeemu.report import write_report

        return write_report(
            self, Path(path), overwrite=overwrite, embed_limit_mb=embed_limit_mb, progress=progress
        )

    def write_renders(self, folder: str | Path, *, overwrite: bool = False) -> list[Path]:
        """Write the matched renders as FLAC of 24 bits, numbered as in the report.

        Parameters
        ----------
        folder : str or Path
            Existing folder.
        overwrite : bool
            Replace what exists.
        """
        stem = Path(self.name).stem
        written = []
        for number, render in enumerate(self.renders, start=1):
            plain = re.sub(r"[^\w.-]+", "-", render.label)[:80].strip("-.")
            target = Path(folder) / f"{stem}-{number}-{plain}.flac"
            with AudioWriter(
                target,
                sample_rate=round(self.sample_rate),
                channels=render.audio.shape[0],
                encoding=Encoding("FLAC", "PCM_24"),
                overwrite=overwrite,
            ) as writer:
                for start in range(0, render.audio.shape[1], 2**16):
                    writer.write(render.audio[:, start : start + 2**16].astype(np.float64))
            written.append(target)
        return written

    def without_audio(self) -> "Comparison":
        """Return the figures alone, for when many comparisons are kept."""
        return replace(
            self,
            renders=tuple(replace(render, audio=render.audio[:, :0].copy()) for render in self.renders),
            dry=replace(self.dry, audio=self.dry.audio[:, :0].copy()),
        )


def compare(
    stem: npt.NDArray[np.floating[Any]] | str | Path,
    chain: Chain | str | Path,
    *,
    orders: str | Sequence[str | Sequence[str] | Chain] | None = None,
    sample_rate: float | None = None,
    name: str | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
    tail_seconds: float | None = None,
    true_peak_dbtp: float = -1.0,
    plan: MeasuringPlan | None = None,
    meters: dict[float, ChainMeter] | None = None,
    progress: Progress = SILENT,
    jobs: int = -1,
) -> Comparison:
    """Render a stem through several orders of a chain and measure what sets them apart.

    Parameters
    ----------
    stem : ndarray, shape (channels, samples) or (samples,), or a file
        Nominal full scale 1.
    chain : Chain, or name or file of a preset
        The stages.
    orders : list, "all" or None
        None compares reverb before drive with drive before reverb; ``"all"`` every permutation of the
        stages that sound; a list may mix orders (stage names joined by commas, or a sequence of names;
        stages left out keep their places), presets and chains.
    sample_rate : float
        Samples per second; required for an array, read from a file.
    name : str, optional
        What to call the stem; a file's own name by default.
    seed : int, optional
        Which tape, for all orders; the one of the preset by default.
    start_seconds : float
        Place on the tape where the stem starts.
    tail_seconds : float, optional
        How much longer than the stem; by default until the longest decay has fallen by 60 dB, 10 s at
        most.
    true_peak_dbtp : float
        Ceiling: where one render would exceed it, all are lowered alike.
    plan : MeasuringPlan, optional
        Levels and repeats; :data:`FULL` for up to six orders, else :data:`LEAN`.
    meters : dict, optional
        Keeps what is measured of chains, by sample rate, from stem to stem: the same dict for further stems
        with the same chain and orders. A new one for another plan.
    progress : Progress
        Is told of every step.
    jobs : int
        Threads; -1 uses all cores.

    Returns
    -------
    Comparison
        Renders, figures, table and sentences.

    Raises
    ------
    AudioError, ParameterError, PresetError
        If the audio cannot be used, an argument breaks a rule, or a preset cannot be read.
    """
    from joblib import Parallel, delayed

    audio, rate, called = _stem(stem, sample_rate, name)
    if not -60.0 <= true_peak_dbtp <= 0.0:
        raise ParameterError(f"true_peak_dbtp is {true_peak_dbtp!r}, but must lie between -60 and 0 dBTP")
    contenders = _contenders(chain, orders)
    if seed is not None:
        contenders = [Contender(label=c.label, chain=c.chain.with_seed(seed)) for c in contenders]
    meters = {} if meters is None else meters
    meter = meters.setdefault(rate, ChainMeter(sample_rate=rate, plan=plan or plan_for(len(contenders))))
    if plan not in (None, meter.plan):
        raise ParameterError("meters hold figures by another plan; give an empty dict, or leave the plan out")
    chosen = meter.plan
    if tail_seconds is None:
        tail_seconds = tail_of(contenders, sample_rate=rate, channels=audio.shape[0])
    elif not 0.0 <= tail_seconds <= 600.0:
        raise ParameterError(f"tail_seconds is {tail_seconds!r}, but must lie between 0 and 600 s")
    _check_size(audio, len(contenders), seconds_to_samples(tail_seconds, rate))

    start_sample = seconds_to_samples(start_seconds, rate)
    dry_stem = Contender(label="dry stem", chain=Chain())
    step = progress.step(f"render {len(contenders)} orders", len(contenders) + 1)
    raw = render_all(
        audio,
        [dry_stem, *contenders],
        sample_rate=rate,
        tail_seconds=tail_seconds,
        start_sample=start_sample,
        jobs=jobs,
        done=step.advance,
    )
    step.finish()
    step = progress.step("match the loudness", 1)
    dry, *renders = equalised(raw, sample_rate=rate, true_peak_dbtp=true_peak_dbtp, jobs=jobs)
    del raw
    step.finish()
    step = progress.step("measure the renders", len(renders) + 1)

    def of_render(render: Render) -> dict[str, Reading]:
        found = render_figures(render, renders[0], sample_rate=rate)
        step.advance()
        return found

    done: list[dict[str, Reading]] = Parallel(n_jobs=jobs, prefer="threads")(
        delayed(of_render)(render) for render in (dry, *renders)
    )
    step.finish()
    dry_own = relative_octaves(done[0], done[1])
    own = [relative_octaves(figures, done[1]) for figures in done[1:]]
    differences = differences_db(renders)

    # Of many orders, only those are measured further that the renders tell apart; each stands for its group.
    tell_apart = _tell_apart(own)
    groups = _groups(contenders, differences, tell_apart)
    stand_ins = (
        groups if len(contenders) > _MANY else _groups(contenders, np.full(differences.shape, np.inf), tell_apart)
    )
    heads = [group.first for group in stand_ins]
    loudest = loudest_part(audio, seconds_to_samples(SPREAD_SECONDS, rate))
    part = np.ascontiguousarray(audio[:, slice(*loudest)])
    place = start_sample + loudest[0]
    tapes: list[list[dict[str, Reading]]] = []
    wanted = chosen.tapes
    while len(tapes) < wanted:
        numbers = range(len(tapes), wanted)
        tapes += _on_tapes(part, contenders, renders, heads, numbers, rate, place, jobs, progress)
        if tapes and not _all_told(own, heads, tapes):
            wanted = min(2 * wanted, max(chosen.most_tapes, chosen.tapes))
    chains = meter.measure([contenders[head].chain for head in heads], jobs=jobs, progress=progress)
    figures: list[dict[str, Reading]] = [{} for _ in contenders]
    repeats: list[dict[str, tuple[float, ...]]] = [{} for _ in contenders]
    decays: list[dict[str, Curve]] = [{} for _ in contenders]
    for index, group in enumerate(stand_ins):
        on_tapes = repeats_of_renders([tape[index] for tape in tapes])
        for place in group.members:
            figures[place] = with_spread(own[place], on_tapes) | chains[index].readings
            repeats[place] = on_tapes | chains[index].repeats
            decays[place] = chains[index].decays
    # What stood apart on one tape alone joins again.
    groups = _groups(contenders, differences, _tell_apart(figures, repeats))
    return Comparison(
        name=called,
        sample_rate=rate,
        renders=tuple(renders),
        dry=dry,
        figures=tuple(figures),
        dry_figures=dry_own,
        repeats=tuple(repeats),
        decays=tuple(decays),
        plan=chosen,
        true_peak_ceiling_dbtp=true_peak_dbtp,
        seed=seed,
        permutations=orders == "all",
        groups=groups,
        swaps=_swaps(renders, differences) if orders == "all" else (),
        tail_seconds=tail_seconds,
    )


def plan_for(orders: int) -> MeasuringPlan:
    """How thoroughly so many orders are measured."""
    return FULL if orders <= _MANY else LEAN


def _tell_apart(
    figures: Sequence[Mapping[str, Reading]], repeats: Sequence[Repeats] | None = None
) -> Callable[[int, int], bool]:
    """Whether a figure of two renders is worth a sentence: over all tapes, or on the one that all orders share."""
    of_renders = [
        {key: reading for key, reading in own.items() if FIGURES[key].group == "render"} for own in figures
    ]
    known: Sequence[Repeats] = [{} for _ in figures] if repeats is None else repeats
    return lambda one, two: bool(differing(of_renders[two], known[two], of_renders[one], known[one]))


def _groups(
    contenders: Sequence[Contender], differences: FloatArray, differ: Callable[[int, int], bool]
) -> tuple[Group, ...]:
    return grouped(differences, [c.label for c in contenders], [c.order for c in contenders], differ)


def _all_told(
    own: Sequence[Mapping[str, Reading]], heads: Sequence[int], tapes: Sequence[Sequence[Mapping[str, Reading]]]
) -> bool:
    """Whether the tapes suffice to tell in what the orders differ from the first."""
    repeats = [repeats_of_renders([tape[index] for tape in tapes]) for index in range(len(heads))]
    return all(
        settled(key, own[head], on_tapes, own[heads[0]], repeats[0])
        for head, on_tapes in zip(heads[1:], repeats[1:], strict=True)
        for key in SPOKEN
        if key in on_tapes
    )


def _on_tapes(
    part: FloatArray,
    contenders: Sequence[Contender],
    matched: Sequence[Render],
    heads: Sequence[int],
    numbers: Sequence[int],
    rate: float,
    start_sample: int,
    jobs: int,
    progress: Progress,
) -> list[list[dict[str, Reading]]]:
    """Figures of a part of the stem on some tapes, for each of some orders, at the gains of the renders."""
    from joblib import Parallel, delayed

    count = len(heads)
    tapes = [
        # Number 0 is the tape of the chain itself.
        Contender(label=own.label, chain=own.chain.with_seed(number) if number else own.chain)
        for number in numbers
        for own in (contenders[head] for head in heads)
    ]
    step = progress.step(f"repeat on {len(numbers)} tapes", 2 * len(tapes))
    raw = render_all(
        part,
        tapes,
        sample_rate=rate,
        tail_seconds=0.0,
        start_sample=start_sample,
        jobs=jobs,
        done=step.advance,
    )
    renders = [amplified(render, matched[heads[index % count]].gain_db) for index, render in enumerate(raw)]

    def of_render(index: int) -> dict[str, Reading]:
        found = render_figures(renders[index], renders[index - index % count], sample_rate=rate)
        step.advance()
        return found

    done: list[dict[str, Reading]] = Parallel(n_jobs=jobs, prefer="threads")(
        delayed(of_render)(index) for index in range(len(renders))
    )
    step.finish()
    found = [done[start : start + count] for start in range(0, len(done), count)]
    return [[relative_octaves(figures, tape[0]) for figures in tape] for tape in found]


def _swaps(renders: Sequence[Render], differences: FloatArray) -> tuple[Swap, ...]:
    return tuple(
        Swap(first=first, second=second, null_db=float(differences[one, two]))
        for one, two, first, second in neighbour_swaps([render.order for render in renders])
    )


def _stem(
    stem: npt.NDArray[np.floating[Any]] | str | Path, sample_rate: float | None, name: str | None
) -> tuple[FloatArray, float, str]:
    if isinstance(stem, str | Path):
        audio, rate = read_audio(stem)
        if sample_rate is not None and sample_rate != rate:
            raise ParameterError(f"sample_rate is {sample_rate:g} Hz, but {stem} has {rate} Hz; leave it out")
        return audio, float(rate), name or Path(stem).name
    if sample_rate is None:
        raise ParameterError("sample_rate is missing; give the samples per second of the array")
    check_audio(stem)
    if not stem.size:
        raise AudioError("the stem holds no samples; there is nothing to compare")
    whole = np.ascontiguousarray(np.atleast_2d(stem), dtype=np.float64)
    return whole, check_sample_rate(sample_rate), name or "stem"


def _contenders(
    chain: Chain | str | Path, orders: str | Sequence[str | Sequence[str] | Chain] | None
) -> list[Contender]:
    if isinstance(chain, str | Path):
        from tapeemu.presets import load_chain

        chain = load_chain(chain)
    if orders is None:
        return two_orders(chain)
    if isinstance(orders, str) and orders == "all":
        return all_orders(chain)
    return chosen_orders(chain, orders)


def _check_size(audio: FloatArray, orders: int, tail: int) -> None:
    needed = 4 * audio.shape[0] * (audio.shape[1] + tail) * (orders + 1)
    if needed > _MOST_BYTES:
        share = 100.0 * _MOST_BYTES / needed
        raise AudioError(
            f"{orders} orders of this stem would need {needed / 2**30:.1f} GiB of memory, more than the "
            f"{_MOST_BYTES / 2**30:.0f} GiB allowed; compare fewer orders, or {share:.0f} % of the stem"
        )


def _plain_chain(chain: Chain) -> dict[str, Any] | None:
    try:
        return chain.to_dict()
    except ParameterError:  # an object given from outside has no plain form
        return None
