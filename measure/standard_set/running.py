"""Running a row: its signal goes through a system, and what comes back is read for all that it can tell."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from measure.keys import (
    Found,
    decay_figures,
    difference_figures,
    modulation_figures,
    print_figures,
    saturation_figures,
    scrape_figures,
    slow_sweep_figures,
    steady_tone_figures,
)
from measure.parts.signals import noise_burst, steady_tone, two_tones
from measure.quantities.amplitude import amplitude_fluctuation
from measure.quantities.azimuth import azimuth
from measure.quantities.crosstalk import crosstalk
from measure.quantities.decay import decay_of_noise
from measure.quantities.distortion import (
    aliasing_to_signal,
    difference_frequency_distortion,
    distortion_against_level,
    harmonic_distortion,
    modulation_distortion,
    thd_plus_noise,
)
from measure.quantities.flutter import flutter, scrape_flutter
from measure.quantities.level import noise
from measure.quantities.modulation_noise import modulation_noise
from measure.quantities.noise_bands import noise_bands
from measure.quantities.print_through import print_through
from measure.quantities.saturation import saturation
from measure.quantities.slow_sweep import slow_response
from measure.results import Reading
from measure.standard_set.rows import LEVELS_DBFS, Row
from measure.validation import FloatArray, System

__all__ = ["READERS", "Setting"]

_BURSTS = 4


@dataclass(frozen=True, kw_only=True)
class Setting:
    """What all rows of one system share.

    Attributes
    ----------
    rate : float
        Samples per second.
    reference_dbfs : float
        Reference level.
    latency_seconds, decay_seconds : float
        Of the system, as its sweep told; 0 where it has none.
    reverberates : bool
        Whether its decay is read, and counts against other figures.
    """

    rate: float
    reference_dbfs: float
    latency_seconds: float
    decay_seconds: float
    reverberates: bool

    @property
    def settle_seconds(self) -> float:
        """Time after which a tone is steady: half a second, the latency, and the decay time up to 3 s."""
        return 0.5 + max(self.latency_seconds, 0.0) + min(self.decay_seconds, 3.0)

    @property
    def step_settle_seconds(self) -> float:
        """Time after which a step of level is steady; shorter, because the tone sounds on."""
        return 0.12 + max(self.latency_seconds, 0.0) + min(self.decay_seconds / 3.0, 0.8)

    def settled(self, system: System, signal: FloatArray) -> FloatArray:
        """What comes back of a signal once it is steady."""
        return system(signal, self.rate)[round(self.settle_seconds * self.rate) :]

    def tone(self, row: Row, system: System) -> FloatArray:
        """What comes back of the tone of a row."""
        signal = steady_tone(
            self.rate,
            frequency_hz=row.frequencies_hz[0],
            seconds=self.settle_seconds + row.seconds,
            level_dbfs=self.reference_dbfs + row.level_db,
        )
        return self.settled(system, signal)

    def pair(self, row: Row, system: System, low_to_high: float) -> FloatArray:
        """What comes back of the pair of tones of a row."""
        low_hz, high_hz = row.frequencies_hz
        signal = two_tones(
            self.rate,
            low_hz=low_hz,
            high_hz=high_hz,
            low_to_high=low_to_high,
            seconds=self.settle_seconds + row.seconds,
            level_dbfs=self.reference_dbfs + row.level_db,
        )
        return self.settled(system, signal)


def _flutter_tone(row: Row, setting: Setting, system: System) -> Found:
    (carrier_hz,) = row.frequencies_hz
    recording = setting.tone(row, system)
    speed = flutter(recording, setting.rate, carrier_hz=carrier_hz)
    depth = amplitude_fluctuation(recording, setting.rate, carrier_hz=carrier_hz).channels[0]
    return steady_tone_figures(speed, depth)


def _high_tone(row: Row, setting: Setting, system: System) -> Found:
    recording = setting.tone(row, system)
    return scrape_figures(scrape_flutter(recording, setting.rate, carrier_hz=row.frequencies_hz[0]))


def _distortion_tone(row: Row, setting: Setting, system: System) -> Found:
    (frequency_hz,) = row.frequencies_hz
    recording = setting.tone(row, system)
    result = harmonic_distortion(recording, setting.rate, frequency_hz=frequency_hz)
    readings = {
        "level_reference_dbfs": result.level,
        "thd_reference_percent": result.thd_f,
        "thd_r_reference_percent": result.thd_r,
        "thd_plus_noise_reference_percent": thd_plus_noise(recording, setting.rate, frequency_hz=frequency_hz),
    }
    for k, (level, phase) in enumerate(zip(result.harmonics, result.phases, strict=True), start=2):
        readings[f"harmonic_{k}_reference_db"] = level
        readings[f"harmonic_{k}_reference_degrees"] = phase
    return readings, {"harmonics": result.spectrum}


def _level_steps(row: Row, setting: Setting, system: System) -> Found:
    settle = setting.step_settle_seconds
    result = distortion_against_level(
        system,
        setting.rate,
        frequency_hz=row.frequencies_hz[0],
        levels_dbfs=LEVELS_DBFS,
        step_seconds=settle + row.seconds,
        settle_seconds=settle,
    )
    readings = {
        "mol_3_percent_dbfs": result.operating_level,
        "mol_3_percent_db": _above_reference(result.operating_level, setting.reference_dbfs),
        "mol_3_percent_output_dbfs": result.operating_level_output,
    }
    curves = {
        "thd_against_level": result.thd,
        "second_against_level": result.second,
        "third_against_level": result.third,
        "gain_against_level": result.gain,
    }
    return readings, curves


def _above_reference(level: Reading, reference_dbfs: float) -> Reading:
    return Reading(
        quantity="maximum operating level re the reference level",
        value=level.value - reference_dbfs,
        unit="dB",
        method=level.method,
        conditions={**level.conditions, "reference_level_dbfs": reference_dbfs},
        uncertainty=level.uncertainty,
        uncertainty_basis=level.uncertainty_basis,
        warnings=level.warnings,
    )


def _slow_sweep(row: Row, setting: Setting, system: System) -> Found:
    result = slow_response(
        system,
        setting.rate,
        seconds=row.seconds,
        level_dbfs=setting.reference_dbfs + row.level_db,
        latency_seconds=max(setting.latency_seconds, 0.0),
    )
    return slow_sweep_figures(result)


def _loud_tones(row: Row, setting: Setting, system: System) -> Found:
    settle = setting.step_settle_seconds
    result = saturation(
        system,
        setting.rate,
        frequencies_hz=row.frequencies_hz,
        reference_level_dbfs=setting.reference_dbfs + row.level_db,
        step_seconds=settle + row.seconds,
        settle_seconds=settle,
    )
    return saturation_figures(result)


def _modulation_pair(row: Row, setting: Setting, system: System) -> Found:
    low_hz, high_hz = row.frequencies_hz
    recording = setting.pair(row, system, 4.0)
    return modulation_figures(modulation_distortion(recording, setting.rate, low_hz=low_hz, high_hz=high_hz))


def _difference_pair(row: Row, setting: Setting, system: System) -> Found:
    low_hz, high_hz = row.frequencies_hz
    recording = setting.pair(row, system, 1.0)
    return difference_figures(
        difference_frequency_distortion(recording, setting.rate, low_hz=low_hz, high_hz=high_hz)
    )


def _prime_tone(row: Row, setting: Setting, system: System) -> Found:
    reading = aliasing_to_signal(
        system,
        setting.rate,
        frequency_hz=row.frequencies_hz[0],
        level_dbfs=min(setting.reference_dbfs + row.level_db, 0.0),
        seconds=row.seconds,
        settle_seconds=setting.settle_seconds,
    )
    return {"aliasing_to_signal_db": reading}, {}


def _silence(row: Row, setting: Setting, system: System) -> Found:
    quiet = system(np.zeros(round(row.seconds * setting.rate)), setting.rate)
    result = noise(quiet, setting.rate, reference_dbfs=setting.reference_dbfs)
    return {
        "noise_unweighted_db": result.unweighted[0],
        "noise_a_weighted_db": result.a_weighted[0],
        "noise_468_db": result.itu468[0],
    }, {"noise_third_octaves": noise_bands(quiet, setting.rate, reference_dbfs=setting.reference_dbfs).levels}


def _roughened_tone(row: Row, setting: Setting, system: System) -> Found:
    recording = setting.tone(row, system)
    quiet = system(np.zeros(round(row.seconds * setting.rate)), setting.rate)
    (frequency_hz,) = row.frequencies_hz
    reading = modulation_noise(recording, setting.rate, silence=quiet, frequency_hz=frequency_hz)
    return {"modulation_noise_db": reading}, {}


def _noise_bursts(row: Row, setting: Setting, system: System) -> Found:
    late, decay = max(setting.latency_seconds, 0.0), setting.decay_seconds
    bursts = [
        noise_burst(
            setting.rate,
            seconds=max(row.seconds, min(decay, 5.0)) + late,
            silence_seconds=max(row.seconds, min(1.2 * decay, 15.0)) + late,
            level_dbfs=setting.reference_dbfs + row.level_db,
            seed=k,
        )
        for k in range(_BURSTS)
    ]
    recordings = [system(burst.signal, setting.rate) for burst in bursts]
    # What slower neighbouring bands add to an octave is the same in every run: here it is no uncertainty.
    octaves = decay_of_noise(
        recordings, bursts[0], bands="octave", latency_seconds=setting.latency_seconds, neighbours=False
    )
    whole = decay_of_noise(recordings, bursts[0], bands="broadband", latency_seconds=setting.latency_seconds)
    return decay_figures((*whole.bands, *octaves.bands))


def _two_tracks(row: Row, setting: Setting, system: System) -> Found:
    (frequency_hz,) = row.frequencies_hz
    signal = steady_tone(
        setting.rate,
        frequency_hz=frequency_hz,
        seconds=setting.settle_seconds + row.seconds,
        level_dbfs=setting.reference_dbfs + row.level_db,
    )
    heard = system(np.stack([signal, signal]), setting.rate)
    result = azimuth(
        heard[:, round(setting.settle_seconds * setting.rate) :], setting.rate, frequency_hz=frequency_hz
    )
    return {"azimuth_delay_us": result.delay, "azimuth_wander_us": result.wander}, {"azimuth": result.course}


def _one_track(row: Row, setting: Setting, system: System) -> Found:
    result = crosstalk(
        system,
        setting.rate,
        level_dbfs=setting.reference_dbfs + row.level_db,
        settle_seconds=setting.settle_seconds,
    )
    readings = {f"crosstalk_{hz:.0f}hz_db": level for hz, level in zip(result.curve.x, result.levels, strict=True)}
    return readings, {"crosstalk": result.curve}


def _short_tone(row: Row, setting: Setting, system: System) -> Found:
    result = print_through(
        system,
        setting.rate,
        frequency_hz=row.frequencies_hz[0],
        level_dbfs=setting.reference_dbfs + row.level_db,
        longest_seconds=row.seconds,
    )
    return print_figures(result)


READERS: Mapping[str, Callable[[Row, Setting, System], Found]] = MappingProxyType(
    {
        "flutter tone": _flutter_tone,
        "noise bursts": _noise_bursts,
        "loud tones": _loud_tones,
        "slow sweep": _slow_sweep,
        "level steps": _level_steps,
        "distortion tone": _distortion_tone,
        "high tone": _high_tone,
        "modulation pair": _modulation_pair,
        "difference pair": _difference_pair,
        "prime tone": _prime_tone,
        "silence": _silence,
        "roughened tone": _roughened_tone,
        "two tracks": _two_tracks,
        "one track": _one_track,
        "short tone": _short_tone,
    }
)
"""How each row but the sweep is run, in the order in which they start: those that take longest come first."""
