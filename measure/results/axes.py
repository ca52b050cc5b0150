"""Curves and points on axes with units; lines are told apart by their dashes and marks, not by colour."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Protocol

import numpy as np

from measure.validation import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["DASHES", "GREYS", "MARKS", "CurveShown", "PointShown", "draw_curve", "draw_points", "name_axes"]

GREYS = ("black", "0.35", "black", "0.55", "0.2")
DASHES = ("-", "--", ":", "-.", (0, (5, 1, 1, 1, 1, 1)))
MARKS = ("o", "s", "^", "D", "v")


class CurveShown(Protocol):
    """What is drawn of a curve; curves themselves import this module."""

    @property
    def quantity(self) -> str: ...
    @property
    def x(self) -> FloatArray: ...
    @property
    def y(self) -> FloatArray: ...
    @property
    def x_name(self) -> str: ...
    @property
    def x_unit(self) -> str: ...
    @property
    def y_unit(self) -> str: ...
    @property
    def uncertainty(self) -> FloatArray | None: ...


class PointShown(Protocol):
    """What is drawn of a reading; readings themselves import this module."""

    @property
    def value(self) -> float: ...
    @property
    def uncertainty(self) -> float: ...


def draw_curve(ax: "Axes | None", curve: CurveShown, *, label: str | None = None) -> "Axes":
    """Draw a curve in the style of the next free line; see :meth:`Curve.plot`."""
    ax = _axes(ax)
    number = len(ax.get_lines())
    ax.plot(
        curve.x,
        curve.y,
        label=label or curve.quantity,
        color=GREYS[number % len(GREYS)],
        linestyle=DASHES[number % len(DASHES)],
        linewidth=1.0,
    )
    if curve.uncertainty is not None:
        band = 2.0 * curve.uncertainty
        ax.fill_between(curve.x, curve.y - band, curve.y + band, color=GREYS[number % len(GREYS)], alpha=0.2)
    if number == 0:
        name_axes(ax, curve)
        if curve.x_unit == "Hz" and np.any(curve.x > 0.0):
            ax.set_xscale("log")
        if curve.y_unit == "%" and curve.x_unit in ("Hz", "dBFS") and np.any(curve.y > 0.0):
            ax.set_yscale("log")
    else:
        ax.legend()
    return ax


def draw_points(ax: "Axes | None", readings: Mapping[str, PointShown], *, unit: str) -> "Axes":
    """Draw figures as points with their standard uncertainties, to the right of those that are there."""
    ax = _axes(ax)
    names = [text.get_text() for text in ax.get_xticklabels()] if ax.containers else []
    for number, (name, reading) in enumerate(readings.items(), start=len(names)):
        doubt = reading.uncertainty if np.isfinite(reading.uncertainty) else 0.0
        ax.errorbar(
            [number],
            [reading.value],
            yerr=[doubt],
            color="black",
            marker=MARKS[number % len(MARKS)],
            fillstyle="none",
            capsize=3,
        )
        names.append(name)
    ax.set_xticks(range(len(names)), names)
    ax.set_ylabel(unit or "value")
    return ax


def name_axes(ax: "Axes", curve: CurveShown, *, x: str = "", y: str = "") -> None:
    """Name both axes after a curve, with units; `x` and `y` say it otherwise."""
    ax.set_xlabel(x or (f"{curve.x_name} / {curve.x_unit}" if curve.x_unit else curve.x_name))
    ax.set_ylabel(y or (f"{curve.quantity} / {curve.y_unit}" if curve.y_unit else curve.quantity))


def _axes(ax: "Axes | None") -> "Axes":
    if ax is not None:
        return ax
    # Through pyplot, so that notebooks show the figure and interactive sessions keep it.
    from matplotlib import pyplot

    _, made = pyplot.subplots(figsize=(7.0, 4.2), layout="constrained")
    made.grid(visible=True, which="both", color="0.88", linewidth=0.6)
    made.set_axisbelow(True)
    return made
