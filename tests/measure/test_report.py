"""A report in its forms: short to print, a table with parts and definitions, JSON and back, drawn over another."""

import csv
import io
import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.figure import Figure

from measure import plots
from measure.errors import MeasureError
from measure.meanings import meaning_of
from measure.report import Report
from measure.results import Curve, Reading


def reading(value: float) -> Reading:
    return Reading(quantity="figure", value=value, unit="%", method="fit", uncertainty=0.1, warnings=("a < b",))


def curve(quantity: str) -> Curve:
    return Curve(
        quantity=quantity, x=np.arange(1.0, 4.0), y=np.arange(3.0), x_name="frequency", x_unit="Hz", y_unit="dB"
    )


@pytest.fixture
def report() -> Report:
    channel = Report(
        sample_rate=48_000.0,
        reference_level_dbfs=-18.0,
        seeds=(),
        readings={"wow_percent": reading(0.5)},
        curves={},
        stages={
            "inner": Report(
                sample_rate=48_000.0,
                reference_level_dbfs=-18.0,
                seeds=(),
                readings={},
                curves={},
                notes=("x > y",),
            )
        },
    )
    return Report(
        sample_rate=48_000.0,
        reference_level_dbfs=-18.0,
        seeds=(1, 2),
        readings={"thd_percent": reading(3.0), "my_own": reading(4.0)},
        curves={"magnitude": curve("magnitude"), "phase": curve("phase")},
        stages={"channel 1": channel},
    )


def test_a_report_prints_short(report: Report) -> None:
    assert repr(report) == "<Report at 48000 Hz: 2 readings, 2 curves, 1 part>"


def test_its_parts_have_names(report: Report) -> None:
    assert [name for name, _ in report.parts()] == ["", "channel 1", "channel 1/inner"]


def test_its_table_says_what_each_figure_tells(report: Report) -> None:
    rows = list(csv.DictReader(io.StringIO(report.to_csv())))
    assert [(row["part"], row["key"], row["value"]) for row in rows] == [
        ("", "thd_percent", "3.0"),
        ("", "my_own", "4.0"),
        ("channel 1", "wow_percent", "0.5"),
    ]
    assert rows[0]["definition"] == meaning_of("thd_percent")
    assert rows[1]["definition"] == ""
    assert rows[0]["uncertainty"] == "0.1"
    assert report.to_frame()["key"].tolist() == ["thd_percent", "my_own", "wow_percent"]


def test_json_holds_definitions_and_comes_back(report: Report) -> None:
    plain = json.loads(report.to_json())
    assert plain["definitions"] == {"thd_percent": meaning_of("thd_percent")}
    again = Report.from_dict(plain)
    assert again.to_dict() == report.to_dict()
    assert str(again) == str(report)


def test_notebooks_show_each_part(report: Report) -> None:
    shown = report._repr_html_()
    assert shown.count("<table>") == 2
    assert "channel 1" in shown
    assert "a &lt; b" in shown
    assert meaning_of("wow_percent") in shown


def test_one_curve_is_drawn_over_another(report: Report) -> None:
    axes = Figure().subplots()
    report.plot(axes, label="before")
    report.plot(axes, curve="phase", label="after")
    assert [text.get_text() for text in axes.get_legend().get_texts()] == ["before", "after"]
    with pytest.raises(MeasureError, match="no curve 'fase'; there are magnitude, phase"):
        report.plot(axes, curve="fase")
    with pytest.raises(MeasureError, match="there are none"):
        report.stages["channel 1"].plot()


def test_plots_of_parts_lie_in_folders_of_their_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plots, "figures_of", lambda _: {"harmonics": None})
    channel = SimpleNamespace(stages={})
    planned = plots._planned(SimpleNamespace(stages={"channel 1": channel, "a/b": channel}), Path("x"))
    assert [path.as_posix() for path, _ in planned] == [
        "x/harmonics.png",
        "x/channel_1/harmonics.png",
        "x/a_b/harmonics.png",
    ]


def test_a_reading_that_is_not_there_is_told_with_those_that_are() -> None:
    reading = Reading(quantity="q", value=1.0, unit="%", method="m")
    report = Report(
        sample_rate=48_000.0, reference_level_dbfs=-18.0, seeds=(1,), readings={"thd_percent": reading}, curves={}
    )
    assert report["thd_percent"] is reading
    with pytest.raises(MeasureError, match="there is no reading 'wow'; there are thd_percent"):
        report["wow"]


def test_a_spectrum_is_drawn_from_above_nothing_on() -> None:
    """Its axes are logarithmic: a point at 0 Hz, or of nothing, stands nowhere."""
    x, y = np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.5, 0.0, 0.2, 0.1])
    curve = Curve(quantity="spectrum", x=x, y=y, x_name="rate", x_unit="Hz", y_unit="%")
    report = Report(
        sample_rate=48_000.0,
        reference_level_dbfs=-18.0,
        seeds=(1,),
        readings={},
        curves={"amplitude_spectrum": curve},
    )
    figure = plots._amplitude_spectrum(report)
    assert figure is not None
    assert list(figure.axes[0].lines[0].get_xdata()) == [2.0, 3.0]
