"""Every result prints short, counts as a number, compares, goes into tables and comes back, and can be drawn."""

import csv
import importlib
import inspect
import io
import json
import math
import pkgutil
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas
import pytest

import measure
from measure.errors import MeasureError, ResultsError
from measure.parts.signals import Modulation, modulated_tone, steady_tone, two_tones
from measure.quantities.character import character, likeness
from measure.quantities.reverberant import AverageDistortion, MiddleDecay
from measure.results import Curve, Reading, Result
from measure.results.table import Table, plain

mpl.use("Agg")

RATE = 48_000
MOST_REPR = 400
"""Characters that fit into a few lines of a terminal (our choice; it was 73,310 for a flutter result)."""


def reading(value: float = 0.123456, uncertainty: float = 0.01, *, unit: str = "%", key: str = "THD") -> Reading:
    return Reading(
        quantity=key,
        value=value,
        unit=unit,
        method="fit",
        conditions={"level_dbfs": -18.0},
        uncertainty=uncertainty,
    )


def curve() -> Curve:
    x = np.array([20.0, 200.0, 2000.0])
    return Curve(
        quantity="magnitude",
        x=x,
        y=np.array([0.0, math.nan, -3.0]),
        x_name="frequency",
        x_unit="Hz",
        y_unit="dB",
        uncertainty=np.array([0.1, 0.2, math.nan]),
    )


@pytest.fixture(scope="module")
def results() -> dict[str, Result]:
    """One result of each kind that there is."""
    tone = steady_tone(RATE, frequency_hz=1000.0, seconds=1.0, level_dbfs=-6.0)
    swaying = modulated_tone(
        3150.0, duration_seconds=6.0, sample_rate=RATE, speed=[Modulation(rate_hz=4.0, peak_percent=0.2)]
    )
    n = np.arange(RATE)
    decay = np.random.default_rng(1).standard_normal(RATE) * 10.0 ** (-3.0 * n / RATE / 0.5)

    def bent(audio: np.ndarray, _: float) -> np.ndarray:
        return np.tanh(audio)

    saturated = measure.saturation(
        bent, RATE, frequencies_hz=(1000.0,), levels_db=(0.0, 6.0, 12.0), step_seconds=0.3
    )
    fluctuation = measure.amplitude_fluctuation(swaying, RATE)
    decays = measure.decay(decay, RATE)
    pair = two_tones(RATE, low_hz=60.0, high_hz=7000.0, low_to_high=4.0, seconds=1.0, level_dbfs=-6.0)
    high = two_tones(RATE, low_hz=19_000.0, high_hz=20_000.0, seconds=1.0, level_dbfs=-6.0)
    made = [
        measure.flutter(swaying, RATE),
        fluctuation,
        fluctuation.channels[0],
        measure.distortion(tone, RATE),
        measure.modulation_distortion(pair, RATE, low_hz=60.0, high_hz=7000.0),
        measure.difference_frequency_distortion(high, RATE, low_hz=19_000.0, high_hz=20_000.0),
        measure.distortion_against_level(bent, RATE, levels_dbfs=(-12.0, -6.0)),
        measure.distortion_against_frequency(bent, RATE, seconds=0.5),
        decays,
        decays.bands[0],
        measure.echo_density(decay, RATE),
        measure.colouration(decay, RATE),
        measure.level(np.stack([tone, tone]), RATE),
        measure.noise(tone, RATE, reference_dbfs=-18.0),
        measure.frequency_response(bent, RATE, seconds=0.5, tail_seconds=0.1),
        measure.azimuth(np.stack([tone, tone]), RATE),
        measure.crosstalk(lambda audio, _: audio + 0.01 * audio[::-1], RATE, settle_seconds=0.1),
        measure.print_through(lambda audio, _: audio, RATE),
        measure.noise_bands(decay, RATE),
        measure.slow_response(bent, RATE, seconds=8.0, tail_seconds=0.2),
        saturated,
        saturated.tones["1000hz"],
        character(tone, RATE),
        likeness(tone, 0.5 * tone, RATE),
        AverageDistortion(thd=reading(), imd=reading(), left_out={"thd": (0.1, 0.2), "imd": (0.3, 0.4)}),
        MiddleDecay(edt=reading(), t20=reading(), t30=reading(), curve=curve(), left_out={"edt": ()}),
    ]
    return {type(each).__name__: each for each in made}


def test_one_of_each_kind_is_tried(results: dict[str, Result]) -> None:
    import measure.quantities

    kinds = set()
    for module in pkgutil.walk_packages(measure.quantities.__path__, "measure.quantities."):
        for name, kind in inspect.getmembers(importlib.import_module(module.name), inspect.isclass):
            types = " ".join(str(each.type) for each in getattr(kind, "__dataclass_fields__", {}).values())
            holds = issubclass(kind, Result) or "Reading" in types or "Curve" in types
            if holds and kind.__module__.startswith("measure.quantities") and not name.startswith("_"):
                kinds.add(name)
    assert kinds == set(results)


def test_a_result_prints_short(results: dict[str, Result]) -> None:
    for name, result in results.items():
        assert isinstance(result, Result), name
        assert repr(result).startswith(f"<{name} ")
        for each in (result, *result.readings, *result.named_curves().values()):
            assert len(repr(each)) <= MOST_REPR
            assert "\n" not in repr(each)


def test_a_result_goes_to_json_and_back(results: dict[str, Result]) -> None:
    for name, result in results.items():
        plain = json.loads(result.to_json())
        assert plain == result.to_dict(), name
        again = type(result).from_dict(plain)
        assert again.to_dict() == result.to_dict(), name
        assert again.readings == result.readings, name


def test_a_result_is_a_table_with_conditions_and_uncertainty(results: dict[str, Result]) -> None:
    for name, result in results.items():
        frame = result.to_frame()
        if not result.readings:
            assert [*frame] == ["key", "quantity", "x", "x_unit", "y", "y_unit", "uncertainty"]
            assert len(frame) == sum(len(each.x) for each in result.curves) > 0
            continue
        assert len(frame) == len(result.readings), name
        assert frame["key"].is_unique
        assert {"value", "unit", "uncertainty", "uncertainty_basis", "method", "standard", "conditions"} <= {
            *frame
        }
        rows = list(csv.DictReader(io.StringIO(result.to_csv())))
        for row, each in zip(rows, result.readings, strict=True):
            assert row["quantity"] == each.quantity
            assert (row["value"] == "") != each.defined
            assert not each.defined or float(row["value"]) == each.value
            assert all(f"{condition}=" in row["conditions"] for condition in each.conditions)


def test_keys_are_the_way_to_a_reading(results: dict[str, Result]) -> None:
    speed, tone = results["FlutterResult"], results["HarmonicDistortion"]
    assert speed.named_readings()["weighted.two_sigma"] is speed.weighted["two_sigma"]
    assert tone.named_readings()["harmonics.1"] is tone.harmonics[1]


class Cells(HTMLParser):
    """Collects the text of cells and checks that tags are closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.cells: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.open.append(tag)
        if tag == "td":
            self.cells.append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "td":
            self.cells[-1] += data


def test_notebooks_show_a_table(results: dict[str, Result]) -> None:
    for name, result in results.items():
        parser = Cells()
        parser.feed(result._repr_html_())
        assert not parser.open, name
        assert len(result._repr_html_()) < 100_000
        for each in result.readings:
            assert each.quantity in parser.cells
    odd = Reading(quantity="a < b & c", value=1.0, unit="%", method="<script>")
    assert "<script>" not in odd._repr_html_()
    assert "a &lt; b &amp; c" in odd._repr_html_()


def test_every_result_can_be_drawn_over_another(results: dict[str, Result]) -> None:
    from matplotlib import pyplot

    for name, result in results.items():
        axes = result.plot(label="first")
        drawn = len(axes.lines)
        assert drawn, name
        assert axes.get_ylabel()
        again = result.plot(axes, label="second")
        assert again is axes
        assert len(axes.lines) == 2 * drawn
        told = [
            text.get_text()
            for text in (axes.get_legend().get_texts() if axes.get_legend() else axes.get_xticklabels())
        ]
        assert any("first" in text for text in told), name
        assert any("second" in text for text in told), name
        # Without colour they differ still.
        first, second = axes.lines[0], axes.lines[drawn]
        assert (first.get_linestyle(), first.get_marker()) != (second.get_linestyle(), second.get_marker())
        pyplot.close(axes.figure)
    response = results["Response"]
    axes = response.plot(curve="group_delay")
    assert axes.get_ylabel() == "group delay / s"
    assert axes.get_xscale() == "log"
    pyplot.close(axes.figure)
    with pytest.raises(MeasureError, match="magnitude, phase, group_delay"):
        response.plot(curve="delay")


def test_a_drawn_curve_is_the_curve_with_its_doubt() -> None:
    from matplotlib.figure import Figure

    axes = Figure().subplots()
    assert curve().plot(axes) is axes
    np.testing.assert_array_equal(axes.lines[0].get_xydata(), np.column_stack([curve().x, curve().y]))
    # Two standard uncertainties about the first point.
    vertices = axes.collections[0].get_paths()[0].vertices
    assert {-0.2, 0.2} <= {round(float(y), 12) for x, y in vertices if x == 20.0}
    point = Figure().subplots()
    reading().plot(point, label="A")
    (line,) = point.containers[0].lines[2]
    np.testing.assert_allclose(line.get_segments()[0][:, 1], [0.113456, 0.133456])
    assert [text.get_text() for text in point.get_xticklabels()] == ["A"]


def test_a_reading_counts_as_its_value() -> None:
    known, unknown = reading(), reading(math.nan)
    assert float(known) == 0.123456
    assert f"{known:.3f}" == "0.123"
    assert f"{known:>8.1f}|" == "     0.1|"
    assert f"{known}" == str(known)
    assert f"{unknown:.3f}" == "nan"
    assert math.sqrt(known) == math.sqrt(0.123456)


def test_readings_compare_by_value_in_one_unit() -> None:
    low, high = reading(0.1), reading(0.2)
    assert low < high
    assert low <= high
    assert high > low
    assert high >= low
    assert low < 0.15 < high
    assert low <= 0.1
    assert low >= 0.1
    assert not low > 0.1
    assert sorted([high, low]) == [low, high]
    undefined = reading(math.nan)
    assert not undefined < 1.0
    assert not undefined >= 1.0
    with pytest.raises(MeasureError, match="one unit"):
        _ = low < reading(0.2, unit="dB")


@pytest.mark.parametrize(("apart", "agree"), [(0.0, True), (0.0499, True), (0.0501, False), (-0.0501, False)])
def test_figures_agree_within_twice_their_joint_uncertainty(apart: float, agree: bool) -> None:
    """0.015 and 0.02 make 0.025 together (3, 4, 5), and twice of that is 0.05."""
    first, second = reading(1.0, 0.015), reading(1.0 + apart, 0.02)
    assert first.agrees_with(second) is agree
    assert second.agrees_with(first) is agree
    assert first.agrees_with(second, coverage=1.0) is (apart == 0.0)
    assert first.agrees_with(1.029)
    assert not first.agrees_with(1.031)
    assert not first.agrees_with(reading(math.nan))
    with pytest.raises(MeasureError, match="not known"):
        first.agrees_with(reading(1.0, math.nan))


def test_columns_of_a_curve_end_with_their_unit() -> None:
    frame = curve().to_frame()
    assert [*frame] == ["frequency_hz", "magnitude_db", "uncertainty"]
    assert frame["uncertainty"].tolist()[:2] == [0.1, 0.2]
    assert math.isnan(frame["magnitude_db"][1])
    time = Curve(quantity="decay", x=np.zeros(1), y=np.ones(1), x_name="time", x_unit="s", y_unit="%")
    assert [*time.to_frame()] == ["time_seconds", "decay_percent", "uncertainty"]
    assert "uncertainty" not in time.to_dict()
    again = Curve.from_dict(json.loads(curve().to_json()))
    np.testing.assert_array_equal(again.uncertainty, curve().uncertainty)
    assert repr(curve()) == "<Curve magnitude: 3 points, frequency 20 to 2000 Hz, -3 to 0 dB>"


def test_the_uncertainty_of_a_curve_has_its_shape() -> None:
    with pytest.raises(MeasureError, match="shape"):
        Curve(
            quantity="a", x=np.zeros(3), y=np.zeros(3), x_name="t", x_unit="s", y_unit="", uncertainty=np.zeros(2)
        )


def test_tables_are_written_whole_and_never_over_others(tmp_path: Path) -> None:
    target = tmp_path / "new" / "reading.csv"
    text = reading().to_csv(target)
    assert target.read_text("utf-8") == text
    with pytest.raises(ResultsError, match="exists"):
        reading(1.0).to_csv(target)
    assert target.read_text("utf-8") == text
    assert reading(1.0).to_csv(target, overwrite=True) == target.read_text("utf-8")
    json_file = tmp_path / "reading.json"
    reading().to_json(json_file)
    assert Reading.from_dict(json.loads(json_file.read_text("utf-8"))) == reading()
    with pytest.raises(ResultsError, match="cannot be made, for a file has that name"):
        reading().to_csv(target / "inside a file.csv")
    assert {path.name for path in tmp_path.rglob("*") if path.is_file()} == {"reading.csv", "reading.json"}


def test_texts_with_commas_and_lines_come_back() -> None:
    odd = Reading(quantity='a, "b"\nc', value=1.0, unit="", method="x;y", warnings=("one", "two"))
    (row,) = csv.DictReader(io.StringIO(odd.to_csv(), newline=""))
    assert row["quantity"] == odd.quantity
    assert row["warnings"] == "one; two"
    assert pandas.read_csv(io.StringIO(odd.to_csv()))["quantity"][0] == odd.quantity


def test_without_pandas_the_remedy_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(MeasureError, match="pip install pandas"):
        reading().to_frame()


def test_a_table_of_nothing_is_empty() -> None:
    class Nothing(Table):
        def to_rows(self):
            return []

        def to_dict(self):
            return {}

        def _repr_html_(self):
            return ""

    assert Nothing().to_csv() == ""
    assert Nothing().to_frame().empty


def test_every_curve_says_how_and_under_which_conditions_it_was_measured() -> None:
    rate = 48_000
    moment = np.arange(6 * rate) / rate
    tone = 0.3 * np.sin(2.0 * np.pi * 3150.0 * moment + 0.2 * np.sin(2.0 * np.pi * 4.0 * moment))
    decaying = np.random.default_rng(3).standard_normal(rate) * 10.0 ** (-6.0 * moment[:rate])

    def twice(audio: Any, sample_rate: float) -> Any:
        return 2.0 * audio

    for result in (
        measure.flutter(tone, rate),
        measure.amplitude_fluctuation(tone, rate),
        measure.harmonic_distortion(tone, rate),
        measure.frequency_response(twice, rate, seconds=1.0),
        measure.distortion_against_frequency(twice, rate, seconds=1.0),
        measure.distortion_against_level(twice, rate, levels_dbfs=(-20.0, -10.0)),
        measure.decay_from_impulse(decaying, rate),
        measure.echo_density(decaying, rate),
    ):
        curves = result.named_curves()
        assert curves
        for key, each in curves.items():
            assert each.method, key
            assert each.conditions["sample_rate_hz"] == rate, key
            assert Curve.from_dict(json.loads(each.to_json())).conditions == each.conditions
    silent = measure.flutter(np.zeros(rate), rate)
    assert "silent" in silent.spectrum.warnings[0]


def test_an_undefined_figure_says_why_and_a_point_is_named_after_its_quantity() -> None:
    plain = Reading(quantity="THD", value=math.nan, unit="%", method="none")
    assert str(plain) == "THD: undefined (no reason given)"
    told = Reading(quantity="THD", value=math.nan, unit="%", method="none", warnings=("too short", "silent"))
    assert str(told) == "THD: undefined (too short; silent)"
    axes = Reading(quantity="THD", value=1.0, unit="%", method="none").plot()
    Reading(quantity="THD", value=2.0, unit="%", method="none").plot(axes, label="the other")
    assert [text.get_text() for text in axes.get_xticklabels()] == ["THD", "the other"]


def test_a_curve_has_a_value_at_each_place() -> None:
    with pytest.raises(MeasureError, match="level has 2 values at 3 places; give one for each place"):
        Curve(
            quantity="level",
            x=[1.0, 2.0, 3.0],
            y=[1.0, 2.0],
            x_name="time",
            x_unit="s",
            y_unit="dB",
            method="none",
        )  # type: ignore[arg-type]


def test_a_curve_without_points_says_so_everywhere() -> None:
    empty = Curve(quantity="decay", x=np.empty(0), y=np.empty(0), x_name="time", x_unit="s", y_unit="dB")
    assert repr(empty) == "<Curve decay: no points>"
    assert "decay: no points" in empty._repr_html_()
    assert empty.to_rows() == []


def test_equal_readings_are_one_in_a_set() -> None:
    assert len({reading(), reading()}) == 1
    assert len({reading(), reading(0.2)}) == 2


def test_a_result_prints_a_line_a_reading(results: dict[str, Result]) -> None:
    for result in results.values():
        printed = str(result).splitlines()
        expected = [line for each in result.readings for line in str(each).splitlines()]
        assert printed[: len(expected)] == expected  # a flutter has lines of its own behind them


def test_numbers_of_numpy_are_plain_in_json() -> None:
    assert plain(np.float32(0.5)) == 0.5
    assert type(plain(np.int64(3))) is int
    assert plain(np.float64("nan")) is None
    assert plain(np.array([1.0, math.inf])) == [1.0, None]
