"""Holding figures and curves against limits."""

import difflib
import math
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Protocol

import numpy as np

from measure.errors import LimitsError
from measure.limits.file import Limit, Limits, read_limits
from measure.limits.junit import Case, junit_xml
from measure.meanings import meaning_or_empty
from measure.results import Curve, Reading, figure_with_unit
from measure.results.table import Cell, Table, html_table, plain
from measure.writing import whole_file

__all__ = ["EXIT_NOT_KEPT", "LimitLine", "LimitsCheck", "Measured", "check_limits"]

EXIT_NOT_KEPT = 6
"""Status of a process that found a limit not kept."""

_RULES = {
    "left out": "value alone",
    "against": "value with {coverage:g} standard uncertainties inside",
    "in favour": "value within {coverage:g} standard uncertainties of it",
}


class Measured(Protocol):
    """Readings and curves by key."""

    @property
    def readings(self) -> Mapping[str, Reading]: ...

    @property
    def curves(self) -> Mapping[str, Curve]: ...


@dataclass(frozen=True, kw_only=True)
class LimitLine:
    """What became of one limit.

    Attributes
    ----------
    part : str
        Stage or channel; empty for the whole.
    key : str
        Key of the reading, or of the curve with the range.
    value, uncertainty : float
        Figure and standard uncertainty; of a curve those of the point nearest to breaking the limit, or furthest
        beyond it. ``nan`` where there is none.
    unit : str
        Their unit.
    least, most : float
        The limits; infinite where there is none.
    rule : str
        How the uncertainty counts.
    passed : bool
        Whether the limit is kept.
    reason : str
        Why not, or for a curve where it comes nearest; empty otherwise.
    """

    part: str
    key: str
    value: float
    uncertainty: float
    unit: str
    least: float
    most: float
    rule: str
    passed: bool
    reason: str = ""

    def __str__(self) -> str:
        figure = figure_with_unit(self.value, self.uncertainty, self.unit)
        limits = [f"least {self.least:g}"] if math.isfinite(self.least) else []
        limits += [f"most {self.most:g}"] if math.isfinite(self.most) else []
        name = f"{self.part}: {self.key}" if self.part else self.key
        reason = f": {self.reason}" if self.reason else ""
        return f"{'pass' if self.passed else 'FAIL'}  {name}  {figure} ({', '.join(limits)}; {self.rule}){reason}"


@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class LimitsCheck(Table):
    """Pass or fail, line by line; true where every line passes.

    Attributes
    ----------
    title, source : str
        What was accepted, and by which file.
    lines : tuple of LimitLine
        In the order of the file; a limit that holds for several parts has a line for each.
    """

    title: str
    source: str
    lines: tuple[LimitLine, ...]

    @property
    def passed(self) -> bool:
        """Whether every limit is kept."""
        return all(line.passed for line in self.lines)

    def __bool__(self) -> bool:
        return self.passed

    @property
    def exit_status(self) -> int:
        """0 where every limit is kept, 6 where one is not."""
        return 0 if self.passed else EXIT_NOT_KEPT

    def __str__(self) -> str:
        return "\n".join([self._headline(), *map(str, self.lines)])

    def __repr__(self) -> str:
        return f"<LimitsCheck {self._headline()}>"

    def _headline(self) -> str:
        kept = sum(line.passed for line in self.lines)
        return f"{self.title}: {'pass' if self.passed else 'FAIL'}, {kept} of {len(self.lines)} limits kept"

    def to_rows(self) -> list[dict[str, Cell]]:
        """One row a line, with its attributes as columns."""
        return [asdict(line) for line in self.lines]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; a limit that is not set becomes ``None``."""
        return {
            "title": self.title,
            "source": self.source,
            "passed": self.passed,
            "lines": [{name: plain(value) for name, value in row.items()} for row in self.to_rows()],
        }

    def _repr_html_(self) -> str:
        rows = [{**row, "passed": "pass" if row["passed"] else "FAIL"} for row in self.to_rows()]
        return html_table(self._headline(), rows)

    def to_junit(self, path: str | os.PathLike[str] | None = None, *, overwrite: bool = False) -> str:
        """The lines as JUnit XML, one test case each; parameters, result and errors as for :meth:`to_csv`."""
        cases = [Case(line.part or "whole", line.key, "" if line.passed else str(line)) for line in self.lines]
        text = junit_xml(self.title, cases)
        if path is not None:
            with whole_file(path, overwrite=overwrite) as file:
                file.write(text.encode("utf-8"))
        return text


def check_limits(parts: Mapping[str, Measured], limits: str | os.PathLike[str] | Limits) -> LimitsCheck:
    """Hold what was measured against limits.

    Parameters
    ----------
    parts : mapping of str to an object with `readings` and `curves`
        The whole under ``""``, stages and channels by name.
    limits : path or Limits
        The file, or what :func:`read_limits` returned.

    Raises
    ------
    LimitsError
        If the file cannot be used, or asks for a part or a figure that does not exist.

    Notes
    -----
    The three rules for the uncertainty are simple acceptance, guarded acceptance and guarded rejection of
    JCGM 106:2012 (names and clause 8 from memory).
    """
    known = limits if isinstance(limits, Limits) else read_limits(limits)
    lines = []
    for number, limit in enumerate(known.limits, start=1):
        _check_names(limit, parts, f"{known.source}, limit {number}")
        judge = _curve_line if limit.of_curve else _figure_line
        lines += [judge(limit, name, parts[name]) for name in _parts_for(limit, parts)]
    return LimitsCheck(title=known.title, source=known.source, lines=tuple(lines))


def _check_names(limit: Limit, parts: Mapping[str, Measured], where: str) -> None:
    if limit.part and limit.part not in parts:
        there = ", ".join(name for name in parts if name) or "none"
        raise LimitsError(f"{where}: there is no part {limit.part!r}; there are {there}")
    measured = list(_keys(limit, parts.values()))
    if limit.key in measured or (not limit.of_curve and meaning_or_empty(limit.key)):
        return
    near = difflib.get_close_matches(limit.key, measured, 1)
    remedy = f"did you mean {near[0]}?" if near else f"there are {', '.join(dict.fromkeys(measured)) or 'none'}"
    raise LimitsError(f"{where}: there is no {'curve' if limit.of_curve else 'figure'} {limit.key!r}; {remedy}")


def _keys(limit: Limit, parts: Iterable[Measured]) -> Iterator[str]:
    for part in parts:
        yield from part.curves if limit.of_curve else part.readings


def _parts_for(limit: Limit, parts: Mapping[str, Measured]) -> list[str]:
    """The part that is asked for; else the whole, or each part that has the figure where the whole has not."""
    whole = next(iter(parts))
    if limit.part:
        return [limit.part]
    having = [name for name, part in parts.items() if limit.key in _keys(limit, [part])]
    return [whole] if whole in having or not having else having


def _figure_line(limit: Limit, part: str, measured: Measured) -> LimitLine:
    line = _line(limit, part, limit.key)
    reading = measured.readings.get(limit.key)
    if reading is None:
        return replace(line, reason="was not measured")
    line = replace(line, value=reading.value, uncertainty=reading.uncertainty, unit=reading.unit)
    if not reading.defined:
        return replace(line, reason="; ".join(reading.warnings) or "no reason given")
    excess, reason = _excess(limit, reading.value, reading.uncertainty)
    return replace(line, passed=excess <= 0.0, reason=reason)


def _curve_line(limit: Limit, part: str, measured: Measured) -> LimitLine:
    line = _line(limit, part, limit.key)
    curve = measured.curves.get(limit.key)
    if curve is None or not curve.x.size:
        return replace(line, reason="was not measured")
    low, high = float(np.min(curve.x)), float(np.max(curve.x))
    start, stop = (
        (low if math.isinf(limit.start) else limit.start),
        (high if math.isinf(limit.stop) else limit.stop),
    )
    line = replace(line, key=f"{limit.key} from {start:g} to {stop:g} {curve.x_unit}".rstrip(), unit=curve.y_unit)
    wanted = [start, stop, *([] if math.isnan(limit.relative_to) else [limit.relative_to])]
    if min(wanted) < low or max(wanted) > high:
        return replace(line, reason=f"is known from {low:g} to {high:g} {curve.x_unit} only".replace("  ", " "))
    x, y, doubt = _points(curve, start, stop, limit.relative_to)
    if not np.all(np.isfinite(y)):
        return replace(line, reason=f"is undefined at {x[~np.isfinite(y)][0]:g} {curve.x_unit}".rstrip())
    judged = [_excess(limit, float(value), float(sigma)) for value, sigma in zip(y, doubt, strict=True)]
    worst = max(range(len(judged)), key=lambda i: judged[i][0])
    excess, reason = judged[worst]
    place = f"nearest at {x[worst]:g} {curve.x_unit}".rstrip() if not reason else f"{reason} at {x[worst]:g}"
    return replace(
        line, value=float(y[worst]), uncertainty=float(doubt[worst]), passed=excess <= 0.0, reason=place
    )


def _points(curve: Curve, start: float, stop: float, zero: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points of a curve in a range, its ends and the zero interpolated between the nearest two."""
    order = np.argsort(curve.x, kind="stable")
    x, y = curve.x[order], curve.y[order]
    sigma = np.full(x.shape, math.nan) if curve.uncertainty is None else curve.uncertainty[order]
    at = np.unique([start, *x[(x > start) & (x < stop)], stop])
    level = 0.0 if math.isnan(zero) else float(np.interp(zero, x, y))
    return at, np.interp(at, x, y) - level, np.interp(at, x, sigma)


def _line(limit: Limit, part: str, key: str) -> LimitLine:
    """The line of a limit of which nothing is known yet."""
    return LimitLine(
        part=part,
        key=key,
        value=math.nan,
        uncertainty=math.nan,
        unit="",
        least=limit.least,
        most=limit.most,
        rule=_RULES[limit.uncertainty].format(coverage=limit.coverage),
        passed=False,
    )


def _excess(limit: Limit, value: float, uncertainty: float) -> tuple[float, str]:
    """How far a value is beyond the limits, negative inside; and what is wrong, or nothing."""
    allowance = 0.0
    if limit.uncertainty == "against":
        if math.isnan(uncertainty):
            return math.inf, "its uncertainty is not known, so it cannot count against it"
        allowance = -limit.coverage * uncertainty
    elif limit.uncertainty == "in favour" and not math.isnan(uncertainty):
        allowance = limit.coverage * uncertainty
    below, above = limit.least - value - allowance, value - limit.most - allowance
    if max(below, above) <= 0.0:
        return max(below, above), ""
    inside = limit.least <= value <= limit.most
    beyond = "too near to a limit for its uncertainty" if inside else "too low" if below > above else "too high"
    return max(below, above), beyond
