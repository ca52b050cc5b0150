"""Render a stem through several orders, measure the renders and the chains, and sort what sounds alike."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from measure.results import Curve, Reading
from tapeemu.chain import Chain
from tapeemu.comparison.chains import ChainMeter
from tapeemu.comparison.compared_figures import FIGURES
from tapeemu.comparison.findings import Swap, neighbour_swaps
from tapeemu.comparison.groups import Group, differences_db, grouped
from tapeemu.comparison.orders import all_orders, chosen_orders, two_orders
from tapeemu.comparison.plan import MANY, MeasuringPlan, plan_for
from tapeemu.comparison.progress import SILENT, Progress
from tapeemu.comparison.renders import measured_against, relative_octaves
from tapeemu.comparison.repeats import Repeats, repeats_of_renders, with_spread
from tapeemu.comparison.result import Comparison
from tapeemu.comparison.sentences import differing
from tapeemu.comparison.tapes import ComparisonJob, figures_on_tapes
from tapeemu.errors import AudioError, ParameterError
from tapeemu.files.reader import read_audio
from tapeemu.rendering.contender import Contender
from tapeemu.rendering.matched import Render, equalised, render_all, tail_of
from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray, check_audio, check_sample_rate, check_start_seconds

__all__ = ["compare"]

_MOST_BYTES = 4 * 2**30
_LEAST_RATE_HZ = 16_000


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
    jobs: int = 0,
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
        Threads; 0 is one per core.

    Returns
    -------
    Comparison
        Renders, figures, table and sentences.

    Raises
    ------
    AudioError, ParameterError, PresetError
        If the audio cannot be used, an argument breaks a rule, or a preset cannot be read.
    """
    audio, rate, called = _stem(stem, sample_rate, name)
    _check_arguments(audio, rate, called, true_peak_dbtp, jobs)
    contenders = _contenders(chain, orders, seed)
    meter = _meter({} if meters is None else meters, rate, plan, len(contenders))
    tail = _tail(contenders, audio, rate, tail_seconds)
    _check_size(audio, len(contenders), seconds_to_samples(tail, rate))
    job = ComparisonJob(
        audio=audio,
        sample_rate=rate,
        start_sample=seconds_to_samples(check_start_seconds(start_seconds), rate),
        tail_seconds=tail,
        jobs=jobs,
        progress=progress,
    )

    dry, *renders = _matched(job, contenders, true_peak_dbtp)
    dry_own, *own = _render_figures(job, dry, renders)
    differences = differences_db(renders)

    # Of many orders, only those are measured further that the renders tell apart; each stands for its group.
    tell_apart = _tell_apart(own)
    groups = _groups(contenders, differences, tell_apart)
    stand_ins = (
        groups if len(contenders) > MANY else _groups(contenders, np.full(differences.shape, np.inf), tell_apart)
    )
    figures, repeats, decays = _figures(job, contenders, renders, own, stand_ins, meter)
    return Comparison(
        name=called,
        sample_rate=rate,
        renders=tuple(renders),
        dry=dry,
        figures=tuple(figures),
        dry_figures=dry_own,
        repeats=tuple(repeats),
        decays=tuple(decays),
        plan=meter.plan,
        true_peak_ceiling_dbtp=true_peak_dbtp,
        seed=seed,
        permutations=orders == "all",
        # What stood apart on one tape alone joins again.
        groups=_groups(contenders, differences, _tell_apart(figures, repeats)),
        swaps=_swaps(renders, differences) if orders == "all" else (),
        tail_seconds=tail,
    )


def _check_arguments(audio: FloatArray, rate: float, called: str, true_peak_dbtp: float, jobs: int) -> None:
    if not audio.size:
        raise AudioError(f"{called} holds no samples; there is nothing to compare")
    if rate < _LEAST_RATE_HZ:
        raise AudioError(
            f"{called} has a sample rate of {rate:,g} Hz, but five harmonics are measured, which need "
            f"{_LEAST_RATE_HZ:,} Hz or more; resample it first"
        )
    if not -60.0 <= true_peak_dbtp <= 0.0:
        raise ParameterError(f"true_peak_dbtp is {true_peak_dbtp!r}, but must lie between -60 and 0 dBTP")
    if jobs < 0:
        raise ParameterError(f"jobs is {jobs}, but must be 0 (one per core) or more")


def _matched(job: ComparisonJob, contenders: Sequence[Contender], true_peak_dbtp: float) -> list[Render]:
    """The stem itself and its renders through each chain, all at one loudness."""
    dry_stem = Contender(label="dry stem", chain=Chain())
    step = job.progress.step(f"render {len(contenders)} orders", len(contenders) + 1)
    raw = render_all(
        job.audio,
        [dry_stem, *contenders],
        sample_rate=job.sample_rate,
        tail_seconds=job.tail_seconds,
        start_sample=job.start_sample,
        jobs=job.jobs,
        done=step.advance,
    )
    step.finish()
    step = job.progress.step("match the loudness", 1)
    matched = equalised(raw, sample_rate=job.sample_rate, true_peak_dbtp=true_peak_dbtp, jobs=job.jobs)
    step.finish()
    return matched


def _render_figures(job: ComparisonJob, dry: Render, renders: Sequence[Render]) -> list[dict[str, Reading]]:
    """Figures of the stem itself, then of each render, against the first render."""
    step = job.progress.step("measure the renders", len(renders) + 1)
    done = measured_against(
        [(render, renders[0]) for render in (dry, *renders)],
        sample_rate=job.sample_rate,
        jobs=job.jobs,
        done=step.advance,
    )
    step.finish()
    return [relative_octaves(figures, done[1]) for figures in done]


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


def _swaps(renders: Sequence[Render], differences: FloatArray) -> tuple[Swap, ...]:
    return tuple(
        Swap(first=first, second=second, null_db=float(differences[one, two]))
        for one, two, first, second in neighbour_swaps([render.order for render in renders])
    )


def _meter(
    meters: dict[float, ChainMeter], rate: float, plan: MeasuringPlan | None, contenders: int
) -> ChainMeter:
    """The meter of chains at a sample rate, a new one where there is none yet."""
    meter = meters.setdefault(rate, ChainMeter(sample_rate=rate, plan=plan or plan_for(contenders)))
    if plan not in (None, meter.plan):
        raise ParameterError("meters hold figures by another plan; give an empty dict, or leave the plan out")
    return meter


def _figures(
    job: ComparisonJob,
    contenders: Sequence[Contender],
    renders: Sequence[Render],
    own: Sequence[dict[str, Reading]],
    groups: Sequence[Group],
    meter: ChainMeter,
) -> tuple[list[dict[str, Reading]], list[dict[str, tuple[float, ...]]], list[dict[str, Curve]]]:
    """Figures, repeats and decays of all orders; what takes long is measured of the first of each group alone."""
    heads = [group.first for group in groups]
    tapes = figures_on_tapes(job, contenders, renders, own, heads, meter.plan)
    chains = meter.measure([contenders[head].chain for head in heads], jobs=job.jobs, progress=job.progress)
    figures: list[dict[str, Reading]] = [{} for _ in contenders]
    repeats: list[dict[str, tuple[float, ...]]] = [{} for _ in contenders]
    decays: list[dict[str, Curve]] = [{} for _ in contenders]
    for index, group in enumerate(groups):
        on_tapes = repeats_of_renders([tape[index] for tape in tapes])
        for place in group.members:
            figures[place] = with_spread(own[place], on_tapes) | chains[index].readings
            repeats[place] = on_tapes | chains[index].repeats
            decays[place] = chains[index].decays
    return figures, repeats, decays


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
    whole = np.ascontiguousarray(np.atleast_2d(stem), dtype=np.float64)
    return whole, check_sample_rate(sample_rate), name or "stem"


def _contenders(
    chain: Chain | str | Path, orders: str | Sequence[str | Sequence[str] | Chain] | None, seed: int | None
) -> list[Contender]:
    """The chains to compare, on the tape of a seed if one is given."""
    if isinstance(chain, str | Path):
        from tapeemu.presets import load_preset

        chain = load_preset(chain).chain
    if orders is None:
        contenders = two_orders(chain)
    elif isinstance(orders, str) and orders == "all":
        contenders = all_orders(chain)
    else:
        contenders = chosen_orders(chain, orders)
    if seed is None:
        return contenders
    return [Contender(label=c.label, chain=c.chain.with_seed(seed)) for c in contenders]


def _tail(contenders: Sequence[Contender], audio: FloatArray, rate: float, tail_seconds: float | None) -> float:
    """How much longer than the stem the renders are, in seconds: what was asked for, or what the chains need."""
    if tail_seconds is None:
        return tail_of(contenders, sample_rate=rate, channels=audio.shape[0])
    if not 0.0 <= tail_seconds <= 600.0:
        raise ParameterError(f"tail_seconds is {tail_seconds!r}, but must lie between 0 and 600 s")
    return tail_seconds


def _check_size(audio: FloatArray, orders: int, tail: int) -> None:
    needed = 4 * audio.shape[0] * (audio.shape[1] + tail) * (orders + 1)
    if needed > _MOST_BYTES:
        share = 100.0 * _MOST_BYTES / needed
        raise AudioError(
            f"{orders} orders of this stem would need {needed / 2**30:.1f} GiB of memory, more than the "
            f"{_MOST_BYTES / 2**30:.0f} GiB allowed; compare fewer orders, or {share:.0f} % of the stem"
        )
