"""Plots of a report as SVG text whose ink is that of the page, so that they suit light and dark alike.

Orders are drawn by number and colour, told apart by line style as well; what a number is called stands in
the page. No text from outside gets into a plot.
"""

import io
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from measure.results import Curve, Reading
    from tapeemu.report.pictures import Picture

__all__ = [
    "COLOURS",
    "DASHES",
    "decay_plot",
    "difference_plot",
    "level_plot",
    "measured_plot",
    "spectrogram_difference_plot",
    "spectrogram_plot",
    "spectrum_plot",
]

COLOURS = ("#2f7fd0", "#c8641b", "#2e8b57", "#9a5fc0")
"""One for each order drawn; three to one or better against the light and the dark ground."""

DASHES = ("", "6 3", "1.5 2.5", "8 3 1.5 3")
"""Line styles as lengths of strokes and gaps."""

_INK, _RULE = "#010203", "#040506"  # replaced by the page's own
_WIDTH, _HEIGHT = 4.4, 2.9
_RANGE_DB = 80.0
_DIFFERENCE_DB = 20.0
_LEVEL_WORDS = {"quiet": "quiet level", "reference": "reference level", "loud": "loud level"}


def _new() -> "tuple[Figure, Axes]":
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    style: Any = {
        "font.size": 9.5,
        "axes.titlesize": 10.5,
        "text.color": _INK,
        "axes.labelcolor": _INK,
        "axes.edgecolor": _INK,
        "xtick.color": _INK,
        "ytick.color": _INK,
        "axes.titlecolor": _INK,
        "axes.facecolor": "none",
        "figure.facecolor": "none",
        "grid.color": _RULE,
        "axes.grid": True,
        "axes.spines.top": False,
        "axes.spines.right": False,
    }
    with rc_context(style):
        figure = Figure(figsize=(_WIDTH, _HEIGHT), layout="constrained")
        axes = figure.add_subplot()
    return figure, axes


def _svg(figure: "Figure", name: str) -> str:
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    page = io.StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": name, "svg.image_inline": True}):
        FigureCanvasSVG(figure).print_svg(page, metadata=nothing)  # type: ignore[no-untyped-call]
    text = page.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = text.replace(_INK, "currentColor").replace(_RULE, "var(--rule)")
    # Identifiers are unique in a file; several files stand in one page.
    text = re.sub(r'id="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', text)
    text = re.sub(r'<svg([^>]*?) width="[^"]+"', r"<svg\1", text, count=1)
    text = re.sub(r'<svg([^>]*?) height="[^"]+"', r"<svg\1", text, count=1)
    return text.replace("<svg", '<svg aria-hidden="true" focusable="false"', 1)


def _line(index: int) -> dict[str, Any]:
    pattern = [float(length) for length in DASHES[index].split()]
    style: Any = (0.0, pattern) if pattern else "solid"
    return {"color": COLOURS[index], "linestyle": style, "linewidth": 1.6}


def _hertz(axes: "Axes", low: float, high: float) -> None:
    from matplotlib.ticker import FixedLocator, NullLocator

    axes.set_xscale("log")
    axes.set_xlim(low, high)
    ticks = [tick for tick in (63, 250, 1000, 4000, 16000) if low <= tick <= high]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticklabels([f"{tick // 1000} k" if tick >= 1000 else str(tick) for tick in ticks])
    axes.set_xlabel("Frequency / Hz")


def decay_plot(curves: "Sequence[Curve]", level_name: str) -> str:
    """Decays of several orders at one level, dB against seconds."""
    figure, axes = _new()
    longest = 0.5
    for index, curve in enumerate(curves):
        heard = curve.y > -60.0
        if curve.x.size and heard.any():
            axes.plot(curve.x, curve.y, **_line(index))
            longest = max(longest, float(curve.x[np.flatnonzero(heard)[-1]]))
    axes.set_xlim(0.0, longest)
    axes.set_ylim(-60.0, 3.0)
    axes.set_xlabel("Time after the noise stops / s")
    axes.set_ylabel("Level / dB")
    axes.set_title(f"Decay at 1 kHz, {_LEVEL_WORDS[level_name]}")
    return _svg(figure, f"decay-{level_name}")


def measured_plot(
    figures: "Sequence[Mapping[str, Reading]]", levels_dbfs: Mapping[str, float], kind: str, title: str, unit: str
) -> str:
    """One figure of the chains against level, with its standard uncertainty."""
    figure, axes = _new()
    ending = {"s": "seconds", "%": "percent"}[unit]
    for index, own in enumerate(figures):
        readings = [own[f"{kind}_{name}_{ending}"] for name in levels_dbfs]
        values = np.array([reading.value for reading in readings])
        doubts = np.nan_to_num([reading.uncertainty for reading in readings])
        place = np.array(list(levels_dbfs.values())) + 0.25 * (index - 0.5 * (len(figures) - 1))
        axes.errorbar(place, values, doubts, marker="osD^"[index], markersize=4.5, capsize=3, **_line(index))
    if unit == "%":
        axes.set_yscale("symlog", linthresh=0.1)
        axes.set_ylim(bottom=0.0)
        axes.set_yticks([0.0, 0.1, 1.0, 10.0, 100.0], ["0", "0.1", "1", "10", "100"])
    axes.set_xlabel("Level going in / dBFS")
    axes.set_ylabel(f"{kind.upper()} / {unit}")
    axes.set_title(title)
    return _svg(figure, f"measured-{kind}")


def spectrum_plot(pictures: "Sequence[Picture]", dry: "Picture") -> str:
    """Third-octave levels of several orders, and of the stem in thin ink."""
    figure, axes = _new()
    axes.plot(dry.third_hz, dry.third_dbfs, color=_INK, linewidth=0.8)
    for index, picture in enumerate(pictures):
        axes.plot(picture.third_hz, picture.third_dbfs, **_line(index))
    top = max(float(np.max(picture.third_dbfs)) for picture in (*pictures, dry))
    axes.set_ylim(top - _RANGE_DB, top + 3.0)
    _hertz(axes, float(dry.third_hz[0]), float(dry.third_hz[-1]))
    axes.set_ylabel("Level / dBFS")
    axes.set_title("Average spectrum, third octaves")
    return _svg(figure, "spectrum")


def difference_plot(pictures: "Sequence[Picture]") -> str:
    """Third-octave levels of the further orders against the first."""
    figure, axes = _new()
    first = pictures[0]
    heard = first.third_dbfs > float(np.max(first.third_dbfs)) - _RANGE_DB
    axes.axhline(0.0, **_line(0))
    for index, picture in enumerate(pictures[1:], start=1):
        axes.plot(first.third_hz[heard], (picture.third_dbfs - first.third_dbfs)[heard], **_line(index))
    _hertz(axes, float(first.third_hz[0]), float(first.third_hz[-1]))
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -3.0), max(high, 3.0))
    axes.set_ylabel("Difference / dB")
    axes.set_title("Spectrum against order 1")
    return _svg(figure, "spectrum-difference")


def level_plot(pictures: "Sequence[Picture]", dry: "Picture") -> str:
    """Share of time at each level."""
    figure, axes = _new()
    edges = np.append(dry.level_dbfs, dry.level_dbfs[-1] + 2.0)
    axes.stairs(dry.level_percent, edges, color=_INK, linewidth=0.8)
    for index, picture in enumerate(pictures):
        axes.stairs(picture.level_percent, edges, **_line(index))
    present = np.flatnonzero(np.sum([picture.level_percent for picture in (*pictures, dry)], axis=0) > 0.05)
    if present.size:
        axes.set_xlim(edges[present[0]] - 1.0, edges[present[-1] + 1] + 1.0)
    axes.set_xlabel("RMS level of 50 ms / dBFS")
    axes.set_ylabel("Share of the time / %")
    axes.set_title("How often which level")
    return _svg(figure, "levels")


def spectrogram_plot(picture: "Picture", top_db: float, number: int) -> str:
    """Spectrogram on the scale common to all."""
    return _image(
        picture, picture.spectrogram_db - top_db, (-_RANGE_DB, 0.0), "magma", f"Order {number}", f"gram-{number}"
    )


def spectrogram_difference_plot(picture: "Picture", first: "Picture", top_db: float, number: int) -> str:
    """Difference of two spectrograms; where both are below the scale it is zero."""
    floor = top_db - _RANGE_DB
    difference = np.maximum(picture.spectrogram_db, floor) - np.maximum(first.spectrogram_db, floor)
    limits = (-_DIFFERENCE_DB, _DIFFERENCE_DB)
    return _image(picture, difference, limits, _two_sided(), f"Order {number} less order 1", f"gram-less-{number}")


def _two_sided() -> Any:
    """Blue for less and orange for more, fading into the page where there is no difference."""
    from matplotlib.colors import ListedColormap, to_rgb

    share = np.linspace(-1.0, 1.0, 255)
    sides = np.where(share[:, None] < 0.0, to_rgb(COLOURS[0]), to_rgb(COLOURS[1]))
    return ListedColormap(np.column_stack([sides, np.sqrt(np.abs(share))]))


def _image(
    picture: "Picture", values: Any, limits: tuple[float, float], colours: Any, title: str, name: str
) -> str:
    figure, axes = _new()
    axes.grid(visible=False)
    drawn = axes.imshow(
        values,
        origin="lower",
        aspect="auto",
        interpolation="nearest",
        cmap=colours,
        vmin=limits[0],
        vmax=limits[1],
        extent=(0.0, picture.seconds, 0.0, float(len(picture.band_hz))),
    )
    wanted = [tick for tick in (250, 1000, 4000, 16000) if picture.band_hz[0] <= tick <= picture.band_hz[-1]]
    places = np.interp(wanted, picture.band_hz, np.arange(len(picture.band_hz)) + 0.5)
    axes.set_yticks(places, [f"{tick // 1000} k" if tick >= 1000 else str(tick) for tick in wanted])
    axes.set_xlabel("Time / s")
    axes.set_ylabel("Frequency / Hz")
    axes.set_title(title)
    bar = figure.colorbar(drawn, ax=axes, pad=0.02)
    bar.ax.set_facecolor("none")
    bar.outline.set_visible(False)
    bar.ax.tick_params(color=_INK, labelcolor=_INK)
    bar.set_label("dB", color=_INK)
    return _svg(figure, name)
