"""What level does at each frequency: 3 % third harmonic (MOL), highest output (SOL), compression of treble.

A tape is driven harder in the treble than in the middle, because recording equalises what replay loses. So loud
treble is squeezed first, and recorded louder still it erases itself: the output falls.
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.parts.clipping import clipped_in
from measure.parts.line_power import line_power
from measure.parts.run import drive
from measure.parts.signals import LevelSteps, level_steps
from measure.parts.tone_sequences import LEVEL_STEPS, STEP_SECONDS, STEPS_DBFS, Placed
from measure.quantities.distortion import LevelDistortion, distortion_against_level, distortion_of_steps
from measure.results import Condition, Conditions, Curve, Reading, Result, undefined
from measure.validation import FloatArray, as_system, check_rate, check_signal

__all__ = ["SATURATION_HZ", "Saturation", "ToneSaturation", "saturation", "saturation_of_recording"]

SATURATION_HZ = (315.0, 1000.0, 6300.0, 10_000.0)
"""Tones at which saturation is read: 315 Hz and 1 kHz for MOL, 10 kHz for SOL, as trade practice has it."""

_HIGHEST_SHARE = 0.45  # of the rate
_AUDIBLE_HZ = 20_000.0
_BELOW_MOL_DB = 20.0
_FINE_DB = (-2.0, -1.0, 0.0, 1.0, 2.0)
_SETTLE_SECONDS, _BEFORE_SECONDS = 0.1, 0.05  # of a recorded step, left out at its ends
_STEPS_MISS_DB = 0.05
_BEYOND_CHANCE = 3.0  # of its uncertainties, before a tone is told from noise
_STILL_RISING = 0.1  # dB of output a dB of input, above which the output is not at its highest
_MOL_METHOD = "output at 3 % third harmonic, interpolated between steps"
_SOL_METHOD = "highest output of a tone at rising levels"
_COMPRESSION_METHOD = "gain at the level of 3 % third harmonic at the reference tone, re that 20 dB below"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ToneSaturation(Result):
    """What level does to one tone.

    Attributes
    ----------
    mol : Reading
        Output level in dB re the reference level at which the third harmonic is 3 % of the tone.
    sol : Reading
        Highest level of the tone that comes out, in dB re the reference level.
    sol_input : Reading
        Input level re the reference level at which it does.
    compression : Reading
        Gain at the input level of 3 % third harmonic of the reference tone less the gain 20 dB below, in dB:
        negative where loud tones are squeezed.
    gain : Curve
        Gain in dB against the input level in dBFS.
    """

    mol: Reading
    sol: Reading
    sol_input: Reading
    compression: Reading
    gain: Curve


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Saturation(Result):
    """What level does to tones of several frequencies.

    Attributes
    ----------
    tones : mapping of str to ToneSaturation
        By frequency, as ``"10000hz"``.
    mol, sol, compression : Curve
        The readings of the tones against frequency.
    """

    tones: dict[str, ToneSaturation]
    mol: Curve
    sol: Curve
    compression: Curve


def saturation(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    frequencies_hz: Sequence[float] = SATURATION_HZ,
    reference_hz: float = 1_000.0,
    reference_level_dbfs: float = -18.0,
    levels_db: Sequence[float] = tuple(range(-18, 31, 3)),
    step_seconds: float = 0.3,
    settle_seconds: float = 0.12,
) -> Saturation:
    """Measure MOL, SOL and compression by frequency.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``, one channel.
    sample_rate : float
        Samples per second.
    frequencies_hz : sequence of float
        Tones; those above 0.45 of the rate are left out. `reference_hz` is sent as well.
    reference_hz : float
        Tone whose level of 3 % third harmonic compression is counted from.
    reference_level_dbfs : float
        Reference level as the peak of a sine re full scale.
    levels_db : sequence of float
        Rising input levels re the reference level, three or more.
    step_seconds, settle_seconds : float
        Duration of each level, and the part of it that is left to the system's latency and memory.

    Returns
    -------
    Saturation
        ``nan`` with the reason where a tone does not reach 3 %, or three times it lies beyond 20 kHz or half the
        rate; where the output still rises by more than 0.1 dB per dB at the highest level; and where the system
        amplifies tones of low level by different gains, for then there is nothing to be compressed from.

    Raises
    ------
    MeasureError
        If an argument breaks a rule, or the system returns another number of channels or samples.

    Notes
    -----
    MOL as the output level of 3 % third harmonic, and SOL as the highest output: practice of IEC 60094 and of data
    sheets (from memory; the standard could not be read). Compression is our own protocol, no source. An output
    that approaches its highest as one over the square of the level, as that of ``tanh`` does, still gains 4.34
    times its slope: that is counted in the uncertainty of SOL.
    """
    rate = check_rate(sample_rate)
    levels = [float(level) for level in levels_db]
    if len(levels) < 3 or not all(np.diff(levels) > 0.0):
        raise MeasureError(f"levels_db is {tuple(levels_db)!r}, but must be three or more and rise")
    if not math.isfinite(reference_level_dbfs):
        raise MeasureError(f"reference_level_dbfs is {reference_level_dbfs!r}, but must be finite")
    wanted = sorted({float(hz) for hz in (*frequencies_hz, reference_hz)})
    if not wanted[0] > 0.0:
        raise MeasureError(f"frequencies_hz is {tuple(frequencies_hz)!r}, but must be above zero")
    if not reference_hz <= _HIGHEST_SHARE * rate:
        raise MeasureError(f"reference_hz is {reference_hz!r}, but must lie below 0.45 of the rate, {rate:g} Hz")
    runner = _Sent(system, rate, levels, float(reference_level_dbfs), step_seconds, settle_seconds)
    return _read(runner, [hz for hz in wanted if hz <= _HIGHEST_SHARE * rate], reference_hz)


def saturation_of_recording(
    recording: FloatArray, sample_rate: float, placed: Placed, *, reference_level_dbfs: float = -18.0
) -> Saturation:
    """Read MOL, SOL and compression by frequency from a recording of tones at rising levels.

    Parameters
    ----------
    recording : ndarray, shape (samples,)
        What came back of :func:`measure.parts.tone_sequences.steps_signal`.
    sample_rate : float
        Samples per second.
    placed : Placed
        Where it lies, as :func:`measure.parts.tone_sequences.place_sequence` finds it.
    reference_level_dbfs : float
        Level that was sent as the reference, as the peak of a sine re full scale.

    Returns
    -------
    Saturation
        Levels that come out are counted from that of 1 kHz sent at the reference level, so the gain of what played
        the tape does not matter. ``nan`` with the reason where the recording does not hold what is needed, and
        where it is clipped: levels that are clipped are left out.

    Raises
    ------
    MeasureError
        If an argument breaks a rule.

    Notes
    -----
    As :func:`saturation`, but by steps of 2 dB: what a cubic through four of them may miss of the level of 3 %,
    0.05 dB by trials with ``tanh``, is counted in the uncertainty.
    """
    rate, y = check_rate(sample_rate), check_signal(recording)
    if not STEPS_DBFS[0] <= reference_level_dbfs <= STEPS_DBFS[-1]:
        raise MeasureError(
            f"reference_level_dbfs is {reference_level_dbfs!r}, but the steps were sent from {STEPS_DBFS[0]} to "
            f"{STEPS_DBFS[-1]} dBFS; give the level that was the reference"
        )
    runner = _Recorded(y, rate, placed, float(reference_level_dbfs))
    wanted = [each.frequency_hz for each in LEVEL_STEPS if each.frequency_hz <= _HIGHEST_SHARE * rate]
    return _read(runner, wanted, 1_000.0)


def _read(runner: "_Runner", wanted: Sequence[float], reference_hz: float) -> Saturation:
    """All readings of all tones, which rise in frequency."""
    rate = runner.rate
    base = runner.operating(reference_hz)
    tones = {
        f"{hz:g}hz": runner.tone(
            hz, base.operating_level, base.operating_level_output if hz == reference_hz else None
        )
        for hz in wanted
    }
    x = np.array(wanted)

    def curve(quantity: str, readings: Sequence[Reading]) -> Curve:
        return Curve(
            quantity=f"{quantity} by frequency",
            x=x,
            y=np.array([reading.value for reading in readings]),
            x_name="frequency",
            x_unit="Hz",
            y_unit="dB",
            uncertainty=np.array([reading.uncertainty for reading in readings]),
            method=readings[0].method,
            conditions={"reference_level_dbfs": runner.reference_dbfs, "sample_rate_hz": rate},
            warnings=tuple(dict.fromkeys(warning for reading in readings for warning in reading.warnings)),
        )

    found = list(tones.values())
    return Saturation(
        tones=tones,
        mol=curve("maximum operating level", [each.mol for each in found]),
        sol=curve("saturated output level", [each.sol for each in found]),
        compression=curve("compression", [each.compression for each in found]),
    )


class _Runner(ABC):
    """The steps of one measurement, and what came back of them.

    Parameters
    ----------
    rate : float
        Samples per second.
    levels_dbfs : sequence of float
        Rising input levels.
    reference_dbfs : float
        Reference level.
    """

    notes: tuple[str, ...] = ()

    def __init__(self, rate: float, levels_dbfs: Sequence[float], reference_dbfs: float) -> None:
        self.rate, self.reference_dbfs = rate, reference_dbfs
        self.levels_dbfs = list(levels_dbfs)

    @abstractmethod
    def operating(self, hz: float) -> LevelDistortion:
        """Distortion of one tone at rising levels, and finer ones round 3 % where they can be sent."""

    @abstractmethod
    def gains(self, hz: float, levels_dbfs: Sequence[float]) -> Curve:
        """Gain of one tone against level; power in a band, so neither flutter nor harmonics count."""

    @abstractmethod
    def refined(self, hz: float, gain: Curve, at_dbfs: float) -> tuple[float, float, float] | None:
        """The crest of the output round a level: input, output, uncertainty; None where it cannot be told."""

    def _curve(
        self, hz: float, levels_dbfs: Sequence[float], parts: Sequence[tuple[int, FloatArray]], speed: float
    ) -> Curve:
        """Gains from the samples of each level, and where each begins in its recording."""
        gain, sigma = np.full(len(levels_dbfs), np.nan), np.full(len(levels_dbfs), np.nan)
        for k, (first, part) in enumerate(parts):
            if not (part.size and np.all(np.isfinite(part))):
                continue
            turn = 2.0 * np.pi * hz * speed / self.rate * np.arange(first, first + part.size, dtype=np.float64)
            line = line_power(part, turn, self.rate, hz * speed)
            if line.power > _BEYOND_CHANCE * line.uncertainty and line.power > 1e-24:
                gain[k] = 10.0 * math.log10(2.0 * line.power) - levels_dbfs[k]
                sigma[k] = 4.343 * line.uncertainty / line.power
        warnings = self.notes or ("at some levels the tone lies in the noise",)
        return Curve(
            quantity=f"gain of {hz:g} Hz against level",
            x=np.array(levels_dbfs),
            y=gain,
            x_name="input level",
            x_unit="dBFS",
            y_unit="dB",
            uncertainty=sigma,
            method="power within 3 % of the tone, step by step",
            conditions={"frequency_hz": hz, "sample_rate_hz": self.rate},
            warnings=() if np.all(np.isfinite(gain)) else warnings,
        )

    def tone(self, hz: float, mol_dbfs: Reading, output: Reading | None) -> ToneSaturation:
        """The readings of one tone; the level of 3 % is that of the reference tone."""
        conditions: dict[str, Condition] = {
            "frequency_hz": hz,
            "reference_level_dbfs": self.reference_dbfs,
            "lowest_level_dbfs": self.levels_dbfs[0],
            "highest_level_dbfs": self.levels_dbfs[-1],
            "sample_rate_hz": self.rate,
        }
        gain = self.gains(hz, self.levels_dbfs)
        sol, sol_input = self._highest(hz, gain, conditions)
        return ToneSaturation(
            mol=self._mol(hz, output, conditions),
            sol=sol,
            sol_input=sol_input,
            compression=_compression(gain, mol_dbfs, conditions),
            gain=gain,
        )

    def _mol(self, hz: float, output: Reading | None, conditions: Conditions) -> Reading:
        limit_hz = min(_AUDIBLE_HZ, _HIGHEST_SHARE * self.rate)
        name = "maximum operating level, output"
        if 3.0 * hz > limit_hz:
            reason = f"the third harmonic lies at {3.0 * hz:g} Hz, beyond {limit_hz:g} Hz"
            return undefined(name, "dB", reason, conditions, method=_MOL_METHOD)
        if output is None:
            output = self.operating(hz).operating_level_output
        return replace(
            output,
            quantity=name,
            unit="dB",
            value=output.value - self.reference_dbfs,
            method=_MOL_METHOD,
            conditions={**conditions, "third_harmonic_percent": 3.0},
        )

    def _highest(self, hz: float, gain: Curve, conditions: Conditions) -> tuple[Reading, Reading]:
        """The highest output, and at which input."""
        names = ("saturated output level", "input of the saturated output level")
        levels, outputs = gain.x, gain.x + gain.y
        known = np.flatnonzero(np.isfinite(outputs))
        if len(known) < 3:
            reason = next(iter(gain.warnings), "the tone does not come back at three levels or more")
            lost = [undefined(name, "dB", reason, conditions, method=_SOL_METHOD) for name in names]
            return lost[0], lost[1]
        levels, outputs = levels[known], outputs[known]
        doubts = gain.uncertainty[known] if gain.uncertainty is not None else np.zeros(len(known))
        # The first crest: what rises again far beyond it is another law, such as a curve that folds over.
        falls = np.flatnonzero(np.diff(outputs) < 0.0)
        top = int(falls[0]) if len(falls) else len(outputs) - 1
        warnings: tuple[str, ...] = ()
        basis = "noise; mostly a bound: what a law through few levels may miss"
        if 0 < top < len(levels) - 1:
            at, highest, doubt = self.refined(hz, gain, float(levels[top])) or (
                float(levels[top]),
                float(outputs[top]),
                math.hypot(float(doubts[top]), 0.1),
            )
        else:
            at, highest, doubt = float(levels[top]), float(outputs[top]), float(doubts[top])
            slope = (outputs[-1] - outputs[-2]) / (levels[-1] - levels[-2])
            if top == 0 or slope > _STILL_RISING:
                reason = (
                    f"the output still rises by {slope:.2g} dB per dB at {levels[-1]:g} dBFS"
                    if top
                    else f"the output falls from the lowest level, {levels[0]:g} dBFS, on"
                )
                lost = [undefined(name, "dB", reason, conditions, method=_SOL_METHOD) for name in names]
                return lost[0], lost[1]
            doubt = math.hypot(doubt, 4.343 * float(slope))
            basis = "noise; mostly a bound: what an output that still rises may gain"
            warnings = (f"the output still rises by {slope:.2g} dB per dB at the highest level that was sent",)

        def reading(name: str, value: float, uncertainty: float) -> Reading:
            return Reading(
                quantity=name,
                value=value - self.reference_dbfs,
                unit="dB",
                method=_SOL_METHOD,
                conditions=conditions,
                uncertainty=uncertainty,
                uncertainty_basis=f"theory ({basis})",
                warnings=warnings,
            )

        # Where an output is flat its place is told by the root of what its height is told by.
        return reading(names[0], highest, doubt), reading(names[1], at, max(1.0, doubt))


class _Sent(_Runner):
    """Sends the steps through a system and reads what comes back."""

    def __init__(
        self,
        system: Callable[..., Any],
        rate: float,
        levels: Sequence[float],
        reference_dbfs: float,
        step_seconds: float,
        settle_seconds: float,
    ) -> None:
        super().__init__(rate, [reference_dbfs + level for level in levels], reference_dbfs)
        self.system = as_system(system)
        self.step_seconds, self.settle_seconds = step_seconds, settle_seconds

    def operating(self, hz: float) -> LevelDistortion:
        return distortion_against_level(
            self.system,
            self.rate,
            frequency_hz=hz,
            levels_dbfs=self.levels_dbfs,
            step_seconds=self.step_seconds,
            settle_seconds=self.settle_seconds,
        )

    def gains(self, hz: float, levels_dbfs: Sequence[float]) -> Curve:
        steps = level_steps(
            self.rate,
            frequency_hz=hz,
            levels_dbfs=levels_dbfs,
            step_seconds=self.step_seconds,
            settle_seconds=self.settle_seconds,
        )
        came = drive(self.system, steps.signal, self.rate)
        return self._curve(hz, levels_dbfs, [(first, came[first:stop]) for first, stop in steps.windows], 1.0)

    def refined(self, hz: float, gain: Curve, at_dbfs: float) -> tuple[float, float, float] | None:
        finer = self.gains(hz, [at_dbfs + offset for offset in _FINE_DB])
        outputs = finer.x + finer.y
        if not np.all(np.isfinite(outputs)):
            return None
        # A polynomial through all five; its crest on a fine grid.
        offsets = np.array(_FINE_DB)
        law = np.polynomial.Polynomial.fit(offsets, outputs, 4)
        grid = np.linspace(offsets[0], offsets[-1], 401)
        crest = int(np.argmax(law(grid)))
        sigma = float(np.nanmax(finer.uncertainty)) if finer.uncertainty is not None else math.nan
        return at_dbfs + float(grid[crest]), float(law(grid[crest])), math.hypot(sigma, 0.005)


class _Recorded(_Runner):
    """Reads the steps of a recording, which is scaled so that 1 kHz at the reference level has a gain of 1."""

    def __init__(self, recording: FloatArray, rate: float, placed: Placed, reference_dbfs: float) -> None:
        super().__init__(rate, STEPS_DBFS, reference_dbfs)
        self.recording, self.placed = recording, placed
        self.tones = {each.frequency_hz: each for each in LEVEL_STEPS}
        reason = self._clipped_from()
        self.notes = (reason,) if reason else ("the recording does not hold all levels above the noise",)
        base = self.gains(1_000.0, self.levels_dbfs)
        known = np.isfinite(base.y)
        self.usable = bool(
            np.count_nonzero(known) >= 3 and base.x[known][0] <= reference_dbfs <= base.x[known][-1]
        )
        if self.usable:
            gain_db = float(np.interp(reference_dbfs, base.x[known], base.y[known]))
            self.recording = recording * 10.0 ** (-gain_db / 20.0)

    def _clipped_from(self) -> str:
        """Leave out the levels from which on a tone is clipped, and say so."""
        self.top = len(self.levels_dbfs)
        for number in range(len(self.levels_dbfs)):
            parts = [self._part(hz, number)[1] for hz in self.tones]
            if any(part.size and clipped_in(part, self.recording) for part in parts):
                self.top = number
                return f"the recording is clipped from {self.levels_dbfs[number]:g} dBFS on: play it more softly"
        return ""

    def _part(self, hz: float, number: int) -> tuple[int, FloatArray]:
        """Samples of a level of a tone, less what settles at its ends; none where they were not recorded."""
        if number >= self.top:
            return 0, self.recording[:0]
        begins = self.tones[hz].begins_seconds + number * STEP_SECONDS
        since, until = begins + _SETTLE_SECONDS, begins + STEP_SECONDS - _BEFORE_SECONDS
        return (
            self.placed.window(since, until, self.rate)[0],
            self.placed.part(self.recording, since, until, self.rate),
        )

    def operating(self, hz: float) -> LevelDistortion:
        parts = [(level, *self._part(hz, number)) for number, level in enumerate(self.levels_dbfs)]
        held = [(level, first, part) for level, first, part in parts if part.size] if self.usable else []
        if len(held) < 2:
            # Two levels of silence have no third harmonic, which is what is to be said.
            held = [(level, 0, self.recording[:0]) for level in self.levels_dbfs[:2]]
        steps = LevelSteps(
            signal=self.recording,
            sample_rate=self.rate,
            frequency_hz=hz * self.placed.speed_ratio,
            levels_dbfs=tuple(float(level) for level, _, _ in held),
            windows=tuple((first, first + part.size) for _, first, part in held),
        )
        found = distortion_of_steps(self.recording, steps)
        notes = self.notes if self.top < len(self.levels_dbfs) or not self.usable else ()
        output = found.operating_level_output
        return replace(
            found,
            operating_level=_with_steps(found.operating_level, notes),
            operating_level_output=_with_steps(output, notes),
        )

    def gains(self, hz: float, levels_dbfs: Sequence[float]) -> Curve:
        parts = [self._part(hz, number) for number in range(len(self.levels_dbfs))]
        return self._curve(hz, levels_dbfs, parts, self.placed.speed_ratio)

    def refined(self, hz: float, gain: Curve, at_dbfs: float) -> tuple[float, float, float] | None:
        near = np.abs(gain.x - at_dbfs) < 2.5
        if np.count_nonzero(near & np.isfinite(gain.y)) < 3:
            return None
        # A parabola through the three steps round the crest, which is at most a step away.
        bend, slope, height = np.polyfit(gain.x[near] - at_dbfs, (gain.x + gain.y)[near], 2)
        offset = float(np.clip(-0.5 * slope / bend, -2.0, 2.0)) if bend < 0.0 else 0.0
        sigma = float(np.nanmax(gain.uncertainty[near])) if gain.uncertainty is not None else math.nan
        return at_dbfs + offset, float(height + slope * offset + bend * offset**2), math.hypot(sigma, 0.03)


def _with_steps(reading: Reading, notes: tuple[str, ...]) -> Reading:
    """With what an interpolation between steps of 2 dB may miss."""
    if not reading.defined:
        return replace(reading, warnings=(*notes, *reading.warnings))
    return replace(reading, uncertainty=math.hypot(reading.uncertainty, _STEPS_MISS_DB))


def _compression(gain: Curve, mol_dbfs: Reading, conditions: Conditions) -> Reading:
    from scipy.interpolate import CubicSpline

    name = "compression"
    if not mol_dbfs.defined:
        return undefined(name, "dB", mol_dbfs.warnings[0], conditions, method=_COMPRESSION_METHOD)
    known = np.isfinite(gain.y)
    low, high = mol_dbfs.value - _BELOW_MOL_DB, mol_dbfs.value
    x: FloatArray = gain.x[known]
    if x.size < 4 or not (x[0] <= low and high <= x[-1]):
        reason = (
            f"gains are known from {x[0]:g} to {x[-1]:g} dBFS only" if x.size else "the tone does not come back"
        )
        return undefined(
            name,
            "dB",
            f"{reason}, but {low:.1f} and {high:.1f} dBFS count",
            conditions,
            method=_COMPRESSION_METHOD,
        )
    law = CubicSpline(x, gain.y[known])
    doubts = gain.uncertainty[known] if gain.uncertainty is not None else np.zeros(x.size)
    doubt = math.hypot(float(np.interp(low, x, doubts)), float(np.interp(high, x, doubts)), 0.01)
    return Reading(
        quantity=name,
        value=float(law(high) - law(low)),
        unit="dB",
        method=_COMPRESSION_METHOD,
        conditions={**conditions, "mol_dbfs": mol_dbfs.value},
        uncertainty=doubt,
        uncertainty_basis="theory (noise, interpolation between levels)",
    )
