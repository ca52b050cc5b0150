"""What a measurement returns: small frozen objects that print as a line and go to JSON and back."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Self

import numpy as np

from measure.validation import FloatArray

__all__ = ["Curve", "Reading"]

Condition = str | float | int | bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Reading:
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

    @property
    def defined(self) -> bool:
        """Whether there is a figure."""
        return not math.isnan(self.value)

    def __str__(self) -> str:
        if not self.defined:
            return f"{self.quantity}: undefined ({'; '.join(self.warnings) or 'no reason given'})"
        doubt = "" if math.isnan(self.uncertainty) else f" ± {self.uncertainty:.2g}"
        unit = f" {self.unit}" if self.unit else ""
        notes = f" [{'; '.join(self.warnings)}]" if self.warnings else ""
        standard = "" if self.standard == "none" else f", {self.standard}"
        return f"{self.quantity}: {self.value:.4g}{doubt}{unit} ({self.method}{standard}){notes}"

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; an undefined number becomes ``None``."""
        return {
            "quantity": self.quantity,
            "value": _plain(self.value),
            "unit": self.unit,
            "method": self.method,
            "standard": self.standard,
            "conditions": {name: _plain(value) for name, value in self.conditions.items()},
            "uncertainty": _plain(self.uncertainty),
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


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """A figure that is a function of another: a spectrum, a decay, distortion against level.

    Attributes
    ----------
    quantity : str
        What the curve shows.
    x, y : ndarray, shape (points,)
        Abscissa and ordinate.
    x_name, x_unit, y_unit : str
        Name of the abscissa, and the units.
    """

    quantity: str
    x: FloatArray
    y: FloatArray
    x_name: str
    x_unit: str
    y_unit: str

    def __post_init__(self) -> None:
        for name in ("x", "y"):
            frozen = np.array(getattr(self, name), dtype=np.float64)
            frozen.flags.writeable = False
            object.__setattr__(self, name, frozen)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "quantity": self.quantity,
            "x": [_plain(value) for value in self.x.tolist()],
            "y": [_plain(value) for value in self.y.tolist()],
            "x_name": self.x_name,
            "x_unit": self.x_unit,
            "y_unit": self.y_unit,
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Curve from what :meth:`to_dict` returned."""
        known = dict(values)
        for name in ("x", "y"):
            known[name] = np.array([math.nan if v is None else v for v in known[name]], dtype=np.float64)
        return cls(**known)


def _plain(value: Condition) -> Condition | None:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
