"""Measuring a system by the standard set: the sweep first, then the rows, whose length goes by what it told."""

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.keys import Found
from measure.quantities.response import response_from_sweep
from measure.report import Report
from measure.results import Curve, Reading
from measure.standard_set.cautions import cautioned
from measure.standard_set.combining import combined
from measure.standard_set.first_sweep import lead_of, read_sweep, rough_decay, sweep_of
from measure.standard_set.rows import NEIGHBOURS, PAIRED, REVERBERANT_SECONDS, STANDARD_SET, fits
from measure.standard_set.running import READERS, Setting
from measure.standard_set.systems import seeded, seeded_pairs
from measure.validation import check_rate

__all__ = ["bench"]

_ROWS = {row.name: row for row in STANDARD_SET}


def bench(
    system: Callable[..., Any],
    *,
    sample_rate: float = 48_000,
    reference_level_dbfs: float = -18.0,
    seeds: Sequence[int] = (1, 2, 3),
    stages: Mapping[str, Callable[..., Any]] | None = None,
    rows: Sequence[str] | None = None,
    reverberates: bool | None = None,
    neighbours: bool = False,
    progress: Callable[[float], None] | None = None,
) -> Report:
    """Measure a system by the standard set.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``, one channel in and one out. If it has a method ``with_seed(seed)``
        that returns it with other randomness, random quantities are measured over all seeds; if not, it is
        called from one thread at a time.
    sample_rate : float
        Samples per second, 8 kHz or more.
    reference_level_dbfs : float
        Reference level as the peak of a sine re full scale.
    seeds : sequence of int
        Seeds for a system that takes them; one or more.
    stages : mapping of str to callable, optional
        Parts of the system to measure each on its own, by the same set.
    rows : sequence of str, optional
        Names of the rows of the standard set to send; all of them if left out. The sweep is always sent,
        because the others are planned by it.
    reverberates : bool, optional
        Whether the system prolongs sound, where that is known: then its decay is read, and what its beating
        falsifies is marked, however short it is; or else neither, whatever the sweep looks like. Found from
        the sweep if left out, where less than 0.1 s is none. Of `stages` it is always found.
    neighbours : bool
        Whether the system also takes two channels, as tracks beside each other: then azimuth, crosstalk and
        print-through are read as well. Of `stages` they are not.
    progress : callable, optional
        Is told what share is done, from 0 to 1, after each signal; from several threads.

    Returns
    -------
    Report
        A figure measured with several seeds is their mean, and its uncertainty is their standard deviation
        ("repeats") where that exceeds what theory gives for one.
    """
    rate = check_rate(sample_rate)
    if rate < 8_000.0:
        raise MeasureError(f"sample_rate is {rate:g} Hz, but the standard set needs 8000 Hz or more")
    if not math.isfinite(reference_level_dbfs) or reference_level_dbfs > 0.0:
        raise MeasureError(f"reference_level_dbfs is {reference_level_dbfs!r}, but must be finite and 0 at most")
    if len(seeds) == 0:
        raise MeasureError("there are no seeds; give one or more")
    wanted = list(_ROWS) if rows is None else list(rows)
    for name in wanted:
        if name not in _ROWS:
            raise MeasureError(f"there is no row {name!r} in the standard set; there are {', '.join(_ROWS)}")
    reference, numbers = float(reference_level_dbfs), [int(seed) for seed in seeds]
    if not neighbours:
        wanted = [name for name in wanted if name not in NEIGHBOURS]
    count = 1 + len(stages or {})
    whole = _measured(system, rate, reference, numbers, wanted, reverberates, _of_parts(progress, 0, count))
    alone = [name for name in wanted if name not in NEIGHBOURS]
    parts = {
        name: _measured(stage, rate, reference, numbers, alone, None, _of_parts(progress, place, count))
        for place, (name, stage) in enumerate((stages or {}).items(), start=1)
    }
    return replace(whole, stages=parts)


def _of_parts(progress: Callable[[float], None] | None, place: int, count: int) -> Callable[[float], None]:
    """Progress of one of several parts, handed on as progress of all of them."""
    return lambda share: None if progress is None else progress((place + share) / count)


def _measured(
    system: Callable[..., Any],
    rate: float,
    reference_dbfs: float,
    seeds: Sequence[int],
    wanted: Sequence[str],
    reverberates: bool | None,
    progress: Callable[[float], None],
) -> Report:
    """Send the wanted rows through one system."""
    used, systems = seeded(system, rate, seeds)
    pairs = seeded_pairs(system, seeds)
    notes: list[str] = []
    with ThreadPoolExecutor(max_workers=2) as pool:
        sweep = sweep_of(_ROWS["sweep"], rate, reference_dbfs)
        recordings = list(pool.map(lambda each: each(sweep.signal, rate), systems[:2]))
        if len(recordings) > 1 and np.array_equal(recordings[0], recordings[1]):
            # Nothing in it is random, so more seeds would only repeat the same figures.
            systems, pairs, used = systems[:1], pairs[:1], used[:1]
            notes.append("two seeds gave the same sound; one was used")
        response = response_from_sweep(recordings[0], sweep, reference_hz=1000.0)
        decay_seconds = rough_decay(response, rate) if reverberates is not False else 0.0
        lead_seconds = lead_of(systems[0], rate, reference_dbfs) if "sweep" in wanted else 0.0
        if lead_seconds:
            notes.append(
                f"the system sounds {lead_seconds:.3g} s before its input: harmonics of the sweep that fall there "
                "are undefined"
            )
        setting = Setting(
            rate=rate,
            reference_dbfs=reference_dbfs,
            latency_seconds=response.arrival_seconds if math.isfinite(response.arrival_seconds) else 0.0,
            decay_seconds=decay_seconds,
            reverberates=decay_seconds > REVERBERANT_SECONDS if reverberates is None else reverberates,
        )
        jobs: list[list[Future[Found]]] = [[pool.submit(read_sweep, recordings[0], sweep, response, lead_seconds)]]
        for name, read in READERS.items():
            if name not in wanted:
                continue
            row, reason = _ROWS[name], _left_out(name, setting)
            if reason:
                notes.append(reason)
                continue
            through = pairs if name in PAIRED else systems
            jobs.append(
                [pool.submit(read, row, setting, each) for each in through[: None if row.every_seed else 1]]
            )
        _count([job for queue in jobs for job in queue], progress)
        readings, curves = _gathered([[job.result() for job in queue] for queue in jobs], used)
    return Report(
        sample_rate=rate,
        reference_level_dbfs=reference_dbfs,
        seeds=used,
        readings=cautioned(readings, setting.decay_seconds if setting.reverberates else None),
        curves=curves,
        notes=tuple(notes),
    )


def _count(jobs: "Sequence[Future[Found]]", progress: Callable[[float], None]) -> None:
    """Tell what share of the jobs is done, whenever one is."""
    numbers = itertools.count(1)
    for job in jobs:
        job.add_done_callback(lambda _: progress(next(numbers) / len(jobs)))


def _left_out(name: str, setting: Setting) -> str:
    """Why a row is not sent; nothing where it is."""
    if not fits(_ROWS[name], setting.rate):
        return f"{name} was left out: it does not fit a rate of {setting.rate:g} Hz"
    if name == "noise bursts" and not setting.reverberates:
        return f"the response is over within {REVERBERANT_SECONDS:g} s: decay was not measured"
    return ""


def _gathered(found: Sequence[Sequence[Found]], seeds: Sequence[int]) -> Found:
    """All rows together: figures over the seeds, curves of the first.

    A later row has the last word. The sweep comes first, so its edges give way to those of the slow sweep: at the
    reference level treble may be squeezed, and a system that squeezes it falls earlier than its response does.
    """
    readings: dict[str, Reading] = {}
    curves: dict[str, Curve] = {}
    for results in found:
        curves.update(results[0][1])
        for key in results[0][0]:
            readings[key] = combined([each[0][key] for each in results], seeds)
    return readings, curves
