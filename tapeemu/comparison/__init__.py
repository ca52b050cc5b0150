"""Orders of a chain side by side: heard at equal loudness, seen in a report, counted in figures.

The question behind it: does the reverb come before the drive, or the drive before the reverb, and in
general, which order of stages? Only this package and `presets` in the library know both the processors
and the laboratory.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from measure.character import likeness
from measure.results import Curve, Reading
from tapeemu.audio_file import AudioWriter, Encoding, read_audio
from tapeemu.chain import Chain
from tapeemu.comparison.figures import (
    FIGURES,
    FULL,
    LEAN,
    LEVEL_NAMES,
    MeasuringPlan,
    chain_figures,
    doubts_of_difference,
    paired_doubt,
    relative_octaves,
    render_figures,
    with_spread,
)
from tapeemu.comparison.findings import (
    OrderedFigures,
    Swap,
    neighbour_swaps,
    pair_effects,
    pair_sentences,
    swap_sentences,
)
from tapeemu.comparison.orders import Contender, all_orders, chosen_orders, two_orders
from tapeemu.comparison.rendering import (
    SPREAD_SECONDS,
    Render,
    amplified,
    equalised,
    loudest_part,
    render_all,
    tail_of,
)
from tapeemu.comparison.sentences import level_sentence, meaning
from tapeemu.errors import AudioError, ParameterError
from tapeemu.validation import FloatArray, check_audio, check_sample_rate

__all__ = ["FULL", "LEAN", "Comparison", "MeasuringPlan", "Render", "compare"]

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
        One an order: readings by key.
    dry_figures : dict
        Readings of the stem, without those of a chain.
    doubts : tuple of dict
        One an order: uncertainties of the differences from the first order, from repeats that both share.
    left_out : tuple of dict
        One an order: figures of the chain with each repeat left out in turn.
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
    doubts: tuple[dict[str, float], ...]
    left_out: tuple[dict[str, tuple[float, ...]], ...]
    decays: tuple[dict[str, Curve], ...]
    plan: MeasuringPlan
    true_peak_ceiling_dbtp: float
    seed: int | None
    permutations: bool
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
        """Figures by the order of the stages, with what is known about their differences."""
        return {
            render.order: (own, parts)
            for render, own, parts in zip(self.renders, self.figures, self.left_out, strict=True)
        }

    @property
    def sentences(self) -> list[str]:
        """What the figures mean, in plain words; every threshold is stated in the report."""
        renders = (self.dry, *self.renders)
        said = [
            level_sentence(
                [render.loudness_lufs for render in renders],
                [render.true_peak_dbtp for render in renders],
                self.true_peak_ceiling_dbtp,
            )
        ]
        if self.permutations and len(self.renders) > 2:
            return said + pair_sentences(pair_effects([self.by_order])) + swap_sentences(self.swaps)
        return said + meaning(self.labels, self.figures, self.doubts, self.left_out)

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
            "sentences": self.sentences,
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
        self, path: str | Path, *, overwrite: bool = False, embed_limit_mb: float = 16.0
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

        Returns
        -------
        list of Path
            The files written.
        """
        from tapeemu.report import write_report

        return write_report(self, Path(path), overwrite=overwrite, embed_limit_mb=embed_limit_mb)

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
    chosen = plan or (FULL if len(contenders) <= _MANY else LEAN)
    if tail_seconds is None:
        tail_seconds = tail_of(contenders, sample_rate=rate, channels=audio.shape[0])
    elif not 0.0 <= tail_seconds <= 600.0:
        raise ParameterError(f"tail_seconds is {tail_seconds!r}, but must lie between 0 and 600 s")
    _check_size(audio, len(contenders), round(tail_seconds * rate))

    start_sample = round(start_seconds * rate)
    dry_stem = Contender(label="dry stem", chain=Chain())
    raw = render_all(
        audio,
        [dry_stem, *contenders],
        sample_rate=rate,
        tail_seconds=tail_seconds,
        start_sample=start_sample,
        jobs=jobs,
    )
    dry, *renders = equalised(raw, sample_rate=rate, true_peak_dbtp=true_peak_dbtp, jobs=jobs)
    del raw
    work = [delayed(render_figures)(render, renders[0], sample_rate=rate) for render in (dry, *renders)]
    work += [
        delayed(chain_figures)(contender.chain, level_name, sample_rate=rate, plan=chosen)
        for contender in contenders
        for level_name in LEVEL_NAMES
    ]
    done: list[Any] = Parallel(n_jobs=jobs, prefer="threads")(work)
    dry_own, *own = done[: len(renders) + 1]
    measured = done[len(renders) + 1 :]
    repeats = _on_other_tapes(audio, contenders, renders, rate, start_sample, chosen.tapes, jobs)
    figures, doubts, decays = [], [], []
    parts: list[dict[str, tuple[float, ...]]] = []
    for index in range(len(contenders)):
        per_level = measured[index * len(LEVEL_NAMES) : (index + 1) * len(LEVEL_NAMES)]
        of_render = with_spread(relative_octaves(own[index], own[0]), [repeat[index] for repeat in repeats])
        of_chain = {key: reading for level in per_level for key, reading in level.readings.items()}
        parts.append({key: values for level in per_level for key, values in level.left_out.items()})
        figures.append(of_render | of_chain)
        known = doubts_of_difference([repeat[index] for repeat in repeats], [repeat[0] for repeat in repeats])
        paired = {key: paired_doubt(values, parts[0][key]) for key, values in parts[index].items()}
        doubts.append(known | {key: doubt for key, doubt in paired.items() if doubt is not None})
        decays.append(dict(zip(LEVEL_NAMES, (level.decay for level in per_level), strict=True)))
    return Comparison(
        name=called,
        sample_rate=rate,
        renders=tuple(renders),
        dry=dry,
        figures=tuple(figures),
        dry_figures=relative_octaves(dry_own, own[0]),
        doubts=tuple(doubts),
        left_out=tuple(parts),
        decays=tuple(decays),
        plan=chosen,
        true_peak_ceiling_dbtp=true_peak_dbtp,
        seed=seed,
        permutations=orders == "all",
        swaps=_swaps(renders, rate, jobs) if orders == "all" else (),
        tail_seconds=tail_seconds,
    )


def _on_other_tapes(
    audio: FloatArray,
    contenders: Sequence[Contender],
    matched: Sequence[Render],
    rate: float,
    start_sample: int,
    tapes: int,
    jobs: int,
) -> list[list[dict[str, Reading]]]:
    """Figures of the loudest part of the stem, on each tape and for each order, at the gains of the renders.

    Empty where there is but one tape, or where all tapes are alike.
    """
    from joblib import Parallel, delayed

    others = [
        [Contender(label=c.label, chain=c.chain.with_seed(number)) for c in contenders]
        for number in range(1, tapes)
    ]
    if not others or others[0] == list(contenders):
        return []
    begin, end = loudest_part(audio, round(SPREAD_SECONDS * rate))
    raw = render_all(
        np.ascontiguousarray(audio[:, begin:end]),
        [contender for tape in (contenders, *others) for contender in tape],
        sample_rate=rate,
        tail_seconds=0.0,
        start_sample=start_sample + begin,
        jobs=jobs,
    )
    count = len(contenders)
    renders = [amplified(render, matched[index % count].gain_db) for index, render in enumerate(raw)]
    done: list[dict[str, Reading]] = Parallel(n_jobs=jobs, prefer="threads")(
        delayed(render_figures)(render, renders[index - index % count], sample_rate=rate)
        for index, render in enumerate(renders)
    )
    found = [done[start : start + count] for start in range(0, len(done), count)]
    return [[relative_octaves(figures, tape[0]) for figures in tape] for tape in found]


def _swaps(renders: Sequence[Render], rate: float, jobs: int) -> tuple[Swap, ...]:
    from joblib import Parallel, delayed

    def swap(one: int, two: int, first: str, second: str) -> Swap:
        audio, reference = (renders[place].audio.astype(np.float64) for place in (two, one))
        null = likeness(audio, reference, rate).null.value
        return Swap(first=first, second=second, null_db=-math.inf if math.isnan(null) else null)

    found: list[Swap] = Parallel(n_jobs=jobs, prefer="threads")(
        delayed(swap)(*pair) for pair in neighbour_swaps([render.order for render in renders])
    )
    return tuple(found)


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
