"""Orders rendered on other tapes, until it is clear in what they differ on any tape."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from measure.results import Reading
from tapeemu.comparison.plan import MeasuringPlan
from tapeemu.comparison.progress import Progress
from tapeemu.comparison.renders import measured_against, relative_octaves
from tapeemu.comparison.repeats import repeats_of_renders, settled
from tapeemu.comparison.traits import SPOKEN
from tapeemu.rendering.contender import Contender
from tapeemu.rendering.matched import SPREAD_SECONDS, Render, amplified, loudest_part, render_all
from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray

__all__ = ["ComparisonJob", "figures_on_tapes"]


@dataclass(frozen=True, kw_only=True, eq=False)
class ComparisonJob:
    """What all steps of a comparison work on and with.

    Attributes
    ----------
    audio : ndarray, shape (channels, samples)
        The stem.
    sample_rate : float
        Samples per second.
    start_sample : int
        Place on the tape where the stem starts.
    tail_seconds : float
        How much longer than the stem the renders are.
    jobs : int
        Threads; 0 is one per core.
    progress : Progress
        Is told of every step.
    """

    audio: FloatArray
    sample_rate: float
    start_sample: int
    tail_seconds: float
    jobs: int
    progress: Progress


def figures_on_tapes(
    job: ComparisonJob,
    contenders: Sequence[Contender],
    renders: Sequence[Render],
    own: Sequence[Mapping[str, Reading]],
    heads: Sequence[int],
    plan: MeasuringPlan,
) -> list[list[dict[str, Reading]]]:
    """Figures of the loudest part of the stem on one tape after another, until what differs is clear.

    Parameters
    ----------
    job : ComparisonJob
        The stem, and what to work with.
    contenders, renders, own : sequence
        One an order: its chain, its render at the common loudness, and the figures of that render.
    heads : sequence of int
        Places of the orders that are measured; the others share the figures of one of them.
    plan : MeasuringPlan
        How many tapes at least and at most.

    Returns
    -------
    list of list of dict
        By tape and by place in `heads`: readings by key. Tape 0 is the one of the chains themselves.
    """
    begin, end = loudest_part(job.audio, seconds_to_samples(SPREAD_SECONDS, job.sample_rate))
    part = np.ascontiguousarray(job.audio[:, begin:end])
    tapes: list[list[dict[str, Reading]]] = []
    wanted = plan.tapes
    while len(tapes) < wanted:
        numbers = range(len(tapes), wanted)
        tapes += _figures_of_tapes(job, part, job.start_sample + begin, contenders, renders, heads, numbers)
        if not _all_told(own, heads, tapes):
            wanted = min(2 * wanted, max(plan.most_tapes, plan.tapes))
    return tapes


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


def _figures_of_tapes(
    job: ComparisonJob,
    part: FloatArray,
    start_sample: int,
    contenders: Sequence[Contender],
    renders: Sequence[Render],
    heads: Sequence[int],
    numbers: Sequence[int],
) -> list[list[dict[str, Reading]]]:
    """Figures of a part of the stem on some tapes, for each of some orders, at the gains of the renders."""
    count = len(heads)
    tapes = [
        # Number 0 is the tape of the chain itself.
        Contender(label=own.label, chain=own.chain.with_seed(number) if number else own.chain)
        for number in numbers
        for own in (contenders[head] for head in heads)
    ]
    step = job.progress.step(f"repeat on {len(numbers)} tapes", 2 * len(tapes))
    raw = render_all(
        part,
        tapes,
        sample_rate=job.sample_rate,
        tail_seconds=0.0,
        start_sample=start_sample,
        jobs=job.jobs,
        done=step.advance,
    )
    matched = [amplified(render, renders[heads[index % count]].gain_db) for index, render in enumerate(raw)]
    done = measured_against(
        [(render, matched[index - index % count]) for index, render in enumerate(matched)],
        sample_rate=job.sample_rate,
        jobs=job.jobs,
        done=step.advance,
    )
    step.finish()
    found = [done[start : start + count] for start in range(0, len(done), count)]
    return [[relative_octaves(figures, tape[0]) for figures in tape] for tape in found]
