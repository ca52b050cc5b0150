"""A figure that is a function of another."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from measure.errors import MeasureError
from measure.results.reading import Condition
from measure.results.table import Cell, Table, html_table, plain
from measure.validation import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Curve"]

_ENDS = {"%": "percent", "s": "seconds", "": ""}  # units that names spell differently


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Curve(Table):
    """A figure that is a function of another: a spectrum, a decay, distortion against level.

    Attributes
    ----------
    quantity : str
        What the curve shows.
    x, y : ndarray, shape (points,)
        Abscissa and ordinate; ``nan`` where there is no figure.
    x_name, x_unit, y_unit : str
        Name of the abscissa, and the units.
    uncertainty : ndarray, shape (points,), optional
        Standard uncertainty of each ordinate in its unit; ``nan`` where it is not known, None where it is known
        nowhere.
    method : str
        How it was measured; empty where that is not known.
    conditions : Mapping
        What the curve depends on, as for :class:`measure.Reading`.
    warnings : tuple of str
        Sentences about what limits it, and why points are undefined.
    """

    quantity: str
    x: FloatArray
    y: FloatArray
    x_name: str
    x_unit: str
    y_unit: str
    uncertainty: FloatArray | None = None
    method: str = ""
    conditions: Mapping[str, Condition] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "conditions", dict(self.conditions))
        object.__setattr__(self, "warnings", tuple(self.warnings))
        for name in ("x", "y", "uncertainty"):
            if getattr(self, name) is None:
                continue
            frozen = np.array(getattr(self, name), dtype=np.float64)
            frozen.flags.writeable = False
            object.__setattr__(self, name, frozen)
        if self.x.shape != self.y.shape:
            raise MeasureError(
                f"{self.quantity} has {self.y.size} values at {self.x.size} places; give one for each place"
            )
        if self.uncertainty is not None and self.uncertainty.shape != self.y.shape:
            raise MeasureError(
                f"the uncertainty of {self.quantity} has shape {self.uncertainty.shape}, but must have that of y, "
                f"{self.y.shape}"
            )

    def __repr__(self) -> str:
        return f"<Curve {self.quantity}: {self._extent()}>"

    def _extent(self) -> str:
        if not self.x.size:
            return "no points"
        ends = f"{self.x_name} {np.min(self.x):.4g} to {np.max(self.x):.4g} {self.x_unit}".rstrip()
        known = self.y[np.isfinite(self.y)]
        heights = (
            f"{np.min(known):.4g} to {np.max(known):.4g} {self.y_unit}".rstrip() if known.size else "undefined"
        )
        return f"{self.x.size} points, {ends}, {heights}"

    def to_rows(self) -> list[dict[str, Cell]]:
        """One row a point: abscissa and ordinate under names that end with the unit, and the uncertainty."""
        x_name, y_name = _column(self.x_name, self.x_unit), _column(self.quantity, self.y_unit)
        return [{x_name: x, y_name: y, "uncertainty": sigma} for x, y, sigma in self.points()]

    def points(self) -> list[tuple[float, float, float]]:
        """Abscissa, ordinate and standard uncertainty of each point, ``nan`` where there is none."""
        sigma = np.full(self.y.shape, math.nan) if self.uncertainty is None else self.uncertainty
        return list(zip(self.x.tolist(), self.y.tolist(), sigma.tolist(), strict=True))

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "quantity": self.quantity,
            "x": plain(self.x),
            "y": plain(self.y),
            "x_name": self.x_name,
            "x_unit": self.x_unit,
            "y_unit": self.y_unit,
            **({} if self.uncertainty is None else {"uncertainty": plain(self.uncertainty)}),
            "method": self.method,
            "conditions": {name: plain(value) for name, value in self.conditions.items()},
            "warnings": list(self.warnings),
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Curve from what :meth:`to_dict` returned."""
        known = dict(values)
        for name in ("x", "y", "uncertainty"):
            if known.get(name) is not None:
                known[name] = np.array([math.nan if v is None else v for v in known[name]], dtype=np.float64)
        known["warnings"] = tuple(known.get("warnings", ()))
        return cls(**known)

    def _repr_html_(self) -> str:
        return html_table(f"{self.quantity}: {self._extent()}", [])

    def plot(self, ax: "Axes | None" = None, *, label: str | None = None) -> "Axes":
        """Draw the curve, over those that are there; parameters and result as for :meth:`Reading.plot`.

        Frequencies get a logarithmic axis, and so do percentages against frequency or level. A band shows two
        standard uncertainties where they are known.
        """
        from measure.results.axes import draw_curve

        return draw_curve(ax, self, label=label)


def _column(name: str, unit: str) -> str:
    words = "".join(letter if letter.isalnum() else " " for letter in name.lower()).split()
    end = _ENDS.get(unit, "".join(letter for letter in unit.lower() if letter.isalnum()))
    return "_".join([*words, end] if end and end not in words else words)
