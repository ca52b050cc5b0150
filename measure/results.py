"""What a measurement returns: small frozen objects that print as a line and go to JSON and back."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Self

import numpy as np

from measure.validation import FloatArray

__all__ = ["Condition", "Curve", "Reading", "figure_text"]

_MOST_DIGITS = 6
_EXACT = 1e-9

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
        value, doubt = figure_text(self.value, self.uncertainty)
        doubt = f" {doubt}" if doubt else ""
        unit = f" {self.unit}" if self.unit else ""
        notes = f" [{'; '.join(self.warnings)}]" if self.warnings else ""
        standard = "" if self.standard == "none" else f", {self.standard}"
        return f"{self.quantity}: {value}{doubt}{unit} ({self.method}{standard}){notes}"

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


def figure_text(value: float, uncertainty: float, *, most_digits: int = _MOST_DIGITS) -> tuple[str, str]:
    """A figure as people read it: no more digits than its uncertainty supports.

    Parameters
    ----------
    value, uncertainty : float
        The figure and its standard uncertainty, ``nan`` where it is not known.
    most_digits : int
        Significant digits shown at the most, however small the uncertainty.

    Returns
    -------
    value, doubt : str
        The value down to the first digit that is in doubt (the second, where the first is 1 or 2), and
        ``"± 0.02"``; ``"± < 0.01"`` where the last digit shown is beyond doubt; ``"exact"`` where the doubt is no
        more than the rounding of the numbers, under 1e-9 and under 1e-9 of the value; empty where it is not known.
    """
    if math.isnan(value):
        return "undefined", ""
    if math.isinf(value):
        return str(value), ""
    if math.isinf(uncertainty):
        return f"{value:.1g}", "± any"
    # Of the rounded value, for 0.09996 is 0.100 in three digits.
    size = int(f"{value:.{most_digits - 1}e}".split("e")[1]) if value else 0
    finest = most_digits - 1 - size
    if math.isnan(uncertainty):
        return _fixed(value, min(3 - size, finest) if value else 0), ""
    if uncertainty <= _EXACT * max(abs(value), 1.0):
        # A value of that size is nothing but rounding too.
        shown = 0.0 if abs(value) <= 10.0 * _EXACT else value
        text = _fixed(shown, finest) if shown else "0"
        return (text.rstrip("0").rstrip(".") if "." in text else text), "exact"
    # Rounded to one digit first, for 0.96 is 1.0 and 0.026 is 0.03.
    lead = f"{uncertainty:.1e}"
    decimals = -int(lead.split("e")[1]) + (1 if lead[0] in "12" else 0)
    if value and decimals > finest:
        text = _fixed(value, finest)
        if uncertainty < 0.5 * 10.0**-finest:
            return text, f"± < {_fixed(10.0**-finest, finest)}"
        return text, f"± {_fixed(uncertainty, finest)}"
    return _fixed(value, decimals), f"± {_fixed(uncertainty, decimals)}"


def _fixed(value: float, decimals: int) -> str:
    """Rounded to so many decimals, to tens and hundreds for negative ones."""
    if decimals > 15:
        return f"{value:.2g}"
    rounded = round(value, decimals) + 0.0  # no minus before a zero
    return f"{rounded:.{max(decimals, 0)}f}"


def _plain(value: Condition) -> Condition | None:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
