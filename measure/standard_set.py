"""The bench: the standard set of measurements of any system, and the report it gives.

What is sent, at which level and for how long, is the table :data:`STANDARD_SET`. Each row is rendered
once per seed and read for all that it can tell.
"""

import math
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np

from measure.errors import MeasureError
from measure.meanings import meaning_lines
from measure.parts.run import drive
from measure.parts.signals import SynchronisedSweep, noise_burst, steady_tone, synchronised_sweep, two_tones
from measure.quantities.amplitude import amplitude_fluctuation
from measure.quantities.decay import BandDecay, decay_from_impulse, decay_of_noise
from measure.quantities.distortion import (
    HarmonicDistortion,
    aliasing_to_signal,
    difference_frequency_distortion,
    distortion_against_level,
    distortion_from_sweep,
    harmonic_distortion,
    modulation_distortion,
    thd_plus_noise,
)
from measure.quantities.flutter import flutter, scrape_flutter
from measure.quantities.level import noise
from measure.quantities.response import Response, response_from_sweep
from measure.results import Curve, Reading, figure_text
from measure.validation import FloatArray, System, as_system, check_rate

__all__ = ["STANDARD_SET", "Report", "Row", "bench"]


@dataclass(frozen=True)
class Row:
    """One line of the standard set.

    Attributes
    ----------
    name : str
        What is sent.
    frequencies_hz : tuple of float
        Its tones; empty for noise, sweep and silence. A row whose tones do not fit the rate is left out.
    seconds : float
        How long it lasts, settling time not counted.
    level_db : float
        Level re the reference level.
    every_seed : bool
        Whether it is sent through the system with every seed, or with the first only.
    gives : str
        What is read from it.
    """

    name: str
    frequencies_hz: tuple[float, ...]
    seconds: float
    level_db: float
    every_seed: bool
    gives: str


STANDARD_SET: tuple[Row, ...] = (
    Row("sweep", (), 4.0, 0.0, False, "response, latency, polarity, distortion against frequency"),
    Row("flutter tone", (3150.0,), 20.0, 0.0, True, "flutter, drift, speed error, amplitude fluctuation"),
    Row("high tone", (10_000.0,), 3.0, -10.0, True, "scrape flutter"),
    Row("distortion tone", (1000.0,), 2.0, 0.0, True, "harmonics, THD, THD+N at the reference level"),
    Row("level steps", (1000.0,), 0.18, 0.0, False, "distortion and gain against level, operating level"),
    Row("modulation pair", (60.0, 7000.0), 1.5, 6.0, False, "modulation distortion"),
    Row("difference pair", (19_000.0, 20_000.0), 1.0, 6.0, False, "difference-frequency distortion"),
    Row("prime tone", (4186.0,), 1.0, 12.0, False, "aliasing to signal"),
    Row("silence", (), 3.0, 0.0, False, "noise"),
    Row("noise bursts", (), 2.0, 0.0, False, "EDT, T20, T30 and decay time in octaves"),
)
"""The standard set. For noise bursts, `seconds` is the least duration: noise and silence grow with the decay."""

LEVELS_DBFS = tuple(range(-42, 1, 3))
"""Input levels of the level steps."""

_Found = tuple[dict[str, Reading], dict[str, Curve]]

_BURSTS = 4
_REVERBERANT_SECONDS = 0.1
_SWEEP_TAIL_SECONDS = 3.0
# Share of the energy that must come late for a system to reverberate. Flutter smears the deconvolved sweep up to
# -44 dB of it (a transport at 1.6 %), so less than -40 dB is not taken for a decay.
_AUDIBLE = 1e-4
_STEADY_PERCENT = 1e-3  # more flutter or amplitude fluctuation than this is no longer a steady system


@dataclass(frozen=True, kw_only=True, eq=False)
class Report:
    """What the standard set found.

    Attributes
    ----------
    sample_rate, reference_level_dbfs : float
        Rate, and the level that "reference" means: a sine of that peak re full scale.
    seeds : tuple of int
        Seeds that were used; empty for a system without any.
    readings : mapping of str to Reading
        Single figures under stable keys whose end is the unit, e.g. ``weighted_flutter_percent``.
    curves : mapping of str to Curve
        What the figures were read from, for plots.
    stages : mapping of str to Report
        The same for single stages of the system, when they were given.
    notes : tuple of str
        What was left out, and why.
    """

    sample_rate: float
    reference_level_dbfs: float
    seeds: tuple[int, ...]
    readings: Mapping[str, Reading]
    curves: Mapping[str, Curve]
    stages: Mapping[str, "Report"] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def __getitem__(self, key: str) -> Reading:
        try:
            return self.readings[key]
        except KeyError:
            raise MeasureError(f"there is no reading {key!r}; there are {', '.join(self.readings)}") from None

    def __str__(self) -> str:
        return "\n".join([*self._lines(), "", "What the figures tell:", *meaning_lines(self._keys())])

    def _lines(self) -> list[str]:
        lines = [
            f"at {self.sample_rate:g} Hz, reference level {self.reference_level_dbfs:g} dBFS"
            + (f", seeds {', '.join(map(str, self.seeds))}" if self.seeds else "")
        ]
        lines += table_lines(self.readings)
        lines += [f"note: {note}" for note in self.notes]
        for name, report in self.stages.items():
            title = name if name.startswith("channel ") else f"stage {name}"
            lines += ["", f"{title}:", *(f"  {line}" for line in report._lines())]
        return lines

    def _keys(self) -> list[str]:
        inner = [key for report in self.stages.values() for key in report._keys()]
        return [*self.readings, *inner]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "sample_rate": self.sample_rate,
            "reference_level_dbfs": self.reference_level_dbfs,
            "seeds": list(self.seeds),
            "readings": {key: reading.to_dict() for key, reading in self.readings.items()},
            "curves": {key: curve.to_dict() for key, curve in self.curves.items()},
            "stages": {name: report.to_dict() for name, report in self.stages.items()},
            "notes": list(self.notes),
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Report from what :meth:`to_dict` returned."""
        return cls(
            sample_rate=float(values["sample_rate"]),
            reference_level_dbfs=float(values["reference_level_dbfs"]),
            seeds=tuple(values["seeds"]),
            readings={key: Reading.from_dict(reading) for key, reading in values["readings"].items()},
            curves={key: Curve.from_dict(curve) for key, curve in values["curves"].items()},
            stages={name: cls.from_dict(report) for name, report in values["stages"].items()},
            notes=tuple(values["notes"]),
        )


def table_lines(readings: Mapping[str, Reading]) -> list[str]:
    """One line for each reading: key, value, uncertainty, unit, and what limits it.

    What limits several readings becomes a numbered line at the end.
    """
    width = max((len(key) for key in readings), default=0)
    seen = [warning for reading in readings.values() for warning in reading.warnings]
    shared = [warning for warning in dict.fromkeys(seen) if seen.count(warning) > 1]

    def remarks(reading: Reading) -> str:
        return "; ".join(
            f"note {shared.index(warning) + 1}" if warning in shared else warning for warning in reading.warnings
        )

    lines = []
    for key, reading in readings.items():
        if reading.defined:
            value, doubt = figure_text(reading.value, reading.uncertainty)
            text = f"{value:>11} {doubt:<11} {reading.unit}"
            text += f"  [{remarks(reading)}]" if reading.warnings else ""
        else:
            text = f"{'undefined':>11} ({remarks(reading) or 'no reason given'})"
        lines.append(f"{key:<{width}} {text}".rstrip())
    return lines + [f"note {number}: {warning}" for number, warning in enumerate(shared, start=1)]


def bench(
    system: Callable[..., Any],
    *,
    sample_rate: float = 48_000,
    reference_level_dbfs: float = -18.0,
    seeds: Sequence[int] = (1, 2, 3),
    stages: Mapping[str, Callable[..., Any]] | None = None,
    rows: Sequence[str] | None = None,
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
    known = [row.name for row in STANDARD_SET]
    wanted = known if rows is None else list(rows)
    for name in wanted:
        if name not in known:
            raise MeasureError(f"there is no row {name!r} in the standard set; there are {', '.join(known)}")
    work = _Work(system, rate, float(reference_level_dbfs), tuple(int(seed) for seed in seeds), wanted)
    report = work.report()
    parts = {
        name: bench(stage, sample_rate=rate, reference_level_dbfs=reference_level_dbfs, seeds=seeds, rows=wanted)
        for name, stage in (stages or {}).items()
    }
    return Report(
        sample_rate=report.sample_rate,
        reference_level_dbfs=report.reference_level_dbfs,
        seeds=report.seeds,
        readings=report.readings,
        curves=report.curves,
        stages=parts,
        notes=report.notes,
    )


class _Work:
    """One run of the standard set."""

    def __init__(
        self,
        system: Callable[..., Any],
        rate: float,
        reference: float,
        seeds: tuple[int, ...],
        wanted: Sequence[str],
    ) -> None:
        self.rate = rate
        self.wanted = wanted
        self.reference = reference
        self.rows = {row.name: row for row in STANDARD_SET}
        self.notes: list[str] = []
        reseed = getattr(system, "with_seed", None)
        self.lock: threading.Lock | None = None
        if reseed is None:
            self.lock = threading.Lock()  # it may hold state
            self.seeds: tuple[int, ...] = ()
            self.systems = [as_system(system)]
        else:
            self.seeds = seeds
            self.systems = [as_system(reseed(seed)) for seed in seeds]

    def render(self, system: System, signal: FloatArray) -> FloatArray:
        if self.lock is None:
            return drive(system, signal, self.rate)
        with self.lock:
            return drive(system, signal, self.rate)

    def locked(self, system: System) -> System:
        return lambda audio, _: self.render(system, np.asarray(audio))

    def fits(self, row: Row) -> bool:
        # The highest product of the pair, 2 f2 - f1, must fit too.
        highest = max(row.frequencies_hz, default=0.0)
        products = (
            2.0 * highest - min(row.frequencies_hz, default=0.0) if row.name == "difference pair" else highest
        )
        return products < 0.48 * self.rate and (row.name != "silence" or self.rate >= 40_000.0)

    def report(self) -> Report:
        with ThreadPoolExecutor(max_workers=2) as pool:
            row = self.rows["sweep"]
            sweep = synchronised_sweep(
                self.rate,
                seconds=row.seconds,
                tail_seconds=_SWEEP_TAIL_SECONDS,
                level_dbfs=self.reference + row.level_db,
            )
            recordings = list(pool.map(lambda each: self.render(each, sweep.signal), self.systems[:2]))
            if len(recordings) > 1 and np.array_equal(recordings[0], recordings[1]):
                # Nothing in it is random, so more seeds would only repeat the same figures.
                self.systems, self.seeds = self.systems[:1], self.seeds[:1]
                self.notes.append("two seeds gave the same sound; one was used")
            response = response_from_sweep(recordings[0], sweep, reference_hz=1000.0)
            self.latency = response.arrival_seconds if math.isfinite(response.arrival_seconds) else 0.0
            self.decay_seconds = _rough_decay(response, self.rate)
            # A tone needs as long as the decay to become steady.
            self.settle = 0.5 + max(self.latency, 0.0) + min(self.decay_seconds, 3.0)
            jobs: dict[str, Any] = {"sweep": [pool.submit(_read_sweep, recordings[0], sweep, response)]}
            for name, read in self.readers().items():
                row = self.rows[name]
                if name not in self.wanted:
                    continue
                if not self.fits(row):
                    self.notes.append(f"{name} was left out: it does not fit a rate of {self.rate:g} Hz")
                    continue
                if name == "noise bursts" and self.decay_seconds <= _REVERBERANT_SECONDS:
                    self.notes.append(
                        f"the response is over within {_REVERBERANT_SECONDS:g} s: decay was not measured"
                    )
                    continue
                systems = self.systems if row.every_seed else self.systems[:1]
                jobs[name] = [pool.submit(read, row, each) for each in systems]
            found = {name: [job.result() for job in queue] for name, queue in jobs.items()}
        readings: dict[str, Reading] = {}
        curves: dict[str, Curve] = {}
        for results in found.values():
            curves.update(results[0][1])
            for key in results[0][0]:
                readings[key] = _combine([result[0][key] for result in results], self.seeds)
        return Report(
            sample_rate=self.rate,
            reference_level_dbfs=self.reference,
            seeds=self.seeds,
            readings=self.qualified(readings),
            curves=curves,
            notes=tuple(self.notes),
        )

    def readers(self) -> dict[str, Callable[[Row, System], _Found]]:
        return {
            "flutter tone": self.flutter_tone,
            "noise bursts": self.noise_bursts,
            "level steps": self.level_steps,
            "distortion tone": self.distortion_tone,
            "high tone": self.high_tone,
            "modulation pair": self.modulation_pair,
            "difference pair": self.difference_pair,
            "prime tone": self.prime_tone,
            "silence": self.silence,
        }

    def qualified(self, readings: dict[str, Reading]) -> dict[str, Reading]:
        """Readings with a warning where the rest of the system makes them mean something else."""
        known = dict(readings)
        if self.decay_seconds > _REVERBERANT_SECONDS:
            seconds = f"the system reverberates ({self.decay_seconds:.2g} s)"
            for key, reading in readings.items():
                if key in _MODULATION:
                    known[key] = _warned(
                        reading,
                        f"{seconds}: its beating counts as modulation; read the stage before the reverb",
                    )
                elif key in _EDGES and reading.defined:
                    known[key] = replace(reading, value=math.nan, warnings=(f"{seconds}: it has no edges",))
                elif key in _LINES:
                    known[key] = _warned(
                        reading, f"{seconds}: each line has the gain of the reverb at its frequency"
                    )
        unsteady = [
            known[key].value
            for key in ("unweighted_flutter_rms_percent", "amplitude_fluctuation_rms_percent")
            if key in known and known[key].defined
        ]
        if "aliasing_to_signal_db" in known and max(unsteady, default=0.0) > _STEADY_PERCENT:
            known["aliasing_to_signal_db"] = replace(
                known["aliasing_to_signal_db"],
                value=math.nan,
                warnings=(
                    "the system is not steady: its flutter or amplitude fluctuation would count as aliasing; "
                    "read the stage alone",
                ),
            )
        return known

    def tone(self, row: Row, frequency_hz: float) -> FloatArray:
        return steady_tone(
            self.rate,
            frequency_hz=frequency_hz,
            seconds=self.settle + row.seconds,
            level_dbfs=self.reference + row.level_db,
        )

    def settled(self, system: System, signal: FloatArray) -> FloatArray:
        return self.render(system, signal)[round(self.settle * self.rate) :]

    def flutter_tone(self, row: Row, system: System) -> _Found:
        recording = self.settled(system, self.tone(row, row.frequencies_hz[0]))
        speed = flutter(recording, self.rate, carrier_hz=row.frequencies_hz[0])
        depth = amplitude_fluctuation(recording, self.rate, carrier_hz=row.frequencies_hz[0]).channels[0]
        readings = {
            "weighted_flutter_percent": speed.weighted["two_sigma"],
            "unweighted_flutter_percent": speed.unweighted["two_sigma"],
            "weighted_flutter_quasi_peak_percent": speed.weighted["quasi_peak"],
            "weighted_flutter_rms_percent": speed.weighted["rms"],
            "unweighted_flutter_rms_percent": speed.unweighted["rms"],
            "wow_percent": speed.wow["two_sigma"],
            "flutter_percent": speed.flutter["two_sigma"],
            "drift_percent": speed.drift,
            "speed_error_percent": speed.speed_error,
            "amplitude_fluctuation_peak_percent": depth.depth["peak"],
            "amplitude_fluctuation_rms_percent": depth.depth["rms"],
            "level_fluctuation_peak_db": depth.level["peak"],
            "level_fluctuation_rms_db": depth.level["rms"],
            "dropouts_count": depth.dropout_count,
        }
        curves = {
            "deviation": speed.deviation,
            "deviation_spectrum": speed.spectrum,
            "amplitude_spectrum": depth.spectrum,
        }
        return readings, curves

    def high_tone(self, row: Row, system: System) -> _Found:
        recording = self.settled(system, self.tone(row, row.frequencies_hz[0]))
        scrape = scrape_flutter(recording, self.rate, carrier_hz=row.frequencies_hz[0])
        return (
            {"scrape_flutter_rms_percent": scrape.unweighted["rms"]},
            {"scrape_spectrum": scrape.spectrum},
        )

    def distortion_tone(self, row: Row, system: System) -> _Found:
        recording = self.settled(system, self.tone(row, row.frequencies_hz[0]))
        result = harmonic_distortion(recording, self.rate, frequency_hz=row.frequencies_hz[0])
        both = thd_plus_noise(recording, self.rate, frequency_hz=row.frequencies_hz[0])
        return _distortion_readings(result, both), {"harmonics": result.spectrum}

    def level_steps(self, row: Row, system: System) -> _Found:
        settle = 0.12 + max(self.latency, 0.0) + min(self.decay_seconds / 3.0, 0.8)
        result = distortion_against_level(
            self.locked(system),
            self.rate,
            frequency_hz=row.frequencies_hz[0],
            levels_dbfs=LEVELS_DBFS,
            step_seconds=settle + row.seconds,
            settle_seconds=settle,
        )
        level = result.operating_level
        return (
            {
                "mol_3_percent_dbfs": level,
                "mol_3_percent_db": Reading(
                    quantity="maximum operating level re the reference level",
                    value=level.value - self.reference,
                    unit="dB",
                    method=level.method,
                    conditions={**level.conditions, "reference_level_dbfs": self.reference},
                    uncertainty=level.uncertainty,
                    uncertainty_basis=level.uncertainty_basis,
                    warnings=level.warnings,
                ),
                "mol_3_percent_output_dbfs": result.operating_level_output,
            },
            {
                "thd_against_level": result.thd,
                "second_against_level": result.second,
                "third_against_level": result.third,
                "gain_against_level": result.gain,
            },
        )

    def pair(self, row: Row, system: System, low_to_high: float) -> FloatArray:
        low_hz, high_hz = row.frequencies_hz
        signal = two_tones(
            self.rate,
            low_hz=low_hz,
            high_hz=high_hz,
            low_to_high=low_to_high,
            seconds=self.settle + row.seconds,
            level_dbfs=self.reference + row.level_db,
        )
        return self.settled(system, signal)

    def modulation_pair(self, row: Row, system: System) -> _Found:
        low_hz, high_hz = row.frequencies_hz
        result = modulation_distortion(self.pair(row, system, 4.0), self.rate, low_hz=low_hz, high_hz=high_hz)
        return {
            "modulation_distortion_second_percent": result.second,
            "modulation_distortion_third_percent": result.third,
            "modulation_distortion_percent": result.single,
        }, {}

    def difference_pair(self, row: Row, system: System) -> _Found:
        low_hz, high_hz = row.frequencies_hz
        result = difference_frequency_distortion(
            self.pair(row, system, 1.0), self.rate, low_hz=low_hz, high_hz=high_hz
        )
        return {
            "difference_distortion_second_percent": result.second,
            "difference_distortion_third_percent": result.third,
        }, {}

    def prime_tone(self, row: Row, system: System) -> _Found:
        reading = aliasing_to_signal(
            self.locked(system),
            self.rate,
            frequency_hz=row.frequencies_hz[0],
            level_dbfs=min(self.reference + row.level_db, 0.0),
            seconds=row.seconds,
            settle_seconds=self.settle,
        )
        return {"aliasing_to_signal_db": reading}, {}

    def silence(self, row: Row, system: System) -> _Found:
        quiet = self.render(system, np.zeros(round(row.seconds * self.rate)))
        result = noise(quiet, self.rate, reference_dbfs=self.reference)
        return {
            "noise_unweighted_db": result.unweighted[0],
            "noise_a_weighted_db": result.a_weighted[0],
            "noise_468_db": result.itu468[0],
        }, {}

    def noise_bursts(self, row: Row, system: System) -> _Found:
        level = self.reference + row.level_db
        bursts = [
            noise_burst(
                self.rate,
                seconds=max(row.seconds, min(self.decay_seconds, 5.0)) + max(self.latency, 0.0),
                silence_seconds=max(row.seconds, min(1.2 * self.decay_seconds, 15.0)) + max(self.latency, 0.0),
                level_dbfs=level,
                seed=k,
            )
            for k in range(_BURSTS)
        ]
        recordings = [self.render(system, burst.signal) for burst in bursts]
        octaves = decay_of_noise(recordings, bursts[0], bands="octave", latency_seconds=self.latency)
        whole = decay_of_noise(recordings, bursts[0], bands="broadband", latency_seconds=self.latency)
        return _decay_readings((*whole.bands, *octaves.bands))


# Behind a reverb these count its beating, and
_MODULATION = frozenset(
    {
        "weighted_flutter_percent",
        "unweighted_flutter_percent",
        "weighted_flutter_quasi_peak_percent",
        "weighted_flutter_rms_percent",
        "unweighted_flutter_rms_percent",
        "wow_percent",
        "flutter_percent",
        "drift_percent",
        "speed_error_percent",
        "scrape_flutter_rms_percent",
        "amplitude_fluctuation_peak_percent",
        "amplitude_fluctuation_rms_percent",
        "level_fluctuation_peak_db",
        "level_fluctuation_rms_db",
        "dropouts_count",
    }
)
# these are edges of a magnitude that goes up and down everywhere, and
_EDGES = frozenset({"low_edge_hz", "high_edge_hz"})
# these are lines that it weights at random.
_LINES = frozenset(
    {
        "gain_1000hz_db",
        "level_reference_dbfs",
        "thd_reference_percent",
        "thd_r_reference_percent",
        "thd_plus_noise_reference_percent",
        *(f"harmonic_{k}_reference_{unit}" for k in range(2, 11) for unit in ("db", "degrees")),
        "mol_3_percent_dbfs",
        "mol_3_percent_db",
        "mol_3_percent_output_dbfs",
        "modulation_distortion_second_percent",
        "modulation_distortion_third_percent",
        "modulation_distortion_percent",
        "difference_distortion_second_percent",
        "difference_distortion_third_percent",
    }
)


def _rough_decay(response: Response, rate: float) -> float:
    """Decay time to plan by, from the impulse response; 0 for a system that does not reverberate."""
    if not math.isfinite(response.arrival_seconds):
        return 0.0
    # Later than the tail the noise of a deconvolved sweep thins out, which would look like a decay.
    heard = response.impulse_response[response.origin : response.origin + round(_SWEEP_TAIL_SECONDS * rate)]
    late = heard[round((max(response.arrival_seconds, 0.0) + _REVERBERANT_SECONDS / 2.0) * rate) :]
    if not float(np.sum(late**2)) > _AUDIBLE * float(np.sum(heard**2)):
        return 0.0
    found = [
        band.likelihood.value
        for band in decay_from_impulse(heard, rate, bands="octave").bands
        if band.likelihood.defined
    ]
    # The response of a band-limited system is over within milliseconds, and no band of it can be fitted.
    return float(np.median(found)) if len(found) >= 3 else 0.0


def _read_sweep(recording: FloatArray, sweep: SynchronisedSweep, response: Response) -> _Found:
    distortion = distortion_from_sweep(recording, sweep)
    readings = {
        "latency_samples": response.latency_samples,
        "latency_seconds": response.latency_seconds,
        "polarity": response.polarity,
        "gain_1000hz_db": response.gain,
        "low_edge_hz": response.low_edge,
        "high_edge_hz": response.high_edge,
    }
    curves = {
        "magnitude": response.magnitude,
        "phase": response.phase,
        "group_delay": response.group_delay,
        "thd_against_frequency": distortion.thd,
    }
    for k, order in enumerate(distortion.orders, start=2):
        curves[f"harmonic_{k}_against_frequency"] = order
    return readings, curves


def _distortion_readings(result: HarmonicDistortion, both: Reading) -> dict[str, Reading]:
    readings = {
        "level_reference_dbfs": result.level,
        "thd_reference_percent": result.thd_f,
        "thd_r_reference_percent": result.thd_r,
        "thd_plus_noise_reference_percent": both,
    }
    for k, (level, phase) in enumerate(zip(result.harmonics, result.phases, strict=True), start=2):
        readings[f"harmonic_{k}_reference_db"] = level
        readings[f"harmonic_{k}_reference_degrees"] = phase
    return readings


def _decay_readings(bands: Sequence[BandDecay]) -> _Found:
    readings: dict[str, Reading] = {}
    curves: dict[str, Curve] = {}
    for band in bands:
        name = band.band.replace(" Hz", "hz")
        readings[f"decay_{name}_seconds"] = band.likelihood
        readings[f"edt_{name}_seconds"] = band.edt
        readings[f"t20_{name}_seconds"] = band.t20
        readings[f"t30_{name}_seconds"] = band.t30
        curves[f"decay_{name}"] = band.curve
        curves[f"decay_{name}_fit"] = band.fit
        if band.fit.x.size and math.isfinite(band.floor_db):
            curves[f"decay_{name}_floor"] = Curve(
                quantity=f"floor, {band.band}",
                x=band.fit.x[[0, -1]],
                y=np.full(2, band.floor_db),
                x_name="time",
                x_unit="s",
                y_unit="dB",
            )
    return readings, curves


def _combine(readings: Sequence[Reading], seeds: Sequence[int]) -> Reading:
    """Mean over seeds; the spread is the uncertainty where it exceeds that of theory."""
    if len(readings) == 1:
        return readings[0]
    known = [reading for reading in readings if reading.defined]
    if not known:
        return readings[0]
    values = np.array([reading.value for reading in known])
    spread = float(np.std(values, ddof=1)) if len(values) > 1 else math.nan
    theory = max((reading.uncertainty for reading in known if math.isfinite(reading.uncertainty)), default=0.0)
    warnings = list(dict.fromkeys(warning for reading in known for warning in reading.warnings))
    lost = [seed for seed, reading in zip(seeds, readings, strict=True) if not reading.defined]
    if lost:
        reason = next(reading for reading in readings if not reading.defined).warnings
        warnings.append(f"undefined for seed {', '.join(map(str, lost))}: {'; '.join(reason)}")
    return replace(
        known[0],
        value=float(np.mean(values)),
        uncertainty=max(spread, theory) if math.isfinite(spread) else theory,
        uncertainty_basis=f"repeats: standard deviation over {len(known)} seeds (theory alone: {theory:.2g})",
        warnings=tuple(warnings),
        conditions={**known[0].conditions, "repeats": len(known)},
    )


def _warned(reading: Reading, warning: str) -> Reading:
    return replace(reading, warnings=(*reading.warnings, warning))
