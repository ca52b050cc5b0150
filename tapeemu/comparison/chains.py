"""The chains of a comparison measured with tones and noise, repeat by repeat.

A chain with a tape or a moving reverb in it is random, and so is a burst of noise. One tape, one room or
one burst says little about an order. So every repeat has its own noise, its own tape and its own room, the
same for all orders, and decays are repeated until it is clear whether orders differ, or until the limit.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from measure.quantities.reverberant import average_distortion, middle_decay
from measure.quantities.steadiness import level_swing
from measure.results import Curve, Reading
from tapeemu.chain import Chain
from tapeemu.comparison.compared_figures import FIGURES, LEVEL_NAMES
from tapeemu.comparison.orders import elsewhere
from tapeemu.comparison.plan import MeasuringPlan
from tapeemu.comparison.progress import Progress
from tapeemu.comparison.repeats import settled
from tapeemu.rendering.matched import decay_of
from tapeemu.rendering.threads import in_threads
from tapeemu.validation import FloatArray

__all__ = ["ChainFigures", "ChainMeter", "in_doubt"]

_LONGEST_DECAY_SECONDS = 8.0
_SHORTEST_GLIDE_SECONDS = 3.0
_SWING_SECONDS = 6.0
_DECAYS = ("edt", "t20", "t30")
_MOST_LOST = 0.25


@dataclass(frozen=True, kw_only=True, eq=False)
class ChainFigures:
    """What was measured of a chain.

    Attributes
    ----------
    readings : dict
        By the keys of :data:`tapeemu.comparison.compared_figures.FIGURES`: means over the repeats.
    repeats : dict
        By the same keys: the values on each repeat.
    decays : dict
        By level name: decay of the octave at 1 kHz, dB against seconds, mean of all bursts.
    """

    readings: dict[str, Reading]
    repeats: dict[str, tuple[float, ...]]
    decays: dict[str, Curve]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Task:
    kind: str  # "decay", "distortion" or "swing"
    level_name: str
    repeat: int


@dataclass(frozen=True, kw_only=True, eq=False)
class _Known:
    """What is known of a chain."""

    chain: Chain
    decay_seconds: float  # as the chain declares it; told of all repeats, for a room has one decay
    readings: dict[tuple[str, str, int], dict[str, Reading]] = field(default_factory=dict)
    curves: dict[str, list[Curve]] = field(default_factory=dict)


class ChainMeter:
    """Measures chains and remembers what it has measured, so that further stems cost nothing more.

    Parameters
    ----------
    sample_rate : float
        Samples per second.
    plan : MeasuringPlan
        Levels and repeats.
    """

    def __init__(self, *, sample_rate: float, plan: MeasuringPlan) -> None:
        self.sample_rate = sample_rate
        self.plan = plan
        self._known: list[_Known] = []

    def measure(self, chains: Sequence[Chain], *, jobs: int, progress: Progress) -> list[ChainFigures]:
        """Measure chains, repeating until the differences of the decays are clear, or to the limit.

        Each level is repeated for itself: one that is clear after few bursts costs no more of them because another
        is in doubt.
        """
        plan = self.plan
        most = max(plan.most_bursts, plan.bursts)
        bursts = dict.fromkeys(LEVEL_NAMES, plan.bursts)
        while True:
            self._add(chains, bursts, jobs, progress)
            found = [self._figures(chain, bursts) for chain in chains]
            doubtful = {name for name in in_doubt(found) if bursts[name] < most}
            if not doubtful:
                return found
            bursts |= {name: min(2 * bursts[name], most) for name in doubtful}

    def _add(self, chains: Sequence[Chain], bursts: Mapping[str, int], jobs: int, progress: Progress) -> None:
        missing = []
        for chain in chains:
            known = self._of(chain)
            missing += [
                (known, task)
                for task in self._tasks(bursts)
                if (task.kind, task.level_name, task.repeat) not in known.readings
            ]
        if not missing:
            return
        # Three levels of a burst cost about what one glide costs.
        name = f"measure {len(chains)} chains, {max(bursts.values())} bursts a level"
        step = progress.step(name, len(missing))

        def work(known: _Known, task: _Task) -> tuple[dict[str, Reading], Curve | None]:
            decay_seconds = min(known.decay_seconds, _LONGEST_DECAY_SECONDS)
            own = elsewhere(known.chain, task.repeat)
            found = _measured(own, task, decay_seconds, self.sample_rate, self.plan)
            step.advance()
            return found

        done = in_threads(work, missing, jobs=jobs)
        step.finish()
        for (known, task), (readings, curve) in zip(missing, done, strict=True):
            known.readings[task.kind, task.level_name, task.repeat] = readings
            if curve is not None:
                known.curves.setdefault(task.level_name, []).append(curve)

    def _tasks(self, bursts: Mapping[str, int]) -> list[_Task]:
        tasks = [
            _Task(kind="decay", level_name=name, repeat=repeat)
            for name in LEVEL_NAMES
            for repeat in range(bursts[name])
        ]
        for name in LEVEL_NAMES:
            # Distortion at the quiet level is seldom worth a sentence: one glide.
            count = 1 if name == "quiet" else self.plan.glides
            tasks += [_Task(kind="distortion", level_name=name, repeat=repeat) for repeat in range(count)]
        tasks += [_Task(kind="swing", level_name="reference", repeat=repeat) for repeat in range(self.plan.glides)]
        return tasks

    def _of(self, chain: Chain) -> _Known:
        for known in self._known:
            if known.chain == chain:
                return known
        declared = decay_of(chain, sample_rate=self.sample_rate, channels=1)
        self._known.append(_Known(chain=chain, decay_seconds=declared))
        return self._known[-1]

    def _figures(self, chain: Chain, bursts: Mapping[str, int]) -> ChainFigures:
        known = self._of(chain)
        by_key: dict[str, list[Reading]] = {}
        for task in self._tasks(bursts):
            for key, reading in known.readings[task.kind, task.level_name, task.repeat].items():
                by_key.setdefault(key, []).append(reading)
        readings = {key: _mean(repeats) for key, repeats in by_key.items()}
        return ChainFigures(
            readings={key: readings[key] for key in FIGURES if key in readings},
            repeats={key: tuple(reading.value for reading in repeats) for key, repeats in by_key.items()},
            decays={name: _mean_curve(each[: bursts[name]]) for name, each in known.curves.items()},
        )


def _measured(
    own: Chain, task: _Task, decay_seconds: float, sample_rate: float, plan: MeasuringPlan
) -> tuple[dict[str, Reading], Curve | None]:
    """One measurement of a chain on its own tape and in its own room."""
    level_dbfs = plan.levels_dbfs[task.level_name]

    def system(audio: FloatArray, rate: float) -> FloatArray:
        return own(audio, sample_rate=rate)

    settle_seconds = 0.4 * decay_seconds  # within 24 dB, or 0.4 %, of the steady state
    if task.kind == "decay":
        # T30 needs 45 dB of decay, which the drive stretches.
        decay = middle_decay(
            system,
            sample_rate,
            level_dbfs=level_dbfs,
            burst_seconds=max(settle_seconds, 0.5),
            silence_seconds=0.8 * decay_seconds + 0.4,
            repeats=1,
            seed=task.repeat,
            # The spread over the repeats is the uncertainty.
            neighbours=False,
        )
        return {f"{kind}_{task.level_name}_seconds": getattr(decay, kind) for kind in _DECAYS}, decay.curve
    if task.kind == "distortion":
        distortion = average_distortion(
            system,
            sample_rate,
            level_dbfs=level_dbfs,
            glide_seconds=max(plan.glide_decays * decay_seconds, _SHORTEST_GLIDE_SECONDS),
            settle_seconds=max(settle_seconds, 0.1),
        )
        return {f"{kind}_{task.level_name}_percent": getattr(distortion, kind) for kind in ("thd", "imd")}, None
    swing = level_swing(
        system,
        sample_rate,
        # Another place in the response of the room, a semitone on, each time.
        frequency_hz=1000.0 * 2.0 ** ((task.repeat % 12) / 12.0 - 0.5),
        level_dbfs=level_dbfs,
        seconds=_SWING_SECONDS,
        settle_seconds=2.0 * settle_seconds,
    )
    return {f"swing_{task.level_name}_db": swing}, None


def _mean(repeats: Sequence[Reading]) -> Reading:
    """The mean over repeats; undefined where it is on more than a quarter of them."""
    first, count = repeats[0], len(repeats)
    if count == 1:
        return first
    kept = [reading for reading in repeats if reading.defined]
    lost = count - len(kept)
    # A single burst is often not straight, or of little range; what most of them complain of counts.
    complaints = [warning for reading in kept for warning in reading.warnings]
    warnings = [
        f"{text} (on {number} of {count} repeats)"
        for text in dict.fromkeys(complaints)
        if (number := complaints.count(text)) > count / 2
    ]
    if lost:
        reason = next("; ".join(reading.warnings) for reading in repeats if not reading.defined)
        warnings.append(f"undefined on {lost} of {count} repeats ({reason})")
    if lost > count * _MOST_LOST:
        undefined = next(reading for reading in repeats if not reading.defined)
        return replace(undefined, warnings=tuple(warnings))
    values = [reading.value for reading in kept]
    return replace(
        kept[0],
        value=math.fsum(values) / len(values),
        uncertainty=float(np.std(values, ddof=1)) / math.sqrt(len(values)),
        uncertainty_basis=f"repeats (standard error over {len(values)}, each on its own tape and in its own room)",
        conditions={**kept[0].conditions, "repeats": len(values)},
        warnings=tuple(warnings),
    )


def _mean_curve(curves: Sequence[Curve]) -> Curve:
    """Mean power of decays, as long as the shortest."""
    first = min(curves, key=lambda curve: curve.x.size)
    if len(curves) == 1 or not first.x.size:
        return first
    power = np.mean([10.0 ** (np.interp(first.x, curve.x, curve.y) / 10.0) for curve in curves], axis=0)
    return replace(first, y=10.0 * np.log10(np.maximum(power, 1e-30)))


def in_doubt(figures: Sequence[ChainFigures]) -> set[str]:
    """Levels at which it is not settled yet by which thresholds decays differ, or that they do not.

    Two differences carry sentences: that of an order from the first at one level, and that of the loud early decay
    from the quiet one in one order.
    """
    first, doubtful = figures[0], set()
    for own in figures:
        for name in LEVEL_NAMES:
            keys = [f"{kind}_{name}_seconds" for kind in _DECAYS]
            if not all(settled(key, own.readings, own.repeats, first.readings, first.repeats) for key in keys):
                doubtful.add(name)
        if not _breath_settled(own):
            doubtful |= {"quiet", "loud"}
    return doubtful


def _breath_settled(own: ChainFigures) -> bool:
    """Whether it is settled that the early decay follows the level, or that it does not."""
    loud, quiet = "edt_loud_seconds", "edt_quiet_seconds"
    return settled(loud, own.readings, own.repeats, {loud: own.readings[quiet]}, {loud: own.repeats[quiet]})
