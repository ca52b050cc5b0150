"""What a recording of one of the longer test signals tells: sweep, rising levels, octaves, tones and silence."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from measure.keys import Found, saturation_figures, slow_sweep_figures
from measure.parts.clipping import clipped
from measure.parts.line_power import line_power
from measure.parts.signals import SynchronisedSweep
from measure.parts.sweep_place import file_sweep, place_sweep
from measure.parts.tone_sequences import (
    CROSSTALK_TONES,
    LEVEL_STEPS,
    NOISE_SILENCE_SECONDS,
    NOISE_TONES,
    Placed,
    SentTone,
    place_sequence,
    sequence_seconds,
)
from measure.quantities.crosstalk import crosstalk_of_tracks
from measure.quantities.level import noise
from measure.quantities.modulation_noise import modulation_noise
from measure.quantities.noise_bands import noise_bands
from measure.quantities.saturation import saturation_of_recording
from measure.quantities.slow_sweep import slow_response_of_recording
from measure.results import Curve, Reading, undefined
from measure.validation import FloatArray

__all__ = ["Recognised", "between_tracks", "pair_of_tracks", "recognised", "sent_to_several"]

_EDGE_SECONDS = 0.15  # left out at the ends of what was placed to a few hundredths of a second
_MARGIN_SECONDS = 0.3  # after a tone, until what is left of it has died away
_LEAST_SILENCE_SECONDS = 3.0
_ONE_TONE, _BAND_SHARE = 0.95, 0.03
_FAINT = 0.1  # level of the fainter track re the louder one, below which a tone was sent to the louder alone


@dataclass(frozen=True, kw_only=True)
class Recognised:
    """A test signal that was found in a recording.

    Attributes
    ----------
    name : str
        Which one, in words.
    placed : Placed
        Where it lies, and at which speed.
    read : callable
        ``(samples, rate, placed, reference_dbfs) -> Found``, for one channel.
    tones : tuple of SentTone
        Those that were sent to one track, for crosstalk; empty for other signals.
    """

    name: str
    placed: Placed
    read: Callable[[FloatArray, float, Placed, float], Found]
    tones: tuple[SentTone, ...] = ()

    @property
    def note(self) -> str:
        """What was found, in a sentence."""
        return (
            f"found: {self.name}, from {self.placed.begins_seconds:.2f} s on, "
            f"{100.0 * (self.placed.speed_ratio - 1.0):+.2f} % off speed"
        )


def recognised(samples: FloatArray, sample_rate: float) -> Recognised | None:
    """Find one of the longer test signals.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        One channel, the loudest; finite.
    sample_rate : float
        Samples per second.
    """
    if _is_one_tone(samples, sample_rate):
        return None
    placed = place_sweep(samples, sample_rate, _sweep(sample_rate))
    if placed is not None:
        return Recognised(name="the slow sweep", placed=placed, read=_read_sweep)
    for name, tones, read in (
        ("tones at rising levels", LEVEL_STEPS, _read_steps),
        ("octaves for crosstalk", CROSSTALK_TONES, _read_nothing),
        ("reference tone and silence", NOISE_TONES, _read_noise),
    ):
        placed = place_sequence(samples, sample_rate, tones)
        if placed is not None:
            own = tones if tones is CROSSTALK_TONES else ()
            return Recognised(name=name, placed=placed, read=read, tones=own)
    return None


def _is_one_tone(samples: FloatArray, rate: float) -> bool:
    """Whether one line holds nearly all of the power: then it is no sequence, which takes longer to find out."""
    # No window: a tone at the beginning counts as much as one in the middle.
    power = np.square(np.abs(np.fft.rfft(samples)))
    frequency = np.fft.rfftfreq(len(samples), 1.0 / rate)
    line = frequency[int(np.argmax(power))]
    return bool(float(np.sum(power[np.abs(frequency - line) <= _BAND_SHARE * line])) > _ONE_TONE * np.sum(power))


def pair_of_tracks(first: int, second: int, tracks: int) -> str:
    """How a pair of tracks, counted from 0, ends a key: not at all where there is but one pair."""
    return f"_from_{first + 1}_to_{second + 1}" if tracks > 2 else ""


def sent_to_several(sent: Sequence[int]) -> str:
    """Why crosstalk is not read where several tracks, counted from 0, have the tone."""
    names = [f"{number + 1}" for number in sent]
    these = f"{', '.join(names[:-1])} and {names[-1]}"
    return f"the tone is on tracks {these}, which are heard together; send it to one track alone"


def between_tracks(channels: FloatArray, sample_rate: float, found: Recognised, loud: int) -> tuple[Found, str]:
    """Crosstalk by frequency from one track to those beside it, and what is to be said of it.

    Parameters
    ----------
    channels : ndarray, shape (two or more, samples)
        Tracks of one tape, side by side in their order.
    sample_rate : float
        Samples per second.
    found : Recognised
        In the loudest one.
    loud : int
        Which that is.
    """
    readings: dict[str, Reading] = {}
    curves: dict[str, Curve] = {}
    beside = [track for track in (loud - 1, loud + 1) if 0 <= track < len(channels)]
    apart = [track for track in range(len(channels)) if track != loud and track not in beside]
    for track in beside:
        pair = pair_of_tracks(loud, track, len(channels))
        levels = _crosstalk_levels(channels, sample_rate, found, (loud, track, *apart))
        readings |= {f"crosstalk_{each.frequency_hz:.0f}hz_db{pair}": reading for each, reading in levels}
        curves[f"crosstalk{pair}"] = Curve(
            quantity="crosstalk",
            x=np.array([each.frequency_hz for each, _ in levels]),
            y=np.array([reading.value for _, reading in levels]),
            x_name="frequency",
            x_unit="Hz",
            y_unit="dB",
            uncertainty=np.array([reading.uncertainty for _, reading in levels]),
            method="a tone on one channel, found in the other by regression of spectra",
            conditions={"sample_rate_hz": sample_rate, "speed": round(found.placed.speed_ratio, 5)},
            warnings=tuple(dict.fromkeys(warning for _, reading in levels for warning in reading.warnings)),
        )
    to = " and ".join(f"{track + 1}" for track in beside)
    return (readings, curves), f"crosstalk from channel {loud + 1} to channel{'s' * (len(beside) > 1)} {to}"


def _crosstalk_levels(
    channels: FloatArray, sample_rate: float, found: Recognised, tracks: tuple[int, ...]
) -> list[tuple[SentTone, Reading]]:
    """Crosstalk at each tone that the rate holds; `tracks`: of the tone, its neighbour, and those apart."""
    levels = []
    for each in found.tones:
        hz = each.frequency_hz * found.placed.speed_ratio
        if hz > 0.45 * sample_rate:
            continue
        since, until = (
            each.begins_seconds + _EDGE_SECONDS,
            each.begins_seconds + each.lasts_seconds - _EDGE_SECONDS,
        )
        sent, heard, *others = (found.placed.part(channels[track], since, until, sample_rate) for track in tracks)
        name = f"crosstalk at {each.frequency_hz:g} Hz"
        if not sent.size:
            reading = undefined(name, "dB", "the recording does not hold that tone", {})
        elif reason := clipped(sent):
            reading = undefined(name, "dB", reason, {})
        else:
            reading = replace(crosstalk_of_tracks(sent, heard, sample_rate, frequency_hz=hz), quantity=name)
            why = ""
            if reading.defined and reading.value > 20.0 * math.log10(_FAINT):
                why = "the tone is on both tracks; crosstalk is read from one that was sent to one track alone"
            elif also := [
                track
                for track, samples in zip(tracks[2:], others, strict=True)
                if _share(sent, samples, sample_rate, hz) > _FAINT
            ]:
                why = sent_to_several(sorted((tracks[0], *also)))
            if why:
                reading = replace(reading, value=math.nan, uncertainty=math.nan, warnings=(why,))
        levels.append((each, reading))
    return levels


def _share(sent: FloatArray, heard: FloatArray, sample_rate: float, hz: float) -> float:
    """Level of a tone in one track re that in another; 0 where it is not heard."""
    reading = crosstalk_of_tracks(sent, heard, sample_rate, frequency_hz=hz)
    return 10.0 ** (reading.value / 20.0) if reading.defined else 0.0


def _sweep(rate: float) -> SynchronisedSweep:
    """The sweep that was sent; the rate at which it was does not matter to what is read."""
    return file_sweep(max(rate, 44_100.0), level_dbfs=0.0)


def _read_sweep(samples: FloatArray, rate: float, placed: Placed, reference_dbfs: float) -> Found:
    return slow_sweep_figures(slow_response_of_recording(samples, rate, _sweep(rate), placed))


def _read_steps(samples: FloatArray, rate: float, placed: Placed, reference_dbfs: float) -> Found:
    return saturation_figures(saturation_of_recording(samples, rate, placed, reference_level_dbfs=reference_dbfs))


def _read_nothing(samples: FloatArray, rate: float, placed: Placed, reference_dbfs: float) -> Found:
    return {}, {}


def _read_noise(samples: FloatArray, rate: float, placed: Placed, reference_dbfs: float) -> Found:
    """Noise re the tone of reference level as it came back, and what roughens the higher tone."""
    reference, rough = NOISE_TONES
    part = _middle(samples, rate, placed, reference)
    level, reason = _level_of(part, rate, reference.frequency_hz * placed.speed_ratio)
    begins = sequence_seconds(NOISE_TONES, 0.0) + _MARGIN_SECONDS
    first, stop = placed.window(begins, begins + NOISE_SILENCE_SECONDS - _MARGIN_SECONDS - _EDGE_SECONDS, rate)
    quiet = samples[max(first, 0) : max(stop, 0)]
    if not reason and len(quiet) < _LEAST_SILENCE_SECONDS * rate:
        reason = (
            f"the recording holds {len(quiet) / rate:.2g} s of the silence behind the tones, but "
            f"{_LEAST_SILENCE_SECONDS:g} s or more are needed"
        )
    readings: dict[str, Reading] = {}
    curves: dict[str, Curve] = {}
    if reason:
        for key, name in (
            ("noise_unweighted_db", "unweighted noise"),
            ("noise_a_weighted_db", "A-weighted noise"),
            ("noise_468_db", "noise by ITU-R BS.468"),
        ):
            readings[key] = undefined(name, "dB", reason, {})
    else:
        found = noise(quiet, rate, reference_dbfs=level)
        readings = {
            "noise_unweighted_db": found.unweighted[0],
            "noise_a_weighted_db": found.a_weighted[0],
            "noise_468_db": found.itu468[0],
        }
        curves = {"noise_third_octaves": noise_bands(quiet, rate, reference_dbfs=level).levels}
    tone_ = _middle(samples, rate, placed, rough)
    if why := clipped(tone_) if tone_.size else "the recording does not hold all of the tone of 3150 Hz":
        readings["modulation_noise_db"] = undefined("modulation noise", "dB", why, {})
    else:
        silence = quiet if len(quiet) >= rate else None
        hz = rough.frequency_hz * placed.speed_ratio
        readings["modulation_noise_db"] = modulation_noise(tone_, rate, silence=silence, frequency_hz=hz)
    if math.isfinite(level):
        readings["level_dbfs"] = Reading(
            quantity="level of the reference tone",
            value=level,
            unit="dBFS",
            method="power within 3 % of the tone",
            conditions={"frequency_hz": reference.frequency_hz, "sample_rate_hz": rate},
        )
    return readings, curves


def _middle(samples: FloatArray, rate: float, placed: Placed, tone_: SentTone) -> FloatArray:
    """A tone less its ends; empty where the recording does not hold it."""
    begins, ends = tone_.begins_seconds, tone_.begins_seconds + tone_.lasts_seconds
    return placed.part(samples, begins + _EDGE_SECONDS, ends - _EDGE_SECONDS, rate)


def _level_of(part: FloatArray, rate: float, hz: float) -> tuple[float, str]:
    """Level of a tone as a sine's peak re full scale, and why it cannot be told."""
    if not part.size:
        return math.nan, "the recording does not hold all of the tone of reference level"
    if reason := clipped(part):
        return math.nan, reason
    line = line_power(part, 2.0 * np.pi * hz / rate * np.arange(len(part), dtype=np.float64), rate, hz)
    if not line.power > 10.0 * line.uncertainty:
        return math.nan, "the tone of reference level lies in the noise"
    return 10.0 * math.log10(2.0 * line.power), ""
