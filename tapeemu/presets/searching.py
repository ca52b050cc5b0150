"""Presets by their figures: conditions such as ``flutter=0.05..0.2``, and names for figures that are said."""

import difflib
import math
import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from tapeemu.errors import ParameterError
from tapeemu.presets.figures import DECAY_BANDS_HZ, KEPT
from tapeemu.presets.preset import Preset

__all__ = ["SHORT_NAMES", "Condition", "figure_key", "parse_condition", "parse_wanted", "search"]

SHORT_NAMES = {
    "flutter": "weighted_flutter_percent",
    "level": "level_fluctuation_peak_db",
    "thd": "thd_reference_percent",
    "mol": "mol_3_percent_db",
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
        return Condition(key, -math.inf, _number(limits, text))
    if sign == ">=":
        return Condition(key, _number(limits, text), math.inf)
    least, dots, most = limits.partition("..")
    if not dots or not (least or most):
        raise ParameterError(
            f"the condition is {text!r}, but a figure is seldom met exactly; give a range: {name}={limits}..MOST "
            f"or {name}=..{limits}"
        )
    condition = Condition(
        key, _number(least, text) if least else -math.inf, _number(most, text) if most else math.inf
    )
    if condition.least > condition.most:
        raise ParameterError(f"the condition is {text!r}, but its least is above its most; swap them")
    return condition


def parse_wanted(text: str) -> tuple[str, float]:
    """Read ``FIGURE=VALUE``."""
    name, equals, value = text.partition("=")
    if not equals or not name.strip():
        raise ParameterError(f"the figure wanted is {text!r}, but must be FIGURE=VALUE, e.g. flutter=0.15")
    return figure_key(name.strip()), _number(value.strip(), text)


def _number(value: str, text: str) -> float:
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise ParameterError(f"{value!r} in {text!r} is not a number; write it like 0.15")
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
