"""The best form of a chain inside a budget of memory and instructions, for a small device.

What may be lowered are the lines and the size of rooms, the taps of readers, and how often curves are followed.
Every choice of those is a form of the chain, and has a price in points; that with the lowest that fits is taken.
Memory is told by the board for all forms at once, without making them. Instructions are added up from runs of
the chain with one thing lowered at a time, and a form that should fit is run before it is believed.
"""

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tapeemu.chain import Chain, Stage
from tapeemu.errors import ParameterError
from tapeemu.processor import Processor
from tapeemu.targets.device import (
    CONTROL_HZ,
    Costs,
    DeviceBuild,
    Reduction,
    board_for,
    control_samples,
    costs_of,
    memory_of,
    runs_of,
)
from tapeemu.targets.machines import BoardTarget
from tapeemu.targets.setups import Setup, setup_of, with_number

__all__ = ["fitted"]

_CURVE_PRICES: Mapping[int, float] = {6: 0.3, 4: 1.1, 2: 3.4, 1: 5.5}
"""Price of following a curve at so many times the sample rate instead of twelve: one point for each 20 dB that the
strongest aliased product rises, averaged over the curves in docs/targets.md at -6 dBFS."""

_READER_PRICES: Mapping[int, float] = {32: 0.25}
"""Price of a reader with so many taps instead of 48: it is exact to 18.5 kHz instead of 20 (at 48 kHz)."""

_LINES = (32, 16, 8)
_SMALLEST_ROOM = 25.0
_STEP_OF_ROOM = 2.0**-0.25
"""A room shrinks by this factor a step, to whole percent. Halving the total length of its lines, which is the
number of modes per hertz, costs one point; halving the number of lines, which makes echoes sparser, another."""

_OVERSAMPLING = "oversampling"
_LIMIT = "most_oversampling"
_CURVED = ("preamp_drive", "tape_magnetisation")

_NEAR = 1.05
"""A form is run if its estimate is at most this share of the instructions allowed: the estimate is not exact."""

_SECONDS = 0.25
"""Noise that each estimate is made from."""


@dataclass(frozen=True)
class _Ladder:
    """A setting that may be lowered, of one stage, or the oversampling of all curves; its values are the rungs.

    Attributes
    ----------
    stage : str
        Name of the stage, with those of the chains around it before it and dots between; for all curves, the names
        of their stages.
    setting : str
        What is lowered.
    values : tuple
        What it may be, the chain's own value first.
    place : int
        Which stage of the setup it is; -1 for all curves.
    processor : Processor or None
        The stage's; None for all curves.
    """

    stage: str
    setting: str
    values: tuple[Any, ...]
    place: int = -1
    processor: Processor | None = None


@dataclass(frozen=True)
class _Form:
    """A choice of one value on every ladder.

    Attributes
    ----------
    downs : tuple of int
        Steps down on each ladder.
    price : float
        What is lost, in points.
    setup : Setup
        The chain as numbers.
    ram_bytes : int
        Memory that the board tells.
    instructions : float
        Estimate for one sample of all channels.
    """

    downs: tuple[int, ...]
    price: float
    setup: Setup
    ram_bytes: int = 0
    instructions: float = 0.0


# --- what may be lowered --------------------------------------------------------------------------------------


def _stages(chain: Chain, path: str = "") -> Iterator[tuple[str, Stage]]:
    """Stages of a setup in its order, those of chains within the chain with their names joined by dots."""
    for stage in chain.stages:
        if stage.bypass:
            continue
        if isinstance(stage.processor, Chain):
            yield from _stages(stage.processor, f"{path}{stage.name}.")
        else:
            yield f"{path}{stage.name}", stage


def _sizes(own: float) -> tuple[float, ...]:
    """Sizes that a room may take: its own first."""
    found = [own]
    steps = itertools.count(1)
    while (size := float(round(own * _STEP_OF_ROOM ** next(steps)))) >= _SMALLEST_ROOM:
        found.append(size)
    return tuple(found)


def _ladders(chain: Chain, sample_rate: float) -> list[_Ladder]:
    """What may be lowered in a chain, in its order; curves last."""
    found: list[_Ladder] = []
    curved: list[tuple[str, int]] = []
    for place, (name, stage) in enumerate(_stages(chain)):
        processor: Any = stage.processor
        if stage.mixed_away:
            continue
        if processor.kind == "fdn_reverb":
            lines = (processor.lines, *(each for each in _LINES if each < processor.lines))
            found.append(_Ladder(name, "lines", lines, place, processor))
            found.append(_Ladder(name, "size_percent", _sizes(processor.size_percent), place, processor))
        elif processor.kind == "wow_flutter":
            taps = (processor.reader_taps, *(each for each in _READER_PRICES if each < processor.reader_taps))
            found.append(_Ladder(name, "reader_taps", taps, place, processor))
        elif processor.kind in _CURVED:
            curved.append((name, int(processor.oversampling(sample_rate))))
    if curved:
        own = max(factor for _, factor in curved)
        factors = (own, *(factor for factor in _CURVE_PRICES if factor < own))
        found.append(_Ladder(", ".join(name for name, _ in curved), _OVERSAMPLING, factors))
    return [ladder for ladder in found if len(ladder.values) > 1]


def _price(ladders: Sequence[_Ladder], downs: Sequence[int], sample_rate: float) -> float:
    """What a form loses, in points: of rooms, of readers, and of curves."""
    price = 0.0
    rooms: dict[int, dict[str, Any]] = {}
    for ladder, down in zip(ladders, downs, strict=True):
        value = ladder.values[down]
        if ladder.setting == _OVERSAMPLING:
            price += (_CURVE_PRICES[value] - _CURVE_PRICES.get(ladder.values[0], 0.0)) if down else 0.0
        elif ladder.setting == "reader_taps":
            price += _READER_PRICES[value] if down else 0.0
        elif down:
            rooms.setdefault(ladder.place, {"own": ladder.processor})[ladder.setting] = value
    for room in rooms.values():
        own = room.pop("own")
        reduced = own.replace(**room)
        held = own.seconds_in_lines(sample_rate) / reduced.seconds_in_lines(sample_rate)
        price += math.log2(held) + math.log2(own.lines / reduced.lines)
    return price


def _lowered(base: Setup, ladders: Sequence[_Ladder], downs: Sequence[int]) -> Setup:
    """The setup of a form."""
    stages = list(base.stages)
    for ladder, down in zip(ladders, downs, strict=True):
        if not down:
            continue
        value = ladder.values[down]
        if ladder.setting == _OVERSAMPLING:
            stages = [with_number(stage, _LIMIT, value) for stage in stages]
        else:
            stages[ladder.place] = with_number(stages[ladder.place], ladder.setting, value)
    return replace(base, stages=tuple(stages))


def _forms(base: Setup, ladders: Sequence[_Ladder], sample_rate: float) -> list[_Form]:
    """All forms, the cheapest first; of equal ones that with the fewest steps down."""
    choices = itertools.product(*(range(len(ladder.values)) for ladder in ladders))
    found = [
        _Form(downs, _price(ladders, downs, sample_rate), _lowered(base, ladders, downs)) for downs in choices
    ]
    return sorted(found, key=lambda form: (form.price, sum(form.downs), form.downs))


# --- what forms cost ------------------------------------------------------------------------------------------


def _predicted(
    forms: Sequence[_Form], base: Setup, ladders: Sequence[_Ladder], costs: Costs, board: BoardTarget, **where: Any
) -> list[_Form]:
    """The forms with estimated instructions: those of the chain, less what each step down saves alone."""
    steps = [(number, down) for number, ladder in enumerate(ladders) for down in range(1, len(ladder.values))]
    alone = [tuple(down if each == number else 0 for each in range(len(ladders))) for number, down in steps]
    setups = [base, *(_lowered(base, ladders, downs) for downs in alone)]
    whole, *reduced = (result.ticks for result in runs_of(setups, board=board, seconds=_SECONDS, **where))
    per_tick = costs.instructions / max(whole, 1)
    saved = {step: (whole - ticks) * per_tick for step, ticks in zip(steps, reduced, strict=True)}
    return [
        replace(
            form,
            instructions=costs.instructions - sum(saved.get(step, 0.0) for step in enumerate(form.downs)),
        )
        for form in forms
    ]


def _beyond(ram: float, each: float, ram_bytes: float, instructions: float) -> float:
    """Costs over budget: the larger of the ratios of memory and of instructions; up to 1 they fit."""
    return max(ram / ram_bytes, each / instructions)


def fitted(
    name: str,
    chain: Chain,
    *,
    sample_rate: float,
    channels: int,
    folder: Path,
    ram_bytes: float = math.inf,
    instructions: float = math.inf,
    control_hz: float = CONTROL_HZ,
) -> DeviceBuild:
    """The form of a chain with the lowest price that a budget allows.

    Parameters
    ----------
    name, chain, sample_rate, channels, folder, control_hz
        As for :func:`tapeemu.targets.device.build_for_device`.
    ram_bytes : float
        Most memory, stack included.
    instructions : float
        Most instructions per sample of all channels: the mean over half a second of noise.

    Raises
    ------
    ParameterError
        If nothing fits; it names the form that is nearest.
    """
    where: dict[str, Any] = {
        "sample_rate": sample_rate,
        "channels": channels,
        "control": control_samples(control_hz, sample_rate),
    }
    base = setup_of(chain, sample_rate=sample_rate, channels=channels)
    board = board_for(base, folder)
    budget = ram_bytes, instructions

    def built(form: _Form, costs: Costs) -> DeviceBuild:
        return _built(name, chain, ladders, form, costs, **where)

    costs = costs_of(base, board=board, **where)
    ladders = _ladders(chain, sample_rate)
    if _beyond(costs.ram_bytes, costs.instructions, *budget) <= 1.0:
        return built(_Form((0,) * len(ladders), 0.0, base), costs)
    forms = _forms(base, ladders, sample_rate)
    told = memory_of([form.setup for form in forms], board=board, **where)
    forms = [
        replace(form, ram_bytes=ram + costs.stack_bytes, instructions=costs.instructions)
        for form, ram in zip(forms, told, strict=True)
    ]
    if costs.instructions > instructions:
        forms = _predicted(forms, base, ladders, costs, board, **where)
    for form in forms:
        if form.ram_bytes <= ram_bytes and form.instructions <= _NEAR * instructions:
            costs = costs_of(form.setup, board=board, **where)
            if _beyond(costs.ram_bytes, costs.instructions, *budget) <= 1.0:
                return built(form, costs)
    nearest = min(forms, key=lambda form: _beyond(form.ram_bytes, form.instructions, *budget))
    build = built(nearest, costs_of(nearest.setup, board=board, **where))
    raise ParameterError(
        f"{name} does not fit: its nearest form ({build.told_reductions}) takes {build.costs.ram_bytes} bytes and "
        f"{build.costs.instructions:.0f} instructions per sample; allow more, or leave a stage out"
    )


def _built(
    name: str, chain: Chain, ladders: Sequence[_Ladder], form: _Form, costs: Costs, *, control: int, **where: Any
) -> DeviceBuild:
    """The build of a form: the chain with its settings lowered, and the list of them."""
    made, reductions, most = chain, [], None
    for ladder, down in zip(ladders, form.downs, strict=True):
        value = ladder.values[down]
        if down:
            reductions.append(Reduction(ladder.stage, ladder.setting, ladder.values[0], value))
        if down and ladder.setting == _OVERSAMPLING:
            most = value
        elif down:
            made = made.with_setting(ladder.stage, ladder.setting, value)
    return DeviceBuild(
        name=name,
        chain=made,
        setup=form.setup,
        costs=costs,
        reductions=tuple(reductions),
        most_oversampling=most,
        control=control,
        price=form.price,
        **where,
    )
