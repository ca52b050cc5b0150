"""What a recorded test signal tells about the machine that recorded it."""

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from measure.keys import (
    Found,
    difference_figures,
    modulation_figures,
    print_figures,
    scrape_figures,
    steady_tone_figures,
)
from measure.parts.spectrum import find_tone, power_spectrum
from measure.quantities.amplitude import amplitude_fluctuation
from measure.quantities.azimuth import azimuth
from measure.quantities.crosstalk import CROSSTALK_HZ, crosstalk_of_tracks
from measure.quantities.distortion import (
    difference_frequency_distortion,
    harmonic_distortion,
    modulation_distortion,
    thd_plus_noise,
)
from measure.quantities.flutter import flutter, scrape_flutter
from measure.quantities.level import level
from measure.quantities.print_through import print_through_of_recording
from measure.recorded_sequences import Recognised, between_tracks, pair_of_tracks, recognised, sent_to_several
from measure.report import Report
from measure.results import Curve, Reading
from measure.validation import FloatArray, check_rate, check_signal, unusable

__all__ = ["read_recording", "trimmed"]

_FLUTTER_HZ = (3150.0, 3000.0)
_HIGH_HZ = (9_500.0, 13_000.0)
_PAIRS = {"modulation": (60.0, 7_000.0), "difference": (19_000.0, 20_000.0)}
_BURST_HZ, _BURST_LASTS_SECONDS, _BURST_SHARE = 1000.0, 0.3, 0.95
_FAINT = 0.01  # power of the fainter track re the louder, below which a tone was sent to the louder alone
_LEVEL_SHARE, _MOVEMENT_SHARE = 0.2, 0.5  # of the time that a tone takes; a guess, for whoever waits
_NEAR = 0.03  # how far a tape may run wrong


def read_recording(
    signal: "npt.ArrayLike",
    sample_rate: float,
    *,
    reference_level_dbfs: float = -18.0,
    progress: Callable[[float], None] = lambda _: None,
) -> Report:
    """Read all quantities that a recorded test signal allows.

    Parameters
    ----------
    signal : array_like, shape (samples,) or (channels, samples)
        Recording of one of the signals that ``python -m measure signals`` writes, or of any steady tone. What is
        silent before and after is left out. Channels are tracks of one tape side by side, in their order: of two
        neighbours, a tone on both tells azimuth, and one that is 20 dB fainter on one of them, crosstalk. Of more
        than two tracks the pair is part of the key, as in ``crosstalk_1000hz_db_from_2_to_1``.
    sample_rate : float
        Samples per second.
    reference_level_dbfs : float
        Level that the signals were written with as the reference; tones at rising levels alone need it.
    progress : callable
        Is told what share of the channels' figures is done, from 0 to 1.

    Returns
    -------
    Report
        Readings of one channel; for several, each channel is one of the report's `stages`, and the report itself
        holds what they have in common.
    """
    channels, rate = check_signal(signal, channels=True), check_rate(sample_rate)
    loud = int(np.argmax([_power_of(samples) for samples in channels]))
    found = recognised(channels[loud], rate) if _power_of(channels[loud]) > 0.0 else None
    reports = []
    for place, samples in enumerate(channels):
        share_done = partial(_told_of_one, progress, place, len(channels))
        readings, curves, notes = _channel(samples, rate, found, reference_level_dbfs, share_done)
        share_done(1.0)
        reports.append(
            Report(
                sample_rate=rate,
                reference_level_dbfs=_level_of(readings),
                seeds=(),
                readings=readings,
                curves=curves,
                notes=notes,
            )
        )
    if len(reports) == 1:
        return reports[0]
    together = level(channels, rate)
    shared = {"loudness_lufs": together.loudness}
    beside, courses = _between_tracks(channels, rate) if found is None else ({}, {})
    notes = ()
    if found is not None and found.tones:
        (beside, courses), told = between_tracks(channels, rate, found, loud)
        notes = (told,)
    shared |= beside
    if all("amplitude_fluctuation_rms_percent" in report.readings for report in reports):
        bounds = [_extent(samples, rate) for samples in channels]
        start, stop = max(bound[0] for bound in bounds), min(bound[1] for bound in bounds)
        if stop > start:
            pairs = amplitude_fluctuation(channels[:, start:stop], rate).correlation
            shared |= {f"amplitude_correlation_{i}": reading for i, reading in enumerate(pairs, start=1)}
    return Report(
        sample_rate=rate,
        reference_level_dbfs=reports[0].reference_level_dbfs,
        seeds=(),
        readings=shared,
        curves=courses,
        stages={f"channel {i}": report for i, report in enumerate(reports, start=1)},
        notes=notes,
    )


def _told_of_one(progress: Callable[[float], None], place: int, count: int, share: float) -> None:
    progress((place + share) / count)


def _power_of(samples: FloatArray) -> float:
    """Mean square; 0 of what is empty or not finite."""
    if not samples.size or not np.all(np.isfinite(samples)):
        return 0.0
    return float(np.mean(np.square(samples)))


def trimmed(signal: FloatArray, sample_rate: float) -> FloatArray:
    """Return the part of a recording in which the signal is there, less a quarter of a second at its ends."""
    start, stop = _extent(signal, sample_rate)
    return signal[start:stop]


def _extent(signal: FloatArray, rate: float) -> tuple[int, int]:
    block = max(1, round(0.02 * rate))
    count = len(signal) // block
    if count < 4 or not np.any(signal) or not np.all(np.isfinite(signal)):
        return 0, len(signal)
    # Squares of what is far below any sound would be zero.
    scaled = signal[: count * block] / np.max(np.abs(signal))
    power = np.mean(scaled.reshape(count, block) ** 2, axis=1)
    # Within 20 dB of the loud half: a dropout in the middle stays, silence at the ends goes.
    there = np.flatnonzero(power > 0.01 * np.percentile(power, 90))
    if not there.size:  # all that sounds lies behind the last whole block
        return 0, len(signal)
    start, stop = int(there[0]) * block, (int(there[-1]) + 1) * block
    margin = round(0.25 * rate)
    if start > 0 and stop - start > 8 * margin:
        start += margin
    if stop < count * block and stop - start > 8 * margin:
        stop -= margin
    return start, len(signal) if stop >= count * block else stop


def _level_of(readings: dict[str, Reading]) -> float:
    tone = readings.get("level_dbfs")
    return tone.value if tone is not None and tone.defined else 0.0


def _channel(
    samples: FloatArray,
    rate: float,
    recognised_: Recognised | None,
    reference_level_dbfs: float,
    told: Callable[[float], None],
) -> tuple[dict[str, Reading], dict[str, Curve], tuple[str, ...]]:
    y = trimmed(samples, rate)
    notes = []
    if len(y) < len(samples):
        notes.append(f"{(len(samples) - len(y)) / rate:.2f} s at the ends were left out")
    overall = level(samples, rate)
    told(_LEVEL_SHARE)
    readings = {
        "peak_dbfs": overall.peak[0],
        "true_peak_dbtp": overall.true_peak[0],
        "rms_dbfs": overall.rms[0],
    }
    if unusable(y):
        return readings, {}, (*notes, unusable(y))
    if recognised_ is not None:
        figures, courses = recognised_.read(samples, rate, recognised_.placed, reference_level_dbfs)
        return readings | figures, courses, (recognised_.note,)
    if _is_burst(samples, rate):
        echoes, course = print_figures(print_through_of_recording(samples, rate, frequency_hz=_BURST_HZ))
        return readings | echoes, course, ()
    found = _pair(y, rate)
    if found is not None:
        return readings | found[0], found[1], tuple(notes)
    moving, curves, lines = _movement(y, rate)
    told(_MOVEMENT_SHARE)
    harmonic, spectrum = _harmonics(y, rate)
    return readings | moving | harmonic, curves | spectrum, (*notes, *lines)


def _is_burst(samples: FloatArray, rate: float) -> bool:
    """Whether a recording holds one short tone of 1 kHz with silence around, as print-through is read from."""
    window = round(_BURST_LASTS_SECONDS * rate)
    if len(samples) < 4 * window or not np.all(np.isfinite(samples)):
        return False
    energy = np.concatenate([[0.0], np.cumsum(np.square(samples))])
    inside = energy[window:] - energy[:-window]
    start = int(np.argmax(inside))
    if not inside[start] > _BURST_SHARE * energy[-1]:
        return False
    part = samples[start : start + window]
    middle = int(np.sum(np.square(part) * np.arange(window)) / np.sum(np.square(part)))
    reach = round(0.1 * _BURST_LASTS_SECONDS * rate)
    tone = find_tone(part[max(middle - reach, 0) : middle + reach], rate)
    return bool(abs(tone / _BURST_HZ - 1.0) < 2.0 * _NEAR)


def _between_tracks(channels: FloatArray, rate: float) -> Found:
    """What a tone tells of neighbouring tracks: of the head where both have it, else of crosstalk."""
    if not channels.size:
        return {}, {}
    powers = [float(np.mean(np.square(samples))) for samples in channels]
    if not (np.all(np.isfinite(channels)) and max(powers) > 0.0):
        return {}, {}
    loud = int(np.argmax(powers))
    start, stop = _extent(channels[loud], rate)
    tracks = channels[:, start:stop]
    if unusable(tracks[loud]) or _is_burst(channels[loud], rate):
        return {}, {}
    frequency, power = power_spectrum(tracks[loud], rate)
    tone = find_tone(tracks[loud], rate)
    near = np.abs(frequency - tone) <= max(_NEAR * tone, 4.0 * rate / tracks.shape[1])
    if not (tone <= 0.45 * rate and float(np.sum(power[near])) > 0.7 * float(np.sum(power))):
        return {}, {}
    # Flutter moves the highest line of the spectrum, but not the middle of its power: the mean frequency.
    mean_hz = float(np.sum(frequency[near] * power[near]) / np.sum(power[near]))
    shares = np.array([float(np.sum(power_spectrum(track, rate)[1][near])) for track in tracks])
    has_tone = shares >= _FAINT * shares[loud]
    sent = [number for number, there in enumerate(has_tone) if there]
    readings: dict[str, Reading] = {}
    courses: dict[str, Curve] = {}
    for first, second in pairwise(range(len(tracks))):
        if has_tone[first] and has_tone[second]:
            if tone < 125.0:  # frames of azimuth hold five periods
                continue
            pair = pair_of_tracks(first, second, len(tracks))
            result = azimuth(tracks[[first, second]], rate, frequency_hz=mean_hz)
            readings[f"azimuth_delay_us{pair}"] = result.delay
            readings[f"azimuth_wander_us{pair}"] = result.wander
            courses[f"azimuth{pair}"] = result.course
        elif has_tone[first] or has_tone[second]:
            to, by = (second, first) if has_tone[first] else (first, second)
            heard = crosstalk_of_tracks(tracks[by], tracks[to], rate, frequency_hz=tone)
            if len(sent) > 1:
                heard = replace(heard, value=math.nan, uncertainty=math.nan, warnings=(sent_to_several(sent),))
            key = f"crosstalk_{_nominal(tone):.0f}hz_db{pair_of_tracks(by, to, len(tracks))}"
            readings[key] = heard
    return readings, courses


def _nominal(tone_hz: float) -> float:
    """The octave at which crosstalk is read by name, where a tape that runs wrong may have made the tone of it."""
    near = min(CROSSTALK_HZ, key=lambda hz: abs(tone_hz / hz - 1.0))
    return near if abs(tone_hz / near - 1.0) < _NEAR else tone_hz


def _pair(y: FloatArray, rate: float) -> Found | None:
    """What a pair of tones tells; None where the recording holds none."""
    for name, (low_hz, high_hz) in _PAIRS.items():
        if high_hz * (1.0 + _NEAR) < 0.47 * rate and _holds_pair(y, rate, low_hz, high_hz):
            if name == "modulation":
                return modulation_figures(modulation_distortion(y, rate, low_hz=low_hz, high_hz=high_hz))
            return difference_figures(difference_frequency_distortion(y, rate, low_hz=low_hz, high_hz=high_hz))
    return None


def _movement(y: FloatArray, rate: float) -> tuple[dict[str, Reading], dict[str, Curve], list[str]]:
    """What a tone for flutter or scrape flutter tells about speed and level, and a note for each steady line."""
    tone = find_tone(y, rate)
    near = [nominal for nominal in _FLUTTER_HZ if abs(tone / nominal - 1.0) < _NEAR]
    if near:
        nominal = min(near, key=lambda each: abs(tone / each - 1.0))
        speed = flutter(y, rate, carrier_hz=nominal)
        depth = amplitude_fluctuation(y, rate, carrier_hz=nominal).channels[0]
        notes = [
            f"line at {line.rate_hz:.4g} Hz: {line.peak_percent:.3g} % peak deviation" for line in speed.lines[:8]
        ]
        return *steady_tone_figures(speed, depth), notes
    if _HIGH_HZ[0] < tone < _HIGH_HZ[1]:
        nominal = min((10_000.0, 12_500.0), key=lambda hz: abs(tone / hz - 1.0))
        return *scrape_figures(scrape_flutter(y, rate, carrier_hz=nominal)), []
    return {}, {}, []


def _harmonics(y: FloatArray, rate: float) -> Found:
    """What any steady tone tells about distortion."""
    result = harmonic_distortion(y, rate)
    readings = {
        "frequency_hz": result.frequency,
        "level_dbfs": result.level,
        "thd_percent": result.thd_f,
        "thd_r_percent": result.thd_r,
        "thd_plus_noise_percent": thd_plus_noise(y, rate),
        **{f"harmonic_{k}_db": harmonic for k, harmonic in enumerate(result.harmonics, start=2)},
    }
    return readings, {"harmonics": result.spectrum} if result.level.defined else {}


def _holds_pair(signal: FloatArray, rate: float, low_hz: float, high_hz: float) -> bool:
    """Whether two tones of nearly these frequencies hold most of the power, and both a good part of it."""
    frequencies, power = power_spectrum(signal, rate)
    total = float(np.sum(power[frequencies > 10.0]))
    shares = []
    for line in (low_hz, high_hz):
        around = (frequencies > line * (1.0 - 0.6 * _NEAR)) & (frequencies < line * (1.0 + 0.6 * _NEAR))
        shares.append(float(np.sum(power[around])) / total if total > 0.0 else 0.0)
    return sum(shares) > 0.7 and min(shares) > 0.01
