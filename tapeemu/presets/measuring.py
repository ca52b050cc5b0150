"""From a chain to its measured figures, and from the figures in a file to a proof of them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapeemu.automation import MIX
from tapeemu.chain import Chain, Stage
from tapeemu.interruptions import held_interruptions
from tapeemu.presets.kept_figures import KEPT, KeptFigure, Measured, settings_digest, tolerance_for, worth_keeping
from tapeemu.presets.preset import Preset
from tapeemu.processor import Processor

if TYPE_CHECKING:
    from measure.standard_set import Report

__all__ = [
    "REFERENCE_LEVEL_DBFS",
    "SAMPLE_RATE_HZ",
    "SEEDS",
    "FigureCheck",
    "Verification",
    "in_processes",
    "measure_chain",
    "measure_preset",
    "measured_parts",
    "verify_all",
    "verify_preset",
]

SAMPLE_RATE_HZ = 48_000.0
REFERENCE_LEVEL_DBFS = -18.0
SEEDS = (1, 2, 3)
"""Tapes whose mean a random figure is; they are derived from the seeds in the preset."""

Share = Callable[[float], None]
"""Is told what share is done, from 0 to 1."""

_DECAYS = tuple(key for key, kept in KEPT.items() if kept.row == "noise bursts")


def measured_parts(chain: Chain) -> dict[str, tuple[Processor, tuple[str, ...]]]:
    """What is measured of a chain: parts by name, each with the figures that are read from it.

    A chain without reverberation is measured whole. The beating of a reverberated tone counts as flutter
    and level fluctuation, so of a chain that reverberates only the decay is measured whole; everything
    else is read with the reverberant stages bypassed, and decay once more from these stages alone, with their
    curves but without what is mixed in of their input.

    Returns
    -------
    dict
        Keys ``"chain"``, ``"without reverb"`` and ``"stage NAME"``.
    """
    others = tuple(key for key in KEPT if key not in _DECAYS)
    if not chain.traits.lingers:
        return {"chain": (chain, others)}
    parts: dict[str, tuple[Processor, tuple[str, ...]]] = {"chain": (chain, _DECAYS)}
    dry = _without_reverb(chain)
    if _sounds(dry):
        parts["without reverb"] = (dry, others)
    if len(chain.sounding) > 1:
        for stage in chain.sounding:
            if stage.traits.lingers:
                parts[f"stage {stage.name}"] = (_alone(stage), _DECAYS)
    return parts


def _alone(stage: Stage) -> Processor:
    """A stage by itself: nothing of its input is mixed in, but what curves do to its settings belongs to it."""
    curves = tuple(curve for curve in stage.automation if curve.setting != MIX)
    return Chain([Stage(processor=stage.processor, automation=curves)]) if curves else stage.processor


def measure_chain(
    chain: Chain,
    *,
    keys: Iterable[str] | None = None,
    sample_rate_hz: float = SAMPLE_RATE_HZ,
    reference_level_dbfs: float = REFERENCE_LEVEL_DBFS,
    seeds: Sequence[int] = SEEDS,
    system_of: Callable[[Processor], Callable[..., Any]] | None = None,
    progress: Share | None = None,
) -> tuple[Measured, dict[str, "Report"]]:
    """Measure the figures that presets keep, by the bench.

    Parameters
    ----------
    chain : Chain
        What is measured.
    keys : iterable of str, optional
        Figures wanted, of the whole chain or without reverb only; all if left out.
    sample_rate_hz, reference_level_dbfs : float
        Conditions of the bench.
    seeds : sequence of int
        Tapes that random figures are measured on.
    system_of : callable, optional
        Gives what is measured in place of a processor: the same one on another machine.
    progress : callable, optional
        Is told what share is done, from 0 to 1; from several threads.

    Returns
    -------
    Measured
        The figures that are defined and that noise leaves worth something, with their tolerances.
    dict of str to measure.standard_set.Report
        Everything that the bench read, by the name of the part: curves for plots among it.
    """
    from measure.standard_set import bench
    from tapeemu import __version__

    wanted = set(KEPT) if keys is None else set(keys)
    reports: dict[str, Report] = {}
    tables: dict[str, dict[str, KeptFigure]] = {}
    parts = {
        name: (part, [key for key in possible if key in wanted])
        for name, (part, possible) in measured_parts(chain).items()
        if keys is None or not name.startswith("stage ")
    }
    parts = {name: (part, asked) for name, (part, asked) in parts.items() if asked}
    for place, (name, (part, asked)) in enumerate(parts.items()):
        report = bench(
            part if system_of is None else system_of(part),
            sample_rate=sample_rate_hz,
            reference_level_dbfs=reference_level_dbfs,
            seeds=seeds,
            rows=sorted({KEPT[key].row for key in asked}),
            # What only echoes may or may not decay like a room; that is left to the bench.
            reverberates=None if part.traits.echoes else part.traits.reverberates,
            neighbours=part.traits.neighbours,
            progress=None if progress is None else _of_parts(progress, place, len(parts)),
        )
        reports[name] = report
        found = {key: report.readings[key] for key in asked if key in report.readings}
        tables[name] = {
            key: KeptFigure(reading=reading, tolerance=tolerance_for(key, reading))
            for key, reading in found.items()
            if worth_keeping(key, reading)
        }
    measured = Measured(
        tool_version=__version__,
        settings_sha256=settings_digest(chain),
        sample_rate_hz=sample_rate_hz,
        reference_level_dbfs=reference_level_dbfs,
        seeds=max((report.seeds for report in reports.values()), key=len, default=()),
        chain=tables.get("chain", {}),
        without_reverb=tables.get("without reverb", {}),
        stages={
            name.removeprefix("stage "): figures
            for name, figures in tables.items()
            if name.startswith("stage ") and figures
        },
    )
    return measured, reports


def _of_parts(progress: Share, place: int, count: int) -> Share:
    """What is told of one of several parts, as a share of all of them."""
    return lambda share: progress((place + share) / count)


def measure_preset(preset: Preset, *, progress: Share | None = None) -> tuple[Preset, dict[str, "Report"]]:
    """Return a preset with its figures measured anew, and all that the bench read."""
    measured, reports = measure_chain(preset.chain, progress=progress)
    return preset.replace(measured=measured), reports


@dataclass(frozen=True, kw_only=True)
class FigureCheck:
    """One figure of a file against the same figure measured now.

    Attributes
    ----------
    part : str
        What it is a figure of: ``"chain"``, ``"without reverb"`` or ``"stage NAME"``.
    key : str
        The figure.
    kept : KeptFigure or None
        As in the file; None if it is not there.
    found : KeptFigure or None
        As measured now; None if it cannot be measured any more.
    """

    part: str
    key: str
    kept: KeptFigure | None
    found: KeptFigure | None

    @property
    def moved(self) -> float | None:
        """By how much the figure moved; None where one of the two is missing."""
        if self.kept is None or self.found is None:
            return None
        return self.found.reading.value - self.kept.reading.value

    @property
    def within(self) -> bool:
        """Whether the figure in the file is proved; a figure that the file lacks claims nothing."""
        if self.kept is None:
            return True
        return self.moved is not None and abs(self.moved) <= self.kept.tolerance

    def __str__(self) -> str:
        name = f"{self.part}: {self.key}"
        if self.kept is None:
            return f"{name} is not in the file"
        unit = self.kept.reading.unit
        claimed = f"{self.kept.reading.value:.5g} ± {self.kept.tolerance:.2g} {unit}"
        if self.found is None:
            return f"{name} is {claimed} in the file, but can no longer be measured"
        verdict = "" if self.within else ", OUT OF TOLERANCE"
        return f"{name} {claimed}, now {self.found.reading.value:.5g}, moved by {self.moved:+.2g} {unit}{verdict}"


@dataclass(frozen=True, kw_only=True)
class Verification:
    """What re-measuring a preset showed.

    Attributes
    ----------
    name : str
        The preset.
    state : str
        ``"measured"``, ``"stale"`` or ``"not measured"``: whether the figures belong to the settings.
    checks : tuple of FigureCheck
        Every figure of the file against now.
    """

    name: str
    state: str
    checks: tuple[FigureCheck, ...] = ()

    @property
    def failed(self) -> tuple[FigureCheck, ...]:
        """Figures out of tolerance."""
        return tuple(each for each in self.checks if not each.within)

    @property
    def proved(self) -> bool:
        """Whether the table belongs to the settings and every figure is within its tolerance."""
        return self.state == "measured" and not self.failed

    def __str__(self) -> str:
        count = sum(each.kept is not None for each in self.checks)
        if self.state == "not measured":
            return f"{self.name}: not measured yet; 'tapeemu measure {self.name}' does it"
        verdict = "proved" if self.proved else self.state if not self.failed else "out of tolerance"
        if self.state == "stale" and self.failed:
            verdict = "stale, out of tolerance"
        if self.state == "stale":
            verdict += " (the settings were changed after the figures were measured)"
        lines = [f"{self.name}: {verdict}; {count - len(self.failed)} of {count} figures within tolerance"]
        return "\n".join([*lines, *(f"  {each}" for each in self.failed)])


def verify_preset(
    preset: Preset,
    *,
    system_of: Callable[[Processor], Callable[..., Any]] | None = None,
    progress: Share | None = None,
) -> Verification:
    """Measure a preset again under the conditions in its file, and compare.

    Parameters
    ----------
    preset : Preset
        With the figures in its file.
    system_of, progress : callable, optional
        As for :func:`measure_chain`.
    """
    kept = preset.measured
    if kept is None:
        return Verification(name=preset.name, state=preset.state)
    found, _ = measure_chain(
        preset.chain,
        sample_rate_hz=kept.sample_rate_hz,
        reference_level_dbfs=kept.reference_level_dbfs,
        seeds=kept.seeds or SEEDS,
        system_of=system_of,
        progress=progress,
    )
    before, now = kept.parts(), found.parts()
    checks = [
        FigureCheck(part=part, key=key, kept=figures.get(key), found=again.get(key))
        for part in dict.fromkeys([*before, *now])
        for figures, again in [(before.get(part, {}), now.get(part, {}))]
        for key in dict.fromkeys([*figures, *again])
    ]
    return Verification(name=preset.name, state=preset.state, checks=tuple(checks))


def _verify_file(
    task: tuple[str, Callable[[Processor], Callable[..., Any]] | None], progress: Share | None = None
) -> Verification:
    from tapeemu.presets import load_preset

    path, system_of = task
    return verify_preset(load_preset(Path(path)), system_of=system_of, progress=progress)


def verify_all(
    paths: Sequence[Path],
    *,
    jobs: int = 1,
    system_of: Callable[[Processor], Callable[..., Any]] | None = None,
    progress: Share | None = None,
) -> Iterator[Verification]:
    """Verify several preset files, each in a process of its own, and yield the results in order.

    Parameters
    ----------
    paths : sequence of Path
        The files.
    jobs : int
        Processes.
    system_of : callable, optional
        As for :func:`measure_chain`; a function or class of a module, since it goes to other processes.
    progress : callable, optional
        Is told what share of all files is done; between files too where they are verified in this process.
    """
    yield from in_processes(_verify_file, [(str(path), system_of) for path in paths], jobs=jobs, progress=progress)


def in_processes(
    task: Any, arguments: Sequence[Any], *, jobs: int, progress: Share | None = None
) -> Iterator[Any]:
    """Results of a task for each argument, in order, as they are ready.

    In this process a task gets as its second argument what it tells the share to that it has done.
    """
    count = len(arguments)
    if jobs == 1 or count < 2:
        for place, argument in enumerate(arguments):
            yield task(argument, None if progress is None else _of_parts(progress, place, count))
        return
    from joblib import Parallel, delayed

    with held_interruptions():
        results = Parallel(n_jobs=min(jobs, count), return_as="generator")(
            delayed(task)(argument) for argument in arguments
        )
    for number, result in enumerate(results, start=1):
        if progress is not None:
            progress(number / count)
        yield result


def _without_reverb(chain: Chain) -> Chain:
    def changed(stage: Stage) -> Stage:
        if isinstance(stage.processor, Chain):
            return stage.replace(processor=_without_reverb(stage.processor))
        return stage.replace(bypass=stage.bypass or stage.traits.lingers)

    return chain.replace(stages=tuple(changed(stage) for stage in chain.stages))


def _sounds(chain: Chain) -> bool:
    return any(
        _sounds(stage.processor) if isinstance(stage.processor, Chain) else True for stage in chain.sounding
    )
