"""Plots of a report: axes with units, lines told apart by their dashes and not by colour."""

import math
import os
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from measure.errors import ResultsError
from measure.report import Report
from measure.results import Curve
from measure.results.axes import DASHES, GREYS, MARKS, name_axes
from measure.writing import whole_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["figures_of", "save_plots"]


def save_plots(report: Report, directory: str | os.PathLike[str], *, overwrite: bool = False) -> list[Path]:
    """Draw what a report holds and write it as PNG files.

    Parameters
    ----------
    report : Report
        Of the bench or of a recording; parts of it (stages, channels) get files of their own.
    directory : path
        Made if it is missing.
    overwrite : bool
        Replace plots that exist.

    Returns
    -------
    list of Path
        The files; none takes its name before all are written.

    Raises
    ------
    ResultsError
        If a plot exists and may not be replaced, or cannot be written; nothing is written then.
    """
    planned = _planned(report, Path(directory))
    taken = [target for target, _ in planned if target.exists()]
    if taken and not overwrite:
        raise ResultsError(f"{taken[0]} exists; choose another folder, or give --overwrite to replace it")
    with ExitStack() as whole:
        for target, figure in planned:
            file = whole.enter_context(whole_file(target, overwrite=overwrite))
            figure.savefig(file, format="png", dpi=120)
            file.flush()  # a full disk shall be found now, and not when the first plots have their names
    return [target for target, _ in planned]


def _planned(report: Report, folder: Path) -> "list[tuple[Path, Figure]]":
    planned = [(folder / f"{name}.png", figure) for name, figure in figures_of(report).items()]
    for part, inner in report.stages.items():
        safe = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in part)
        planned += _planned(inner, folder / safe)
    return planned


def figures_of(report: Report) -> dict[str, "Figure"]:
    """Draw one figure for each kind of curve the report holds."""
    drawings: dict[str, Callable[[Report], Figure | None]] = {
        "deviation": _deviation,
        "deviation_spectrum": _deviation_spectrum,
        "amplitude_spectrum": _amplitude_spectrum,
        "harmonics": _harmonics,
        "distortion_against_level": _against_level,
        "distortion_against_frequency": _against_frequency,
        "response": _response,
        "decay": _decay,
    }
    figures = {}
    for name, draw in drawings.items():
        figure = draw(report)
        if figure is not None:
            figures[name] = figure
    return figures


def _figure(rows: int = 1, columns: int = 1, *, height: float = 4.2) -> tuple["Figure", list["Axes"]]:
    from matplotlib.figure import Figure

    figure = Figure(
        figsize=(4.0 + 4.0 * max(columns, 1) * (0.75 if columns > 1 else 1.0), height), layout="constrained"
    )
    axes = figure.subplots(rows, columns, squeeze=False)
    for axis in axes.flat:
        axis.grid(visible=True, which="both", color="0.88", linewidth=0.6)
        axis.set_axisbelow(True)
    return figure, list(axes.flat)


def _usable(report: Report, key: str) -> Curve | None:
    curve = report.curves.get(key)
    if curve is None or not curve.x.size or not np.isfinite(curve.y).any():
        return None
    return curve


def _frequency_axis(axis: "Axes") -> None:
    axis.set_xscale("log")
    low, high = axis.get_xlim()
    ticks = [tick for tick in (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000) if low <= tick <= high]
    if ticks:
        axis.set_xticks(ticks, [f"{tick // 1000}k" if tick >= 1000 else str(tick) for tick in ticks])
        axis.minorticks_off()


def _deviation(report: Report) -> "Figure | None":
    curve = _usable(report, "deviation")
    if curve is None:
        return None
    figure, (axis,) = _figure()
    axis.plot(curve.x, curve.y, color="black", linewidth=0.7)
    name_axes(axis, curve, y=f"deviation of the speed / {curve.y_unit}")
    axis.set_title("Speed deviation over time, unweighted")
    return figure


def _deviation_spectrum(report: Report) -> "Figure | None":
    return _spectrum(report, "deviation_spectrum", "Spectrum of the speed deviation", "peak deviation / %")


def _amplitude_spectrum(report: Report) -> "Figure | None":
    return _spectrum(report, "amplitude_spectrum", "Spectrum of the amplitude fluctuation", "peak fluctuation / %")


def _spectrum(report: Report, key: str, title: str, y: str) -> "Figure | None":
    curve = _usable(report, key)
    if curve is None or not np.any(curve.y > 0.0):
        return None
    figure, (axis,) = _figure()
    shown = (curve.y > 0.0) & (curve.x > 0.0)
    axis.loglog(curve.x[shown], curve.y[shown], color="black", linewidth=0.8)
    top = float(np.max(curve.y[shown]))
    axis.set_ylim(max(top * 1e-5, float(np.min(curve.y[shown])) * 0.5), top * 3.0)
    # The strongest lines by name, so that the rotating part can be looked up.
    peaks = [
        i
        for i in range(1, len(curve.y) - 1)
        if curve.y[i] >= curve.y[i - 1]
        and curve.y[i] > curve.y[i + 1]
        and curve.x[i] > 0.0
        and curve.y[i] > 4.0 * np.median(curve.y[(curve.x > 0.7 * curve.x[i]) & (curve.x < 1.4 * curve.x[i])])
    ]
    named: list[int] = []
    for i in sorted(peaks, key=lambda i: -curve.y[i]):
        if curve.y[i] < 0.1 * top or len(named) == 5:
            break
        if all(abs(math.log(curve.x[i] / curve.x[j])) > 0.15 for j in named):
            named.append(i)
            axis.annotate(
                f"{curve.x[i]:.3g} Hz",
                (curve.x[i], curve.y[i]),
                textcoords="offset points",
                xytext=(0, 4),
                ha="center",
                fontsize=8,
            )
    name_axes(axis, curve, y=y)
    axis.set_title(title)
    return figure


def _harmonics(report: Report) -> "Figure | None":
    curve = _usable(report, "harmonics")
    if curve is None:
        return None
    figure, (axis,) = _figure()
    known = np.isfinite(curve.y)
    floor = min(-120.0, 20.0 * math.floor(float(np.min(curve.y[known])) / 20.0))
    floor = max(floor, -200.0)
    shown = known & (curve.y > floor)
    axis.bar(curve.x[shown], curve.y[shown] - floor, bottom=floor, width=0.5, color="0.45", edgecolor="black")
    for x, y in zip(curve.x[shown], curve.y[shown], strict=True):
        axis.text(x, y + 1.0, f"{y:.1f}", ha="center", va="bottom", fontsize=8)
    for x in curve.x[~shown]:
        axis.text(x, floor, "–", ha="center", va="bottom")
    axis.set_ylim(floor, 12.0)
    axis.set_xlim(0.4, float(curve.x[-1]) + 0.6)
    axis.set_xticks(curve.x)
    name_axes(axis, curve, x="order of the harmonic (– : hidden by noise)", y="level re the fundamental / dB")
    axis.set_title("Harmonics")
    return figure


def _against_level(report: Report) -> "Figure | None":
    names = {"thd_against_level": "THD", "second_against_level": "second", "third_against_level": "third"}
    curves = {label: curve for key, label in names.items() if (curve := _usable(report, key)) is not None}
    if not any(np.nanmax(curve.y) > 1e-7 for curve in curves.values()):
        return None
    figure, (axis,) = _figure()
    top = max(float(np.nanmax(curve.y)) for curve in curves.values())
    for i, (label, curve) in enumerate(curves.items()):
        shown = np.isfinite(curve.y) & (curve.y > max(1e-6, 1e-6 * top))
        if shown.any():
            _draw_marked(axis, i, curve, shown, label)
    level = report.readings.get("mol_3_percent_dbfs")
    axis.axhline(3.0, color="0.5", linewidth=0.8)
    if level is not None and level.defined:
        _mark_level(axis, level.value, f"3 % third harmonic at {level.value:.2f} dBFS", linestyle="-")
    _mark_level(axis, report.reference_level_dbfs, "reference", linestyle=":")
    name_axes(axis, next(iter(curves.values())), y="harmonics re the fundamental / %")
    axis.set_title("Distortion against level")
    axis.legend(loc="upper left")
    return figure


def _draw_marked(
    axis: "Axes", number: int, curve: Curve, shown: "npt.NDArray[np.bool_]", label: str, *, every: int = 1
) -> None:
    """Draw some points of a curve over a logarithm, with the dashes and marks of its number."""
    axis.semilogy(
        curve.x[shown],
        curve.y[shown],
        color=GREYS[number],
        linestyle=DASHES[number],
        marker=MARKS[number],
        markevery=every,
        markersize=4,
        fillstyle="none",
        label=label,
    )


def _mark_level(axis: "Axes", level_dbfs: float, words: str, *, linestyle: str) -> None:
    """Draw an upright line, with what it stands for written beside its foot."""
    axis.axvline(level_dbfs, color="0.5", linewidth=0.8, linestyle=linestyle)
    axis.annotate(
        words,
        (level_dbfs, axis.get_ylim()[0]),
        textcoords="offset points",
        xytext=(3, 3),
        fontsize=8,
        rotation=90,
    )


def _against_frequency(report: Report) -> "Figure | None":
    curves = [
        curve for k in range(2, 11) if (curve := _usable(report, f"harmonic_{k}_against_frequency")) is not None
    ]
    curves = [curve for curve in curves if np.nanmax(curve.y) > 1e-3]
    if not curves:
        return None
    figure, (axis,) = _figure()
    for i, curve in enumerate(curves[:5]):
        shown = np.isfinite(curve.y) & (curve.y > 0.0)
        _draw_marked(axis, i, curve, shown, curve.quantity.removesuffix(" against frequency"), every=12)
    top = max(float(np.nanmax(curve.y)) for curve in curves)
    axis.set_ylim(max(1e-4, top * 1e-5), top * 3.0)
    _frequency_axis(axis)
    name_axes(axis, curves[0], x="frequency of the fundamental / Hz", y="harmonics re the fundamental / %")
    axis.set_title(f"Distortion against frequency, {report.reference_level_dbfs:g} dBFS")
    axis.legend(loc="best")
    return figure


def _response(report: Report) -> "Figure | None":
    magnitude = _usable(report, "magnitude")
    if magnitude is None:
        return None
    delay = _usable(report, "group_delay")
    figure, axes = _figure(2, 1, height=6.4)
    axes[0].plot(magnitude.x, magnitude.y, color="black", linewidth=1.0)
    middle = float(np.median(magnitude.y))
    spread = max(3.0, 1.2 * float(np.max(np.abs(magnitude.y - middle))))
    axes[0].set_ylim(middle - min(spread, 40.0), middle + min(spread, 20.0))
    _frequency_axis(axes[0])
    name_axes(axes[0], magnitude, y="magnitude / dB")
    axes[0].set_title("Response")
    if delay is not None:
        axes[1].plot(delay.x, 1000.0 * delay.y, color="black", linewidth=1.0)
        low, high = np.nanpercentile(1000.0 * delay.y, [2, 98])
        room = max(0.1, 0.2 * float(high - low))
        axes[1].set_ylim(float(low) - room, float(high) + room)
    _frequency_axis(axes[1])
    axes[1].set_xlabel("frequency / Hz")
    axes[1].set_ylabel("group delay / ms")
    return figure


def _decay(report: Report) -> "Figure | None":
    names = [
        key
        for key in report.curves
        if key.startswith("decay_")
        and not key.endswith(("_fit", "_floor"))
        and _usable(report, key) is not None
        and any(
            reading.defined
            for prefix in ("decay_", "t20_", "edt_")
            if (reading := report.readings.get(f"{prefix}{key.removeprefix('decay_')}_seconds")) is not None
        )
    ]
    if not names:
        return None
    columns = min(3, len(names))
    rows = math.ceil(len(names) / columns)
    figure, axes = _figure(rows, columns, height=3.0 * rows + 0.4)
    for axis, name in zip(axes, names, strict=False):
        curve = report.curves[name]
        axis.plot(curve.x, curve.y, color="black", linewidth=0.9, label="measured")
        fit, floor = _usable(report, f"{name}_fit"), _usable(report, f"{name}_floor")
        if fit is not None:
            axis.plot(fit.x, fit.y, color="0.45", linestyle="--", linewidth=1.6, label="fit")
        if floor is not None and floor.y[0] > -90.0:
            axis.plot(floor.x, floor.y, color="0.45", linestyle=":", linewidth=1.6, label="floor")
        axis.set_ylim(-80.0, 5.0)
        figure_of = report.readings.get(f"{name}_seconds")
        title = name.removeprefix("decay_").replace("hz", " Hz")
        axis.set_title(
            f"{title}: {figure_of.value:.3g} s" if figure_of and figure_of.defined else title, fontsize=10
        )
        axis.set_xlabel("time / s")
        axis.set_ylabel("level / dB")
    for axis in axes[len(names) :]:
        axis.set_visible(False)
    axes[0].legend(loc="upper right", fontsize=8)
    return figure
