"""A report: readings and curves of one system or recording under stable keys, and of its parts."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

from measure.errors import MeasureError
from measure.limits import Limits, LimitsCheck, check_limits
from measure.meanings import meaning_lines, meaning_or_empty
from measure.results import Curve, Reading, figure_text
from measure.results.axes import draw_curve
from measure.results.reading import html_of_readings
from measure.results.result import first_with_points
from measure.results.table import Cell, Table

if TYPE_CHECKING:
    import os

    from matplotlib.axes import Axes

__all__ = ["Report", "table_lines"]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Report(Table):
    """What the standard set or a recording gave.

    Attributes
    ----------
    sample_rate, reference_level_dbfs : float
        Rate, and the level that "reference" means: a sine of that peak re full scale.
    seeds : tuple of int
        Seeds that were used; empty for a system without any.
    readings : mapping of str to Reading
        Single figures under stable keys whose end is the unit, e.g. ``weighted_flutter_percent``.
    curves : mapping of str to Curve
        What the figures were read from, for plots.
    stages : mapping of str to Report
        The same for single stages of the system, when they were given, or for the channels of a recording.
    notes : tuple of str
        What was left out, and why.
    """

    sample_rate: float
    reference_level_dbfs: float
    seeds: tuple[int, ...]
    readings: Mapping[str, Reading]
    curves: Mapping[str, Curve]
    stages: Mapping[str, "Report"] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def __getitem__(self, key: str) -> Reading:
        try:
            return self.readings[key]
        except KeyError:
            raise MeasureError(f"there is no reading {key!r}; there are {', '.join(self.readings)}") from None

    def parts(self) -> Iterator[tuple[str, "Report"]]:
        """The report itself under the name ``""``, then its stages or channels, each by its name."""
        yield "", self
        for name, report in self.stages.items():
            for inner, part in report.parts():
                yield f"{name}/{inner}" if inner else name, part

    def check(self, limits: "str | os.PathLike[str] | Limits") -> LimitsCheck:
        """Hold the figures against limits.

        Parameters
        ----------
        limits : path or Limits
            File in the format of :func:`measure.limits.read_limits`, or what that function returned.

        Returns
        -------
        LimitsCheck
            Pass or fail line by line; true as a whole where every line passes.

        Raises
        ------
        LimitsError
            If the file cannot be used, or asks for a figure that does not exist.
        """
        return check_limits(dict(self.parts()), limits)

    def __repr__(self) -> str:
        counts = {"reading": len(self.readings), "curve": len(self.curves), "part": len(self.stages)}
        told = ", ".join(f"{count} {name}{'s' if count > 1 else ''}" for name, count in counts.items() if count)
        return f"<Report at {self.sample_rate:g} Hz: {told or 'nothing'}>"

    def __str__(self) -> str:
        return "\n".join([*self._lines(), "", "What the figures tell:", *meaning_lines(self._keys())])

    def _lines(self) -> list[str]:
        lines = [self._headline(), *table_lines(self.readings), *(f"note: {note}" for note in self.notes)]
        for name, report in self.stages.items():
            lines += ["", f"{_title(name)}:", *(f"  {line}" for line in report._lines())]
        return lines

    def _headline(self) -> str:
        seeds = f", seeds {', '.join(map(str, self.seeds))}" if self.seeds else ""
        return f"at {self.sample_rate:g} Hz, reference level {self.reference_level_dbfs:g} dBFS{seeds}"

    def _keys(self) -> list[str]:
        return [key for _, part in self.parts() for key in part.readings]

    def to_rows(self) -> list[dict[str, Cell]]:
        """One row a reading: part (empty for the whole), key, what it tells, and the columns of a reading."""
        return [
            {"part": name, "key": key, "definition": meaning_or_empty(key), **row}
            for name, part in self.parts()
            for key, reading in part.readings.items()
            for row in reading.to_rows()
        ]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, with a sentence for each key that says what it tells."""
        return {
            "sample_rate": self.sample_rate,
            "reference_level_dbfs": self.reference_level_dbfs,
            "seeds": list(self.seeds),
            "readings": {key: reading.to_dict() for key, reading in self.readings.items()},
            "definitions": {key: told for key in self.readings if (told := meaning_or_empty(key))},
            "curves": {key: curve.to_dict() for key, curve in self.curves.items()},
            "stages": {name: report.to_dict() for name, report in self.stages.items()},
            "notes": list(self.notes),
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Report from what :meth:`to_dict` returned."""
        return cls(
            sample_rate=float(values["sample_rate"]),
            reference_level_dbfs=float(values["reference_level_dbfs"]),
            seeds=tuple(values["seeds"]),
            readings={key: Reading.from_dict(reading) for key, reading in values["readings"].items()},
            curves={key: Curve.from_dict(curve) for key, curve in values["curves"].items()},
            stages={name: cls.from_dict(report) for name, report in values["stages"].items()},
            notes=tuple(values["notes"]),
        )

    def _repr_html_(self) -> str:
        return "".join(
            html_of_readings(
                f"{_title(name)}, {part._headline()}" if name else part._headline(),
                part.readings,
                meaning=meaning_or_empty,
                notes=tuple(f"note: {note}" for note in part.notes),
            )
            for name, part in self.parts()
        )

    def plot(self, ax: "Axes | None" = None, *, curve: str | None = None, label: str | None = None) -> "Axes":
        """Draw one of the curves over what is there; :func:`measure.plots.figures_of` draws all of them.

        Parameters
        ----------
        ax, label
            As for :meth:`measure.Reading.plot`.
        curve : str, optional
            Key of a curve; the first that holds points if left out.

        Raises
        ------
        MeasureError
            If there is no such curve, or none at all.
        """
        chosen = self.curves.get(curve) if curve is not None else first_with_points(self.curves)
        if chosen is None:
            raise MeasureError(
                f"there is no curve {curve or 'to draw'!r}; there are {', '.join(self.curves) or 'none'}"
            )
        return draw_curve(ax, chosen, label=label)


def table_lines(readings: Mapping[str, Reading]) -> list[str]:
    """One line for each reading: key, value, uncertainty, unit, and what limits it.

    What limits several readings becomes a numbered line at the end.
    """
    width = max((len(key) for key in readings), default=0)
    seen = [warning for reading in readings.values() for warning in reading.warnings]
    shared = [warning for warning in dict.fromkeys(seen) if seen.count(warning) > 1]

    def remarks(reading: Reading) -> str:
        return "; ".join(
            f"note {shared.index(warning) + 1}" if warning in shared else warning for warning in reading.warnings
        )

    lines = []
    for key, reading in readings.items():
        if reading.defined:
            value, doubt = figure_text(reading.value, reading.uncertainty)
            text = f"{value:>11} {doubt:<11} {reading.unit}"
            text += f"  [{remarks(reading)}]" if reading.warnings else ""
        else:
            text = f"{'undefined':>11} ({remarks(reading) or 'no reason given'})"
        lines.append(f"{key:<{width}} {text}".rstrip())
    return lines + [f"note {number}: {warning}" for number, warning in enumerate(shared, start=1)]


def _title(name: str) -> str:
    return name if name.startswith("channel ") else f"stage {name}"
