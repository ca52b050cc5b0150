"""Limits hold or do not, by value and uncertainty, in the whole and in its parts, and say so in every form."""

import json
import math
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile

from measure.command_line import main
from measure.errors import LimitsError
from measure.limits import EXIT_NOT_KEPT, Limit, Limits, LimitsCheck
from measure.parts.signals import steady_tone
from measure.report import Report
from measure.results import Curve, Reading

RATE = 48_000


def reading(value: float, uncertainty: float = math.nan, *warnings: str) -> Reading:
    return Reading(
        quantity="figure", value=value, unit="%", method="fit", uncertainty=uncertainty, warnings=warnings
    )


def report(readings: dict[str, Reading], *, stages: dict[str, Report] | None = None, **curves: Curve) -> Report:
    return Report(
        sample_rate=RATE,
        reference_level_dbfs=-18.0,
        seeds=(),
        readings=readings,
        curves=curves,
        stages=stages or {},
    )


def curve(y: list[float], uncertainty: list[float] | None = None) -> Curve:
    return Curve(
        quantity="magnitude",
        x=np.array([20.0, 100.0, 1000.0, 10_000.0, 20_000.0]),
        y=np.array(y),
        x_name="frequency",
        x_unit="Hz",
        y_unit="dB",
        uncertainty=None if uncertainty is None else np.array(uncertainty),
    )


def check(of: Report, *limits: Limit) -> LimitsCheck:
    return of.check(Limits(title="trial", source="limits.toml", limits=limits))


@pytest.mark.parametrize(
    ("value", "uncertainty", "left_out", "against", "in_favour"),
    [
        # Least 1, most 2, two standard uncertainties: worked out by hand.
        (1.5, 0.2, True, True, True),
        (1.5, 0.25, True, True, True),  # 1.0 and 2.0 themselves are allowed
        (1.5, 0.26, True, False, True),
        (1.1, 0.1, True, False, True),
        (2.0, 0.0, True, True, True),
        (2.1, 0.1, False, False, True),
        (2.1, 0.04, False, False, False),
        (0.9, 0.1, False, False, True),
        (0.9, 0.04, False, False, False),
        (1.5, math.nan, True, False, True),
        (2.1, math.nan, False, False, False),
        (1.5, math.inf, True, False, True),
        (math.nan, 0.1, False, False, False),
    ],
)
def test_the_rules_of_uncertainty_decide_as_worked_out_by_hand(
    value: float, uncertainty: float, left_out: bool, against: bool, in_favour: bool
) -> None:
    of = report({"thd_percent": reading(value, uncertainty)})
    for rule, expected in (("left out", left_out), ("against", against), ("in favour", in_favour)):
        found = check(of, Limit(key="thd_percent", least=1.0, most=2.0, uncertainty=rule))
        assert bool(found) is expected, rule
        assert found.exit_status == (0 if expected else EXIT_NOT_KEPT)
        assert bool(found.lines[0].reason) is not expected


def test_coverage_says_how_many_uncertainties_count() -> None:
    of = report({"thd_percent": reading(1.7, 0.1)})
    assert check(of, Limit(key="thd_percent", most=2.0, uncertainty="against", coverage=2.9))
    assert not check(of, Limit(key="thd_percent", most=2.0, uncertainty="against", coverage=3.1))


def test_every_line_says_why_it_fails() -> None:
    of = report({"thd_percent": reading(3.0, 0.1), "wow_percent": reading(math.nan, math.nan, "too short")})
    lines = str(
        check(
            of,
            Limit(key="thd_percent", most=2.0),
            Limit(key="thd_percent", least=4.0),
            Limit(key="thd_percent", most=3.1, uncertainty="against"),
            Limit(key="wow_percent", most=1.0),
            Limit(key="flutter_percent", most=1.0),
            Limit(key="thd_percent", most=4.0),
        )
    ).splitlines()
    assert lines == [
        "trial: FAIL, 1 of 6 limits kept",
        "FAIL  thd_percent  3.00 ± 0.10 % (most 2; value alone): too high",
        "FAIL  thd_percent  3.00 ± 0.10 % (least 4; value alone): too low",
        "FAIL  thd_percent  3.00 ± 0.10 % (most 3.1; value with 2 standard uncertainties inside): "
        "too near to a limit for its uncertainty",
        "FAIL  wow_percent  undefined % (most 1; value alone): too short",
        "FAIL  flutter_percent  undefined (most 1; value alone): was not measured",
        "pass  thd_percent  3.00 ± 0.10 % (most 4; value alone)",
    ]


def test_a_limit_without_a_part_is_for_the_whole_or_else_for_every_part_that_has_it() -> None:
    channels = {f"channel {i}": report({"thd_percent": reading(float(i))}) for i in (1, 2)}
    of = report({"loudness_lufs": reading(-20.0)}, stages=channels)
    found = check(of, Limit(key="thd_percent", most=1.5), Limit(key="loudness_lufs", most=0.0))
    assert [(line.part, line.passed) for line in found.lines] == [
        ("channel 1", True),
        ("channel 2", False),
        ("", True),
    ]
    assert [line.part for line in check(of, Limit(key="thd_percent", part="channel 2", most=3.0)).lines] == [
        "channel 2"
    ]
    assert [line.part for line in check(of, Limit(key="wow_percent", most=1.0)).lines] == [""]
    whole = report({"thd_percent": reading(0.5)}, stages=channels)
    assert [line.part for line in check(whole, Limit(key="thd_percent", most=1.0)).lines] == [""]


def test_names_that_do_not_exist_are_errors_with_a_remedy() -> None:
    of = report({"thd_percent": reading(1.0), "my_own_figure": reading(1.0)}, magnitude=curve([0.0] * 5))
    assert check(of, Limit(key="my_own_figure", most=1.0))
    with pytest.raises(
        LimitsError, match=r"limits\.toml, limit 1: there is no figure 'thd_procent'; did you mean thd_p"
    ):
        check(of, Limit(key="thd_procent", most=1.0))
    with pytest.raises(LimitsError, match="there is no curve 'fase'; there are magnitude"):
        check(of, Limit(key="fase", of_curve=True, most=1.0))
    with pytest.raises(LimitsError, match="there is no part 'reverb'; there are none"):
        check(of, Limit(key="thd_percent", part="reverb", most=1.0))


def test_each_point_of_a_curve_in_the_range_counts() -> None:
    of = report({}, magnitude=curve([-9.0, -1.0, 0.5, 1.5, -9.0]))
    inside = Limit(key="magnitude", of_curve=True, start=100.0, stop=10_000.0, least=-1.0, most=1.5)
    assert check(of, inside)
    line = check(of, Limit(key="magnitude", of_curve=True, start=100.0, stop=10_000.0, most=1.4)).lines[0]
    assert (line.passed, line.value, line.reason) == (False, 1.5, "too high at 10000")
    assert line.key == "magnitude from 100 to 10000 Hz"
    # Without a range all points count, and the worst is told.
    line = check(of, Limit(key="magnitude", of_curve=True, least=-5.0)).lines[0]
    assert (line.passed, line.value, line.reason) == (False, -9.0, "too low at 20")
    # Half a decibel at 1 kHz counts as zero.
    assert check(
        of, Limit(key="magnitude", of_curve=True, start=100.0, stop=10_000.0, relative_to=1000.0, most=1.0)
    )
    # An end between two points is interpolated: half-way from -1 to 0.5 dB.
    line = check(of, Limit(key="magnitude", of_curve=True, start=550.0, stop=600.0, most=1.0)).lines[0]
    assert line.passed
    assert line.reason == "nearest at 600 Hz"
    assert not check(of, Limit(key="magnitude", of_curve=True, start=550.0, stop=600.0, least=-0.2))


def test_a_curve_must_be_known_in_the_whole_range() -> None:
    of = report({}, magnitude=curve([0.0, 0.0, math.nan, 0.0, 0.0]), phase=curve([0.0] * 5))
    line = check(of, Limit(key="magnitude", of_curve=True, most=1.0)).lines[0]
    assert (line.passed, line.reason) == (False, "is undefined at 1000 Hz")
    line = check(of, Limit(key="phase", of_curve=True, start=10.0, most=1.0)).lines[0]
    assert (line.passed, line.reason) == (False, "is known from 20 to 20000 Hz only")
    line = check(of, Limit(key="phase", of_curve=True, relative_to=30_000.0, most=1.0)).lines[0]
    assert not line.passed


def test_the_uncertainty_of_a_curve_counts_point_by_point() -> None:
    of = report({}, magnitude=curve([0.0] * 5, [0.1, 0.1, 0.6, 0.1, 0.1]))
    limit = {"key": "magnitude", "of_curve": True, "least": -1.0, "most": 1.0}
    assert check(of, Limit(**limit))
    line = check(of, Limit(**limit, uncertainty="against")).lines[0]
    assert (line.passed, line.uncertainty) == (False, 0.6)
    assert check(of, Limit(**limit, uncertainty="against", stop=100.0))


def test_a_check_goes_to_text_json_and_junit(tmp_path: Path) -> None:
    of = report({"thd_percent": reading(3.0, 0.1)}, stages={"a<b": report({"wow_percent": reading(0.1)})})
    found = check(of, Limit(key="thd_percent", most=2.0), Limit(key="wow_percent", most=1.0))
    assert repr(found) == "<LimitsCheck trial: FAIL, 1 of 2 limits kept>"
    plain = json.loads(found.to_json())
    assert plain["passed"] is False
    assert [line["passed"] for line in plain["lines"]] == [False, True]
    assert plain["lines"][0]["least"] is None
    assert found.to_frame()["passed"].tolist() == [False, True]
    assert "a&lt;b" in found._repr_html_()
    text = found.to_junit(tmp_path / "found.xml")
    assert (tmp_path / "found.xml").read_text("utf-8") == text
    root = ElementTree.fromstring(text)
    (suite,) = root
    assert (root.tag, suite.tag, suite.get("name")) == ("testsuites", "testsuite", "trial")
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("2", "1", "0")
    first, second = suite
    assert (first.get("classname"), first.get("name")) == ("whole", "thd_percent")
    assert "too high" in first[0].get("message")
    assert first[0].tag == "failure"
    assert (second.get("classname"), len(second)) == ("a<b", 0)


def test_characters_that_xml_cannot_hold_are_replaced() -> None:
    found = report({"thd_percent": reading(3.0)}).check(
        Limits(title="a\x01b", source="x", limits=(Limit(key="thd_percent", most=4.0),))
    )
    assert ElementTree.fromstring(found.to_junit())[0].get("name") == "a?b"


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recording") / "tone.wav"
    soundfile.write(path, steady_tone(RATE, frequency_hz=1000.0, seconds=1.0, level_dbfs=-18.0), RATE)
    return path


def test_the_command_line_passes_and_fails(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text('title = "bench"\n[[limit]]\nfigure = "level_dbfs"\nleast = -18.1\nmost = -17.9\n')
    junit = tmp_path / "found.xml"
    arguments = [str(recording), "--limits", str(limits), "--junit", str(junit)]
    assert main(arguments) == 0
    printed = capsys.readouterr().out
    assert "bench: pass, 1 of 1 limits kept\npass  level_dbfs  -18" in printed
    assert f"wrote {junit}" in printed
    assert ElementTree.fromstring(junit.read_text())[0].get("failures") == "0"
    assert main(arguments) == 4  # the XML exists
    assert "exists; choose another name, or give --overwrite" in capsys.readouterr().err
    limits.write_text('[[limit]]\nfigure = "level_dbfs"\nmost = -20\n')
    assert main([*arguments, "--overwrite", "--json"]) == 6
    assert json.loads(capsys.readouterr().out)["limits"]["passed"] is False
    assert ElementTree.fromstring(junit.read_text())[0].get("failures") == "1"
    assert main(arguments[:3]) == 6  # and without the XML
    assert "wrote" not in capsys.readouterr().out


def test_the_command_line_tells_faults_in_one_line(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text('[[limit]]\nfigure = "level_dbsf"\nmost = 1\n')
    assert main([str(recording), "--limits", str(limits)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line == f"measure: {limits}, limit 1: there is no figure 'level_dbsf'; did you mean level_dbfs?"
    assert main([str(recording), "--limits", str(tmp_path / "none.toml")]) == 2
    assert "cannot be read" in capsys.readouterr().err
    assert main([str(recording), "--junit", str(tmp_path / "a.xml")]) == 2
    assert "give --limits too" in capsys.readouterr().err
    assert not (tmp_path / "a.xml").exists()


def test_a_curve_without_points_was_not_measured() -> None:
    empty = replace(curve([0.0] * 5), x=np.empty(0), y=np.empty(0))
    (line,) = check(report({}, magnitude=empty), Limit(key="magnitude", of_curve=True, least=-1.0)).lines
    assert not line.passed
    assert line.reason == "was not measured"
