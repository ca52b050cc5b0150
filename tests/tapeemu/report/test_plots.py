"""What plots show is what the pictures hold."""

import numpy as np
import pytest

from measure.results import Curve
from tapeemu.report import plots
from tapeemu.report.pictures import Picture


def picture(level_db: float) -> Picture:
    return Picture(
        third_hz=np.array([1000.0]),
        third_dbfs=np.array([-20.0]),
        level_dbfs=np.arange(-80.0, 0.0, 2.0),
        level_percent=np.zeros(40),
        spectrogram_db=np.array([[level_db, level_db - 30.4], [level_db - 10.0, level_db - 200.0]]),
        band_hz=np.array([100.0, 1000.0]),
        seconds=1.0,
    )


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list:
    calls: list = []
    monkeypatch.setattr(plots, "_image", lambda *arguments: calls.append(arguments) or "")
    return calls


def test_spectrograms_are_drawn_below_a_common_top(drawn: list) -> None:
    plots.spectrogram_plot(picture(-12.3), -12.3, 2)
    np.testing.assert_allclose(drawn[0][1], [[0.0, -30.4], [-10.0, -200.0]], atol=1e-9)
    assert drawn[0][2][1] == 0.0 > drawn[0][2][0]


def test_differences_of_spectrograms_are_zero_where_both_are_below_the_scale(drawn: list) -> None:
    plots.spectrogram_difference_plot(picture(-12.3), picture(-15.3), -12.3, 2)
    np.testing.assert_allclose(drawn[0][1], [[3.0, 3.0], [3.0, 0.0]], atol=1e-9)
    assert drawn[0][2][0] == -drawn[0][2][1] < 0.0


@pytest.mark.parametrize(("seconds", "end"), [(0.1, 0.5), (2.0, 2.0)])
def test_a_plot_of_decays_is_half_a_second_wide_at_least(
    monkeypatch: pytest.MonkeyPatch, seconds: float, end: float
) -> None:
    limits: list[tuple[float, float]] = []
    monkeypatch.setattr(plots, "_svg", lambda figure, _: limits.append(figure.axes[0].get_xlim()) or "")
    x = np.linspace(0.0, seconds, 21)
    curve = Curve(quantity="decay", x=x, y=-59.9 * x / seconds, x_name="time", x_unit="s", y_unit="dB")
    plots.decay_plot([curve], "quiet")
    assert limits == [pytest.approx((0.0, end))]


def test_colours_run_from_the_lower_limit_to_the_upper(monkeypatch: pytest.MonkeyPatch) -> None:
    limits: list[tuple[float, float]] = []
    monkeypatch.setattr(plots, "_svg", lambda figure, _: limits.append(figure.axes[0].images[0].get_clim()) or "")
    plots.spectrogram_difference_plot(picture(-12.3), picture(-15.3), -12.3, 2)
    plots.spectrogram_plot(picture(-12.3), -12.3, 2)
    (least, most), (floor, top) = limits
    assert least == -most < 0.0
    assert floor < top == 0.0
