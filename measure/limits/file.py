"""The file of limits: TOML in plain words, checked as it is read."""

import difflib
import math
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from measure.errors import LimitsError
from measure.writing import reason_of

__all__ = ["Limit", "Limits", "Uncertainty", "read_limits"]

Uncertainty = Literal["left out", "against", "in favour"]

_COMMON = ("uncertainty", "coverage")
_OF_FIGURE = ("figure", "part", "least", "most", *_COMMON)
_OF_CURVE = ("curve", "part", "from", "to", "re", "least", "most", *_COMMON)
_LONGEST_TOLD = 60
_TWICE = ("overwrite", "twice", "immutable namespace", "redefine", "Duplicate")
"""What the parser's messages hold, by its versions, where a name comes a second time."""
_OF_FILE = ("title", "limit", *_COMMON)


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One line of the file.

    Attributes
    ----------
    key : str
        Key of a reading, or of a curve.
    of_curve : bool
        Whether it is a curve; each of its points from `start` to `stop` must then keep the limit.
    part : str
        Stage or channel it is for; empty for the whole report, and for each part where only the parts have it.
    least, most : float
        The limits in the unit of the figure, themselves allowed; infinite where there is none.
    uncertainty : str
        ``"left out"``: the value alone is held against the limits. ``"against"``: the value must keep them by
        `coverage` standard uncertainties. ``"in favour"``: it may miss them by as much.
    coverage : float
        Standard uncertainties that count.
    start, stop : float
        Range of the abscissa.
    relative_to : float
        Abscissa at which the curve counts as zero; ``nan`` for the curve as it is.
    """

    key: str
    of_curve: bool = False
    part: str = ""
    least: float = -math.inf
    most: float = math.inf
    uncertainty: Uncertainty = "left out"
    coverage: float = 2.0
    start: float = -math.inf
    stop: float = math.inf
    relative_to: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What the file holds.

    Attributes
    ----------
    title : str
        What is accepted by it.
    source : str
        The file.
    limits : tuple of Limit
        In the order of the file.
    """

    title: str
    source: str
    limits: tuple[Limit, ...]


def read_limits(path: str | os.PathLike[str]) -> Limits:
    """Read limits from a TOML file.

    Parameters
    ----------
    path : path
        The file; its format is described in the README of the laboratory.

    Raises
    ------
    LimitsError
        If the file cannot be read, is no TOML, or breaks a rule of the format.
    """
    source = Path(path)
    text = ""
    try:
        text = source.read_bytes().decode("utf-8-sig")
        values = tomllib.loads(text)
    except UnicodeDecodeError:
        raise LimitsError(f"{source} is not UTF-8 text; save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise LimitsError(f"{source}, {_explained(text, error)}") from None
    except (OSError, ValueError) as error:
        raise LimitsError(f"{source} cannot be read ({reason_of(error)}); check the name") from None
    return _Reader(str(source)).limits(values)


def _explained(text: str, error: tomllib.TOMLDecodeError) -> str:
    """Where a text stops being TOML, and what to do; the parser's own words are not for people."""
    rows = text.splitlines() or [""]
    place = re.search(r"at line (\d+)", str(error))
    written = max((number for number, row in enumerate(rows, start=1) if row.strip()), default=1)
    number = min(int(place[1]), len(rows)) if place else written
    row = rows[number - 1].strip()
    shown = row if len(row) <= _LONGEST_TOLD else f"{row[:_LONGEST_TOLD]} ..."
    told = f"line {number}: {shown!r}"
    if any(word in str(error) for word in _TWICE):
        return f"{told} gives something a second time; give each name once, and head every limit by [[limit]]"
    return f"{told} is not TOML; write name = value (numbers like 1.5, texts in quotes), or [[limit]]"


class _Reader:
    """Checks what stands in one file."""

    def __init__(self, source: str) -> None:
        self.source = source

    def limits(self, values: Mapping[str, Any]) -> Limits:
        self.known(values, _OF_FILE, "")
        entries = values.get("limit", [])
        if not isinstance(entries, list) or not all(isinstance(each, dict) for each in entries):
            raise self.wrong("", "limit is no list of tables", "head each limit by [[limit]]")
        if not entries:
            raise self.wrong("", "there is no limit in it", "add a table [[limit]] with figure, least and most")
        common = {name: values[name] for name in _COMMON if name in values}
        return Limits(
            title=self.text(values, "title", "") or Path(self.source).stem,
            source=self.source,
            limits=tuple(self.limit(number, {**common, **each}) for number, each in enumerate(entries, start=1)),
        )

    def limit(self, number: int, values: Mapping[str, Any]) -> Limit:
        where = f"limit {number}"
        of_curve = "curve" in values
        if of_curve == ("figure" in values):
            raise self.wrong(
                where, "holds " + ("both figure and curve" if of_curve else "neither figure nor curve"), "give one"
            )
        self.known(values, _OF_CURVE if of_curve else _OF_FIGURE, where)
        limit = Limit(
            key=self.text(values, "curve" if of_curve else "figure", where),
            of_curve=of_curve,
            part=self.text(values, "part", where),
            least=self.number(values, "least", where, -math.inf),
            most=self.number(values, "most", where, math.inf),
            uncertainty=self.rule(values, where),
            coverage=self.number(values, "coverage", where, 2.0),
            start=self.number(values, "from", where, -math.inf),
            stop=self.number(values, "to", where, math.inf),
            relative_to=self.number(values, "re", where, math.nan),
        )
        if math.isinf(limit.least) and math.isinf(limit.most):
            raise self.wrong(where, "has neither least nor most", "give one or both")
        for low, high, names in ((limit.least, limit.most, "least, most"), (limit.start, limit.stop, "from, to")):
            if low > high:
                raise self.wrong(where, f"{names} are {low:g}, {high:g}, the wrong way round", "swap them")
        if limit.coverage <= 0.0:
            raise self.wrong(where, f"coverage is {limit.coverage:g}, but must be above 0", "2 is usual")
        return limit

    def known(self, values: Mapping[str, Any], names: tuple[str, ...], where: str) -> None:
        for name in values:
            if name not in names:
                near = difflib.get_close_matches(name, names, 1)
                remedy = f"did you mean {near[0]}?" if near else f"there are {', '.join(names)}"
                raise self.wrong(where, f"{name!r} is not a key of the format", remedy)

    def text(self, values: Mapping[str, Any], name: str, where: str) -> str:
        value = values.get(name, "")
        if not isinstance(value, str) or (name in values and not value.strip()):
            raise self.wrong(where, f"{name} is {value!r}, but must be a text", 'write it as "..."')
        return value

    def number(self, values: Mapping[str, Any], name: str, where: str, absent: float) -> float:
        value = values.get(name)
        if value is None:
            return absent
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise self.wrong(
                where, f"{name} is {value!r}, but must be a finite number", "leave it out for no limit"
            )
        return float(value)

    def rule(self, values: Mapping[str, Any], where: str) -> Uncertainty:
        value = values.get("uncertainty", "left out")
        for rule in get_args(Uncertainty):
            if value == rule:
                known: Uncertainty = rule
                return known
        words = ", ".join(f'"{rule}"' for rule in get_args(Uncertainty))
        raise self.wrong(where, f"uncertainty is {value!r}", f"give one of {words}")

    def wrong(self, where: str, rule: str, remedy: str) -> LimitsError:
        place = f"{self.source}, {where}" if where else self.source
        return LimitsError(f"{place}: {rule}; {remedy}")
