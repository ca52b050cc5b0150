"""One figure and all that is needed to trust it."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

from measure.errors import MeasureError
from measure.results.digits import figure_text, figure_with_unit
from measure.results.table import Cell, Table, html_table, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Condition", "Conditions", "Reading", "html_of_readings", "undefined"]

Condition = str | float | int | bool
Conditions = dict[str, Condition]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Reading(Table):
    """One figure and all that is needed to trust it.

    Attributes
    ----------
    quantity : str
        What was measured, e.g. ``"weighted flutter"``.
    value : float
        The figure, or ``nan`` when the conditions for it were not met; `warnings` then says why.
    unit : str
        Unit of `value` and `uncertainty`.
    method : str
        How, e.g. ``"two-sigma"``.
    standard : str
        Document that defines the method, or ``"none"``.
    conditions : Mapping
        Level, tone, duration, band, rate and whatever else the figure depends on; units end the names.
    uncertainty : float
        Standard uncertainty in the unit of the value; ``nan`` when it is not known.
    uncertainty_basis : str
        ``"theory"``, ``"repeats"``, both, or why there is none.
    warnings : tuple of str
        Sentences about what limits the figure; empty when nothing does.

    Notes
    -----
    A reading counts as its value: ``float(reading)``, ``f"{reading:.3f}"``, ``reading < 0.1``. Comparing two
    readings compares their values in one unit; whether they differ by more than chance says
    :meth:`agrees_with`. Only readings alike in everything are equal.
    """

    quantity: str
    value: float
    unit: str
    method: str
    standard: str = "none"
    conditions: Mapping[str, Condition] = field(default_factory=dict)
    uncertainty: float = math.nan
    uncertainty_basis: str = "not stated"
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", float(self.value))
        object.__setattr__(self, "uncertainty", float(self.uncertainty))
        object.__setattr__(self, "conditions", dict(self.conditions))
        object.__setattr__(self, "warnings", tuple(self.warnings))

    def __eq__(self, other: object) -> bool:
        # Through the dictionary form, so that two undefined figures are equal.
        return isinstance(other, Reading) and self.to_dict() == other.to_dict()

    def __hash__(self) -> int:
        return hash((self.quantity, self.unit, self.method))

    def __float__(self) -> float:
        return self.value

    def __format__(self, spec: str) -> str:
        return format(self.value, spec) if spec else str(self)

    def __lt__(self, other: "Reading | float") -> bool:
        return self.value < self._comparable(other)

    def __le__(self, other: "Reading | float") -> bool:
        return self.value <= self._comparable(other)

    def __gt__(self, other: "Reading | float") -> bool:
        return self.value > self._comparable(other)

    def __ge__(self, other: "Reading | float") -> bool:
        return self.value >= self._comparable(other)

    def _comparable(self, other: "Reading | float") -> float:
        if isinstance(other, Reading) and other.unit != self.unit:
            raise MeasureError(
                f"{self.quantity} has unit {self.unit!r} and {other.quantity} {other.unit!r}; "
                "only readings in one unit can be compared"
            )
        return float(other)

    def agrees_with(self, other: "Reading | float", *, coverage: float = 2.0) -> bool:
        """Whether two figures differ by no more than their uncertainties together allow.

        Parameters
        ----------
        other : Reading or float
            A reading in the same unit, or a number that is beyond doubt.
        coverage : float
            How many standard uncertainties of the difference are allowed; 2 holds 95 % of all cases.

        Returns
        -------
        bool
            False where either is undefined.

        Raises
        ------
        MeasureError
            If the units differ, or an uncertainty is not known.
        """
        difference = self.value - self._comparable(other)
        doubts = [self.uncertainty, other.uncertainty if isinstance(other, Reading) else 0.0]
        if math.isnan(difference):
            return False
        if any(math.isnan(doubt) for doubt in doubts):
            raise MeasureError(
                f"an uncertainty of {self.quantity} is not known, so whether two figures agree cannot be said; "
                "compare the values"
            )
        return abs(difference) <= coverage * math.hypot(*doubts)

    @property
    def defined(self) -> bool:
        """Whether there is a figure."""
        return not math.isnan(self.value)

    def figure(self) -> str:
        """The figure as people read it, with uncertainty and unit: ``"0.123 ± 0.010 %"``, ``"3 % exact"``."""
        return figure_with_unit(self.value, self.uncertainty, self.unit)

    def __repr__(self) -> str:
        return f"<Reading {self.quantity}: {self.figure() if self.defined else 'undefined'}>"

    def __str__(self) -> str:
        if not self.defined:
            return f"{self.quantity}: undefined ({'; '.join(self.warnings) or 'no reason given'})"
        notes = f" [{'; '.join(self.warnings)}]" if self.warnings else ""
        standard = "" if self.standard == "none" else f", {self.standard}"
        return f"{self.quantity}: {self.figure()} ({self.method}{standard}){notes}"

    def to_rows(self) -> list[dict[str, Cell]]:
        """One row: quantity, value, unit, uncertainty and its basis, method, standard, conditions, warnings."""
        return [
            {
                "quantity": self.quantity,
                "value": self.value,
                "unit": self.unit,
                "uncertainty": self.uncertainty,
                "uncertainty_basis": self.uncertainty_basis,
                "method": self.method,
                "standard": self.standard,
                "conditions": "; ".join(f"{name}={plain(value)}" for name, value in self.conditions.items()),
                "warnings": "; ".join(self.warnings),
            }
        ]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; an undefined number becomes ``None``."""
        return {
            "quantity": self.quantity,
            "value": plain(self.value),
            "unit": self.unit,
            "method": self.method,
            "standard": self.standard,
            "conditions": {name: plain(value) for name, value in self.conditions.items()},
            "uncertainty": plain(self.uncertainty),
            "uncertainty_basis": self.uncertainty_basis,
            "warnings": list(self.warnings),
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Reading from what :meth:`to_dict` returned."""
        known = dict(values)
        for name in ("value", "uncertainty"):
            known[name] = math.nan if known.get(name) is None else known[name]
        known["warnings"] = tuple(known.get("warnings", ()))
        return cls(**known)

    def _repr_html_(self) -> str:
        return html_of_readings(self.quantity, {"": self})

    def plot(self, ax: "Axes | None" = None, *, label: str | None = None) -> "Axes":
        """Draw the figure as a point with its standard uncertainty, beside those that are there.

        Parameters
        ----------
        ax : matplotlib Axes, optional
            Where to draw; give what an earlier call returned to lay one over another. New ones if left out.
        label : str, optional
            Name of the point; the quantity if left out.

        Returns
        -------
        matplotlib Axes
        """
        from measure.results.axes import draw_points

        return draw_points(ax, {label or self.quantity: self}, unit=self.unit)


def undefined(
    quantity: str,
    unit: str,
    reason: str,
    conditions: Mapping[str, Condition],
    *,
    method: str = "none",
    standard: str = "none",
) -> Reading:
    """A reading without a figure, and why there is none."""
    return Reading(
        quantity=quantity,
        value=math.nan,
        unit=unit,
        method=method,
        standard=standard,
        conditions=conditions,
        uncertainty_basis="no figure",
        warnings=(reason,),
    )


def html_of_readings(
    caption: str,
    readings: Mapping[str, Reading],
    *,
    meaning: Callable[[str], str] | None = None,
    notes: tuple[str, ...] = (),
) -> str:
    """Readings as a table in HTML, each by its key, with what it tells where that is known."""
    rows = []
    for key, reading in readings.items():
        value, doubt = figure_text(reading.value, reading.uncertainty)
        rows.append(
            {
                **({"key": key} if key else {}),
                "quantity": reading.quantity,
                "value": value,
                "uncertainty": doubt,
                "unit": reading.unit,
                "method": reading.method,
                "standard": reading.standard,
                **({"tells": meaning(key)} if meaning else {}),
                "warnings": "; ".join(reading.warnings),
            }
        )
    return html_table(caption, rows, notes)
