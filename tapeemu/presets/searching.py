"""Presets by their figures: conditions such as ``flutter=0.05..0.2``, and names for figures that are said."""

import difflib
import math
import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from tapeemu.errors import ParameterError
from tapeemu.presets.kept_figures import DECAY_BANDS_HZ, KEPT
from tapeemu.presets.preset import Preset
from tapeemu.units import read_quantity

__all__ = ["SHORT_NAMES", "Condition", "figure_key", "parse_condition", "parse_wanted", "search"]

SHORT_NAMES = {
    "flutter": "weighted_flutter_percent",
    "level": "level_fluctuation_peak_db",
    "thd": "thd_reference_percent",
    "mol": "mol_3_percent_db",
    "mol_low": "mol_315hz_output_db",
    "mol_high": "mol_6300hz_output_db",
    "sol": "sol_10000hz_db",
    "compression": "compression_10000hz_db",
    "bump": "bump_db",
    "treble": "response_10000hz_db",
    "noise": "noise_a_weighted_db",
    "modulation_noise": "modulation_noise_db",
    "azimuth": "azimuth_delay_us",
    "azimuth_wander": "azimuth_wander_us",
    "crosstalk": "crosstalk_1000hz_db",
    "pre_echo": "print_pre_db",
    "print_through": "print_post_db",
    "rt60": "decay_500hz_seconds",
    **{f"rt60_{band}": f"decay_{band}hz_seconds" for band in DECAY_BANDS_HZ},
}
"""Short names of figures on the command line."""

_CONDITION = re.compile(r"\s*([A-Za-z0-9_]+)\s*(=|<=|>=)\s*(\S.*?)\s*")


class Condition(NamedTuple):
    """A figure and the range it must lie in, both ends included."""

    key: str
    least: float
    most: float

    def met_by(self, preset: Preset) -> bool:
        """Whether the preset has the figure, and it lies in the range."""
        reading = preset.readings.get(self.key)
        return reading is not None and self.least <= reading.value <= self.most


def figure_key(name: str) -> str:
    """The key of a figure from its key or short name.

    Raises
    ------
    ParameterError
        If there is none of that name; the nearest is offered.
    """
    if name in KEPT:
        return name
    if name in SHORT_NAMES:
        return SHORT_NAMES[name]
    known = [*SHORT_NAMES, *KEPT]
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(known)}"
    raise ParameterError(f"{name!r} is not a figure that presets keep; {hint}")


def parse_condition(text: str) -> Condition:
    """Read ``FIGURE=A..B``, ``FIGURE=A..``, ``FIGURE=..B``, ``FIGURE>=A`` or ``FIGURE<=B``."""
    found = _CONDITION.fullmatch(text)
    if found is None:
        raise ParameterError(
            f"the condition is {text!r}, but must be FIGURE=LEAST..MOST, FIGURE=LEAST.. or FIGURE=..MOST, "
            "e.g. flutter=0.05..0.2"
        )
    name, sign, limits = found.groups()
    key = figure_key(name)
    if sign == "<=":
        return Condition(key, -math.inf, _number(limits, text, key))
    if sign == ">=":
        return Condition(key, _number(limits, text, key), math.inf)
    least, dots, most = (part.strip() for part in limits.partition(".."))
    if dots and not (least or most):
        raise ParameterError(
            f"the condition is {text!r}, but gives neither a least nor a most, e.g. {name}=0.05..0.2"
        )
    if not dots:
        raise ParameterError(
            f"the condition is {text!r}, but a figure is seldom met exactly; give a range: {name}={limits}..MOST "
            f"or {name}=..{limits}"
        )
    condition = Condition(
        key, _number(least, text, key) if least else -math.inf, _number(most, text, key) if most else math.inf
    )
    if condition.least > condition.most:
        raise ParameterError(f"the condition is {text!r}, but its least is above its most; swap them")
    return condition


def parse_wanted(text: str) -> tuple[str, float]:
    """Read ``FIGURE=VALUE``."""
    name, equals, value = text.partition("=")
    if not equals or not name.strip():
        raise ParameterError(f"the figure wanted is {text!r}, but must be FIGURE=VALUE, e.g. flutter=0.15")
    key = figure_key(name.strip())
    return key, _number(value.strip(), text, key)


_UNITS = {"percent": "%", "db": "dB", "seconds": "s", "hz": "Hz", "us": "µs"}


def _number(value: str, text: str, key: str) -> float:
    """A number, alone or with a unit that converts into the one at the end of the figure's key."""
    unit = _UNITS[key.rpartition("_")[2]]
    number = read_quantity(value, unit)
    if number is None:
        try:
            number = float(value)
        except ValueError:
            number = math.nan
    if not math.isfinite(number):
        raise ParameterError(
            f"{value!r} in {text!r} is not a number in {unit}; write it like 0.15 or '0.15 {unit}'"
        )
    return number


def search(
    presets: Iterable[Preset], conditions: Sequence[Condition], *, tags: Sequence[str] = ()
) -> list[Preset]:
    """The presets that meet every condition and carry every tag.

    A preset whose figure was not measured, or could not be, does not meet a condition on it.
    """
    return [
        preset
        for preset in presets
        if all(condition.met_by(preset) for condition in conditions) and set(tags) <= set(preset.tags)
    ]
