"""The chains of a comparison measured with tones and noise, repeat by repeat.

A chain with a tape or a moving reverb in it is random, and so is a burst of noise. One tape, one room or
one burst says little about an order. So every repeat has its own noise, its own tape and its own room, the
same for all orders, and decays are repeated until it is clear whether orders differ, or until the limit.
"""

import math
from collections.abc import Sequence
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

__all__ = ["ChainFigures", "ChainMeter", "clear_or_hopeless"]

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
    readings: dict[tuple[str, str, int], dict[str, Reading]] = field(default_factory=dict)
    curves: dict[str, list[Curve]] = field(default_factory=dict)
    decay_seconds: dict[int, float] = field(default_factory=dict)  # by repeat, as the chain declares it


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
        """Measure chains, repeating until the differences of the decays are clear, or to the limit."""
        plan = self.plan
        bursts, most = plan.bursts, max(plan.most_bursts, plan.bursts)
        while True:
            self._add(chains, bursts, jobs, progress)
            found = [self._figures(chain, bursts) for chain in chains]
            if bursts >= most or all(clear_or_hopeless(each, found[0]) for each in found[1:]):
                return found
            bursts = min(2 * bursts, most)

    def _add(self, chains: Sequence[Chain], bursts: int, jobs: int, progress: Progress) -> None:
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
        step = progress.step(f"measure {len(chains)} chains, {bursts} bursts a level", len(missing))

        def work(known: _Known, task: _Task) -> tuple[dict[str, Reading], Curve | None]:
            own = elsewhere(known.chain, task.repeat)
            if task.repeat not in known.decay_seconds:
                # A whole chain has to be designed for this; all levels of a repeat ask for it.
                known.decay_seconds[task.repeat] = decay_of(own, sample_rate=self.sample_rate, channels=1)
            decay_seconds = min(known.decay_seconds[task.repeat], _LONGEST_DECAY_SECONDS)
            found = _measured(own, task, decay_seconds, self.sample_rate, self.plan)
            step.advance()
            return found

        done = in_threads(work, missing, jobs=jobs)
        step.finish()
        for (known, task), (readings, curve) in zip(missing, done, strict=True):
            known.readings[task.kind, task.level_name, task.repeat] = readings
            if curve is not None:
                known.curves.setdefault(task.level_name, []).append(curve)

    def _tasks(self, bursts: int) -> list[_Task]:
        tasks = [
            _Task(kind="decay", level_name=name, repeat=repeat) for name in LEVEL_NAMES for repeat in range(bursts)
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
        self._known.append(_Known(chain=chain))
        return self._known[-1]

    def _figures(self, chain: Chain, bursts: int) -> ChainFigures:
        known = self._of(chain)
        by_key: dict[str, list[Reading]] = {}
        for task in self._tasks(bursts):
            for key, reading in known.readings[task.kind, task.level_name, task.repeat].items():
                by_key.setdefault(key, []).append(reading)
        readings = {key: _mean(repeats) for key, repeats in by_key.items()}
        return ChainFigures(
            readings={key: readings[key] for key in FIGURES if key in readings},
            repeats={key: tuple(reading.value for reading in repeats) for key, repeats in by_key.items()},
            decays={name: _mean_curve(each[:bursts]) for name, each in known.curves.items()},
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


def clear_or_hopeless(own: ChainFigures, first: ChainFigures) -> bool:
    """Whether for every decay it is settled that two orders differ by the threshold, or that they do not."""
    return all(
        settled(key, own.readings, own.repeats, first.readings, first.repeats)
        for key in own.readings
        if key.startswith(_DECAYS)
    )
