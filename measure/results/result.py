"""Groups of readings and curves that one measurement gives."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any, Self, TypeVar, get_args, get_origin, get_type_hints

import numpy as np

from measure.errors import MeasureError
from measure.results.axes import draw_curve, draw_points
from measure.results.curve import Curve
from measure.results.reading import Reading, html_of_readings
from measure.results.table import Cell, Table, html_table, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Result", "first_with_points"]

_Part = TypeVar("_Part", Reading, Curve)
_SHOWN = 3


class Result(Table):
    """What one measurement gives: a frozen dataclass of readings, curves, and groups of them.

    Each reading and each curve has a key, the way to it joined by dots: ``weighted.two_sigma`` is
    ``result.weighted["two_sigma"]``, ``harmonics.0`` is ``result.harmonics[0]``.
    """

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Every reading, in the order of the attributes."""
        return tuple(self.named_readings().values())

    @property
    def curves(self) -> tuple[Curve, ...]:
        """Every curve, in the order of the attributes."""
        return tuple(self.named_curves().values())

    def named_readings(self) -> dict[str, Reading]:
        """Every reading by its key."""
        return dict(_parts(self, Reading))

    def named_curves(self) -> dict[str, Curve]:
        """Every curve by its key."""
        return dict(_parts(self, Curve))

    def __repr__(self) -> str:
        readings = self.named_readings()
        few = [f"{key} {reading.figure()}" for key, reading in list(readings.items())[:_SHOWN]]
        more = [f"{len(readings) - _SHOWN} more readings"] if len(readings) > _SHOWN else []
        curves = self.named_curves()
        more += [f"{len(curves)} curve{'s' if len(curves) > 1 else ''}"] if curves else []
        return f"<{type(self).__name__} {', '.join([*few, *more])}>"

    def __str__(self) -> str:
        return "\n".join(str(reading) for reading in self.readings)

    def to_rows(self) -> list[dict[str, Cell]]:
        """One row a reading: its key, and the columns of :meth:`Reading.to_rows`.

        A result that holds curves only has a row a point: key and quantity of the curve, x, y, their units, and
        the uncertainty of y.
        """
        readings = self.named_readings()
        if readings:
            return [{"key": key, **row} for key, each in readings.items() for row in each.to_rows()]
        return [
            {
                "key": key,
                "quantity": curve.quantity,
                "x": x,
                "x_unit": curve.x_unit,
                "y": y,
                "y_unit": curve.y_unit,
                "uncertainty": sigma,
            }
            for key, curve in self.named_curves().items()
            for x, y, sigma in curve.points()
        ]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, by attribute; an undefined number becomes ``None``."""
        return {each.name: _plain_value(getattr(self, each.name)) for each in fields(self)}  # type: ignore[arg-type]

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Result from what :meth:`to_dict` returned."""
        made: Self = _made(cls, values)
        return made

    def _repr_html_(self) -> str:
        return html_of_readings(type(self).__name__, self.named_readings()) + "".join(
            html_table(f"{key}: {curve!r}", []) for key, curve in self.named_curves().items()
        )

    def plot(self, ax: "Axes | None" = None, *, curve: str | None = None, label: str | None = None) -> "Axes":
        """Draw one of the curves, or the readings where there is no curve, over what is there.

        Parameters
        ----------
        ax, label
            As for :meth:`Reading.plot`.
        curve : str, optional
            Key of a curve; the first that holds points if left out. Without any, the readings that share the
            unit of the first are drawn.

        Returns
        -------
        matplotlib Axes

        Raises
        ------
        MeasureError
            If there is no such curve.
        """
        curves = self.named_curves()
        if curve is not None and curve not in curves:
            raise MeasureError(f"there is no curve {curve!r}; there are {', '.join(curves) or 'none'}")
        chosen = curves.get(curve) if curve is not None else first_with_points(curves)
        if chosen is not None:
            return draw_curve(ax, chosen, label=label)
        readings = self.named_readings()
        unit = next((each.unit for each in readings.values() if each.defined), "")
        known = {key: each for key, each in readings.items() if each.defined and each.unit == unit}
        return draw_points(
            ax, {f"{label}: {key}" if label else key: each for key, each in known.items()}, unit=unit
        )


def first_with_points(curves: Mapping[str, Curve]) -> Curve | None:
    """The first curve that has a figure anywhere."""
    return next((each for each in curves.values() if np.isfinite(each.y).any()), None)


def _parts(value: Any, kind: type[_Part], key: str = "") -> Iterator[tuple[str, _Part]]:
    """Readings or curves inside a value, however deep, by the way to them."""
    if isinstance(value, kind):
        yield key, value
        return
    inner: Iterator[tuple[str, Any]] = iter(())
    if isinstance(value, Mapping):
        inner = iter(value.items())
    elif isinstance(value, tuple):
        inner = ((str(i), each) for i, each in enumerate(value))
    elif is_dataclass(value) and not isinstance(value, Reading | Curve):
        inner = ((each.name, getattr(value, each.name)) for each in fields(value))
    for name, each in inner:
        yield from _parts(each, kind, f"{key}.{name}" if key else name)


def _plain_value(value: Any) -> Any:
    if isinstance(value, Table):
        return value.to_dict()
    if isinstance(value, Mapping):
        return {name: _plain_value(each) for name, each in value.items()}
    if isinstance(value, tuple):
        return [_plain_value(each) for each in value]
    if is_dataclass(value):
        return {each.name: _plain_value(getattr(value, each.name)) for each in fields(value)}
    return plain(value)


def _made(kind: Any, value: Any) -> Any:
    """A value of a declared type from its plain form."""
    if kind is float:
        return math.nan if value is None else float(value)
    if isinstance(kind, type) and issubclass(kind, Reading | Curve):
        return kind.from_dict(value)
    if isinstance(kind, type) and is_dataclass(kind):
        hints = get_type_hints(kind)
        return kind(**{each.name: _made(hints[each.name], value[each.name]) for each in fields(kind)})
    origin, inner = get_origin(kind), get_args(kind)
    if origin is tuple:
        kinds = [inner[0]] * len(value) if inner[-1] is Ellipsis else inner
        return tuple(_made(each, part) for each, part in zip(kinds, value, strict=True))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {name: _made(inner[1], each) for name, each in value.items()}
    if isinstance(origin, type) and issubclass(origin, np.ndarray):
        return np.array([math.nan if each is None else each for each in value], dtype=np.float64)
    return value
