"""Settings that give the figures wanted.

Every figure is moved by one setting. A step corrects each setting by how far its figure is from what is
wanted, on a logarithmic scale or in dB, first with the slope that theory gives and then with the one that
was found; measuring again shows how near it came. Settings influence one another a little (drive shortens
or lengthens a decay, level fluctuation before drive is compressed), which the repetition takes care of. In the end
the settings are rounded as far as the figures stay near enough.
"""

import functools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tapeemu.automation import MIX
from tapeemu.chain import Chain, Stage
from tapeemu.errors import ParameterError
from tapeemu.presets.kept_figures import DECAY_BANDS_HZ
from tapeemu.presets.measuring import measure_chain
from tapeemu.processor import Processor
from tapeemu.processors.amplitude_flutter import AmplitudeFlutter
from tapeemu.processors.fdn_reverb import DecayByBand, FdnReverb
from tapeemu.processors.saturation import PreampDrive, TapeMagnetisation
from tapeemu.processors.wow_flutter import WowFlutter
from tapeemu.validation import FloatArray

if TYPE_CHECKING:
    from collections.abc import Sequence

    from measure.results import Reading

__all__ = ["SOLVABLE", "Solution", "solve"]

_DECAYS = tuple(f"decay_{band}hz_seconds" for band in DECAY_BANDS_HZ)
SOLVABLE = (
    "weighted_flutter_percent",
    "level_fluctuation_peak_db",
    "level_fluctuation_rms_db",
    "thd_reference_percent",
    "mol_3_percent_db",
    *_DECAYS,
)
"""Figures that can be asked for."""

_TYPICAL = (
    (0.07, "studio"),
    (0.13, "domestic"),
    (0.3, "cassette"),
    (0.7, "portable"),
    (math.inf, "worn"),
)
_RANDOM_DB_PER_PEAK_DB = 0.6  # a level exceeded 5 % of the time against the largest in 20 s, as first guess
_BAND_OF_1_KHZ = 4  # of the nine octave bands of a reverb, 63 Hz to 16 kHz
_STEEPEST = 4.0  # of a slope found against the one expected
_MOST_DIGITS = 6  # beyond these is less than any figure shows
_Told = Callable[[int, float], None] | None
_DIGITS = (2, 3, 4)  # of a setting that is rounded in the end


@dataclass(frozen=True, kw_only=True)
class Solution:
    """Settings found for the figures wanted.

    Attributes
    ----------
    chain : Chain
        The settings.
    wanted : mapping of str to float
        What was asked for.
    reached : mapping of str to Reading
        What was measured with these settings.
    rounds : int
        How many times was measured.
    kept_back : str
        The rule of a setting that the next step would have broken; empty if none.
    """

    chain: Chain
    wanted: Mapping[str, float]
    reached: "Mapping[str, Reading]"
    rounds: int
    kept_back: str = ""

    def error_percent(self, key: str) -> float:
        """How far a figure is from what was wanted, in percent of it; a level in dB, of its ratio."""
        if key not in self.reached:
            return math.inf
        return 100.0 * abs(math.expm1(_scale(key, self.reached[key].value) - _scale(key, self.wanted[key])))

    @property
    def worst_percent(self) -> float:
        """The largest error of all."""
        return max(self.error_percent(key) for key in self.wanted)


def solve(
    wanted: Mapping[str, float],
    *,
    start: Chain | None = None,
    within_percent: float = 1.0,
    rounds: int = 8,
    progress: Callable[[int, float], None] | None = None,
) -> Solution:
    """Find settings that give the figures wanted.

    Parameters
    ----------
    wanted : mapping of str to float
        Keys of :data:`SOLVABLE` and positive values (in dB any), e.g. ``{"weighted_flutter_percent": 0.15}``.
    start : Chain, optional
        Settings to start from; a stage that is missing for a figure is added. From nothing if left out: reverb,
        drive, magnetisation, transport, level, as far as they are needed.
    within_percent : float
        Error at which to stop.
    rounds : int
        Most measurements.
    progress : callable, optional
        Is told the number of a measurement and what share of it is done; from several threads.

    Returns
    -------
    Solution
        The nearest found, even if it is not as near as wanted.

    Raises
    ------
    ParameterError
        If a figure cannot be asked for, or no setting is allowed that would give it.
    """
    _check(wanted)
    if not 0.0 < within_percent < math.inf:
        raise ParameterError(f"within_percent is {within_percent:g}, but must be above zero, and finite")
    chain = start if start is not None else Chain()
    knobs: list[_Knob] = []
    for key in SOLVABLE:
        if key in wanted:
            chain, knob = _prepared(chain, key, wanted[key], wanted)
            _refuse_curves(chain[knob.stage], key)
            knobs.append(knob)
    if rounds < 1:
        raise ParameterError(f"rounds is {rounds}, but must be 1 or more")
    best, places = _measured(chain, wanted, 1, progress), [knob.place for knob in knobs]
    last = best
    while best.worst_percent > within_percent and last.rounds < rounds:
        try:
            for knob in knobs:
                if knob.key in last.reached:
                    chain = knob.turned(chain, last.reached[knob.key].value, wanted[knob.key])
        except ParameterError as error:
            # The next step would leave the range of a setting: the best so far is as near as it gets.
            best = replace(best, kept_back=str(error))
            break
        last = _measured(chain, wanted, last.rounds + 1, progress)
        if last.worst_percent < best.worst_percent:
            best, places = last, [knob.place for knob in knobs]
    best = replace(best, rounds=last.rounds)
    return best if best.worst_percent > within_percent else _short(best, knobs, places, within_percent, progress)


def _measured(chain: Chain, wanted: Mapping[str, float], number: int, progress: _Told) -> Solution:
    told = None if progress is None else functools.partial(progress, number)
    measured, _ = measure_chain(chain, keys=wanted, progress=told)
    found = {key: figure.reading for key, figure in measured.figures.items() if key in wanted}
    return Solution(chain=chain, wanted=dict(wanted), reached=found, rounds=number)


def _short(
    best: Solution,
    knobs: "Sequence[_Knob]",
    places: "Sequence[float]",
    within_percent: float,
    progress: _Told,
) -> Solution:
    """The solution with as few digits in its settings as the figures wanted allow, measured anew."""
    number = best.rounds
    for digits in _DIGITS:
        chain = best.chain
        try:
            for knob, place in zip(knobs, places, strict=True):
                if knob.set_by_us:
                    chain = knob.at(chain, place, digits)
        except ParameterError:  # rounded, a value lies outside its range
            continue
        if chain == best.chain:
            break
        number += 1
        rounded = _measured(chain, best.wanted, number, progress)
        if rounded.worst_percent <= within_percent:
            return rounded
    return replace(best, rounds=number)


def _check(wanted: Mapping[str, float]) -> None:
    if not wanted:
        raise ParameterError(f"no figure is wanted; name one or more of {', '.join(SOLVABLE)}")
    for key, value in wanted.items():
        if key not in SOLVABLE:
            raise ParameterError(f"{key!r} cannot be solved for; can be: {', '.join(SOLVABLE)}")
        if not math.isfinite(value) or (value <= 0.0 and key != "mol_3_percent_db"):
            raise ParameterError(f"{key} is wanted to be {value!r}, but must be above zero")
    if {"level_fluctuation_peak_db", "level_fluctuation_rms_db"} <= set(wanted):
        raise ParameterError("peak and RMS of the level fluctuation follow from one another; ask for one of them")


def _refuse_curves(stage: Stage, key: str) -> None:
    """Refuse to turn a setting that a curve stands above, or whose figure changes along the tape with one."""
    for curve in stage.automation:
        if key not in _DECAYS or curve.setting == MIX:
            raise ParameterError(
                f"{key} is wanted, but in stage {stage.name!r} {curve.setting} follows a curve, so one setting "
                "cannot give it; start from a preset without that curve"
            )


def _scale(key: str, value: float) -> float:
    """A figure on the scale that settings are corrected on: nepers."""
    if key == "mol_3_percent_db":
        return value * math.log(10.0) / 20.0
    return math.log(max(value, 1e-12))


def _tidy(value: float, digits: int = _MOST_DIGITS) -> float:
    return float(f"{value:.{digits}g}")


Apply = Callable[[Processor, float, int], Processor]
"""Puts a setting of a processor at a place of its scale, rounded to so many digits."""


class _Knob:
    """One setting of one stage that moves one figure.

    Parameters
    ----------
    key : str
        The figure.
    stage : str
        Name of the stage.
    place : float
        Where the setting stands, on the scale of the figure.
    slope : float
        By how much the figure is expected to move with the place.
    apply : callable
        Puts the setting at a place.
    set_by_us : bool
        Whether the setting stands there by solving, and not because it was given.
    """

    def __init__(
        self, key: str, stage: str, place: float, slope: float, apply: Apply, *, set_by_us: bool = True
    ) -> None:
        self.key = key
        self.stage = stage
        self.place = place
        self.slope = slope
        self.expected = slope
        self.apply = apply
        self.set_by_us = set_by_us
        self.before: tuple[float, float] | None = None

    def at(self, chain: Chain, place: float, digits: int = _MOST_DIGITS) -> Chain:
        """The chain with this setting at a place."""
        return _with_processor(chain, self.stage, lambda processor: self.apply(processor, place, digits))

    def turned(self, chain: Chain, found: float, wanted: float) -> Chain:
        """The chain with this setting corrected for a figure that was found."""
        figure = _scale(self.key, found)
        if self.before is not None and abs(self.place - self.before[0]) > 1e-3:
            seen = (figure - self.before[1]) / (self.place - self.before[0])
            share = min(max(seen / self.expected, 1.0 / _STEEPEST), _STEEPEST)
            self.slope = share * self.expected
        self.before = (self.place, figure)
        self.place += (_scale(self.key, wanted) - figure) / self.slope
        self.set_by_us = True
        return self.at(chain, self.place)


def _with_processor(chain: Chain, name: str, change: Callable[[Processor], Processor]) -> Chain:
    stages = tuple(
        stage.replace(processor=change(stage.processor)) if stage.name == name else stage for stage in chain.stages
    )
    return chain.replace(stages=stages)


def _stage_with(chain: Chain, setting: str) -> Stage | None:
    """The first active stage that has a setting."""
    return next(
        (each for each in chain.stages if not each.bypass and setting in type(each.processor).model_fields), None
    )


def _ensured(
    chain: Chain, setting: str, name: str, fresh: Processor, *, first: bool = False
) -> tuple[Chain, Stage]:
    """The first active stage that has a setting; added, if there is none."""
    present = _stage_with(chain, setting)
    if present is not None:
        return chain, present
    taken = set(chain.names)
    while name in taken:
        name += "-2"
    added = Stage(processor=fresh, name=name)
    stages: Sequence[Stage] = (added, *chain.stages) if first else (*chain.stages, added)
    if fresh.traits.drives:
        # Sound is driven before it is on the tape, so before whatever moves it.
        moving = [stage.traits.moves_time or stage.traits.moves_level for stage in chain.stages]
        at = moving.index(True) if any(moving) else len(moving)
        stages = (*chain.stages[:at], added, *chain.stages[at:])
    return chain.replace(stages=tuple(stages)), added


def _prepared(chain: Chain, key: str, value: float, wanted: Mapping[str, float]) -> tuple[Chain, _Knob]:
    if key == "weighted_flutter_percent":
        return _flutter_knob(chain, key, value)
    if key.startswith("level_fluctuation"):
        return _level_knob(chain, key, value)
    if key == "thd_reference_percent":
        return _distortion_knob(chain, key, value)
    if key == "mol_3_percent_db":
        return _headroom_knob(chain, key, value)
    return _decay_knob(chain, key, value, wanted)


def _flutter_knob(chain: Chain, key: str, value: float) -> tuple[Chain, _Knob]:
    profile = next(name for most, name in _TYPICAL if value <= most)
    fresh = WowFlutter.from_dict({"profile": profile, "weighted_flutter_percent": value})
    chain, stage = _ensured(chain, "weighted_flutter_percent", "transport", fresh)

    def apply(processor: Processor, place: float, digits: int) -> Processor:
        return processor.replace(weighted_flutter_percent=_tidy(math.exp(place), digits))

    knob = _Knob(key, stage.name, math.log(value), 1.0, apply)
    return knob.at(chain, knob.place), knob


def _level_knob(chain: Chain, key: str, value: float) -> tuple[Chain, _Knob]:
    guess = value * (_RANDOM_DB_PER_PEAK_DB if key.endswith("peak_db") else 1.96)
    chain, stage = _ensured(chain, "periodic_parts", "level", AmplitudeFlutter(random_db=guess))
    start: Any = stage.processor
    largest = max([start.random_db, *(part.peak_db for part in start.periodic_parts)])

    def apply(processor: Processor, place: float, digits: int) -> Processor:
        # The largest is rounded; the others keep their ratio to it, which is the character of the fluctuation.
        factor = _tidy(math.exp(place) * largest, digits) / largest if largest else 1.0
        parts = tuple(part.replace(peak_db=_tidy(factor * part.peak_db)) for part in start.periodic_parts)
        return processor.replace(random_db=_tidy(factor * start.random_db), periodic_parts=parts)

    return chain, _Knob(key, stage.name, 0.0, 1.0, apply, set_by_us=False)


def _distortion_knob(chain: Chain, key: str, value: float) -> tuple[Chain, _Knob]:
    magnetised = _stage_with(chain, "mol_db")
    present = _stage_with(chain, "thd_percent")
    if magnetised is not None and present is None:
        # The third harmonic rises with the square of the drive.
        return _drive_knob(chain, key, magnetised, slope=2.0)
    fresh = PreampDrive(thd_percent=value) if present is None else PreampDrive()
    chain, stage = _ensured(chain, "thd_percent", "drive", fresh)

    def apply(processor: Processor, place: float, digits: int) -> Processor:
        return processor.replace(drive_db=None, thd_percent=_tidy(math.exp(place), digits))

    start: Any = stage.processor
    place = math.log(start.expected_thd_percent(start.reference_level_dbfs))
    return chain, _Knob(key, stage.name, place, 1.0, apply, set_by_us=False)


def _headroom_knob(chain: Chain, key: str, value: float) -> tuple[Chain, _Knob]:
    fresh = TapeMagnetisation.from_dict({"mol_db": value})
    chain, stage = _ensured(chain, "mol_db", "tape", fresh)

    def apply(processor: Processor, place: float, digits: int) -> Processor:
        return processor.replace(drive_db=None, mol_db=_tidy(20.0 * place / math.log(10.0), digits))

    knob = _Knob(key, stage.name, _scale(key, value), 1.0, apply)
    return knob.at(chain, knob.place), knob


def _drive_knob(chain: Chain, key: str, stage: Stage, *, slope: float) -> tuple[Chain, _Knob]:
    start: Any = stage.processor

    def apply(processor: Processor, place: float, digits: int) -> Processor:
        return processor.replace(mol_db=None, drive_db=_tidy(20.0 * place / math.log(10.0), digits))

    place = start.effective_drive_db * math.log(10.0) / 20.0
    return chain, _Knob(key, stage.name, place, slope, apply, set_by_us=False)


def _decay_knob(chain: Chain, key: str, value: float, wanted: Mapping[str, float]) -> tuple[Chain, _Knob]:
    """A knob for the decay in one band that takes the rest of the room along.

    Where one decay is wanted it scales the whole room, so that the ratios between bands stay. Where several are,
    the change of a band between them goes straight over the logarithm of frequency, and stays as it is outside.
    """
    # Kept bands begin one octave above the lowest of the reverb.
    asked = [number for number, each in enumerate(_DECAYS, start=1) if each in wanted]
    band = _DECAYS.index(key) + 1
    chain, stage = _ensured(chain, "decay_by_band_seconds", "hall", FdnReverb(), first=True)
    start: Any = stage.processor
    shape = start.target_decay_seconds()

    def with_decays(processor: Processor, asked_seconds: FloatArray, digits: int = _MOST_DIGITS) -> Processor:
        changes = np.log(asked_seconds / shape[asked])
        seconds = shape * np.exp(np.interp(np.arange(len(shape)), asked, changes))
        if len(asked) == 1:
            return processor.replace(decay_seconds=_tidy(float(seconds[_BAND_OF_1_KHZ]), digits))
        table = {name: _tidy(each, digits) for name, each in zip(DecayByBand.model_fields, seconds, strict=True)}
        return processor.replace(
            decay_seconds=None,
            low_decay_ratio=None,
            high_decay_ratio=None,
            decay_by_band_seconds=DecayByBand(**table),
        )

    def apply(processor: Any, place: float, digits: int) -> Processor:
        asked_seconds = processor.target_decay_seconds()[asked]
        asked_seconds[asked.index(band)] = math.exp(place)
        return with_decays(processor, asked_seconds, digits)

    # All at once, so that no step on the way is steeper than the whole.
    first = np.array([wanted[_DECAYS[number - 1]] for number in asked])
    return _with_processor(chain, stage.name, lambda each: with_decays(each, first)), _Knob(
        key, stage.name, math.log(value), 1.0, apply
    )
