"""Files of limits: what they may hold, and that each fault is told in one line with file, rule and remedy."""

import math
from pathlib import Path

import pytest

from measure.errors import LimitsError
from measure.limits import Limit, read_limits


def written(folder: Path, text: str) -> Path:
    path = folder / "limits.toml"
    path.write_text(text, "utf-8")
    return path


def test_every_word_of_the_format(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        """
        title = "Machine 3 after service"
        uncertainty = "against"
        coverage = 3

        [[limit]]
        figure = "weighted_flutter_percent"
        most = 0.1

        [[limit]]
        figure = "decay_500hz_seconds"
        part = "reverb"
        least = 1.0
        most = 1.3
        uncertainty = "in favour"
        coverage = 1

        [[limit]]
        curve = "magnitude"
        from = 40
        to = 15000
        re = 1000
        least = -2
        most = 2
        uncertainty = "left out"
        """,
    )
    limits = read_limits(path)
    assert (limits.title, limits.source) == ("Machine 3 after service", str(path))
    first, second, third = limits.limits
    assert (first.key, first.least, first.most) == ("weighted_flutter_percent", -math.inf, 0.1)
    assert (first.uncertainty, first.coverage) == ("against", 3.0)
    assert second == Limit(
        key="decay_500hz_seconds", part="reverb", least=1.0, most=1.3, uncertainty="in favour", coverage=1.0
    )
    assert (third.key, third.of_curve, third.start, third.stop) == ("magnitude", True, 40.0, 15_000.0)
    assert (third.relative_to, third.uncertainty, third.coverage) == (1000.0, "left out", 3.0)


def test_the_title_is_the_name_of_the_file_and_the_value_counts_alone_if_nothing_is_said(tmp_path: Path) -> None:
    limits = read_limits(written(tmp_path, '[[limit]]\nfigure = "polarity"\nleast = 1'))
    assert limits.title == "limits"
    assert limits.limits[0].uncertainty == "left out"
    assert math.isnan(limits.limits[0].relative_to)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "there is no limit in it; add a table"),
        ("limit = 3", "limit is no list of tables; head each limit by"),
        ("[limit]\nfigure = 'polarity'", "limit is no list of tables"),
        ("[[limit]]\nmost = 1", "limit 1: holds neither figure nor curve; give one"),
        ("[[limit]]\nfigure = 'a'\ncurve = 'b'\nmost = 1", "limit 1: holds both figure and curve; give one"),
        ("[[limit]]\nfigure = 'a'", "limit 1: has neither least nor most; give one or both"),
        ("[[limit]]\nfigure = 'a'\nleast = 2\nmost = 1", "least, most are 2, 1, the wrong way round; swap them"),
        ("[[limit]]\ncurve = 'a'\nfrom = 2\nto = 1\nmost = 1", "from, to are 2, 1, the wrong way round"),
        ("[[limit]]\nfigure = 'a'\nmost = 'ten'", "most is 'ten', but must be a finite number"),
        ("[[limit]]\nfigure = 'a'\nmost = true", "most is True, but must be a finite number"),
        ("[[limit]]\nfigure = 'a'\nmost = nan", "most is nan, but must be a finite number"),
        ("[[limit]]\nfigure = 'a'\nmost = inf", "most is inf, but must be a finite number"),
        ("[[limit]]\nfigure = 3\nmost = 1", "figure is 3, but must be a text"),
        ("[[limit]]\nfigure = ' '\nmost = 1", "figure is ' ', but must be a text"),
        ("title = 3\n[[limit]]\nfigure = 'a'\nmost = 1", "title is 3, but must be a text"),
        ("[[limit]]\nfigure = 'a'\nmaost = 1", "'maost' is not a key of the format; did you mean most?"),
        (
            "[[limit]]\nfigure = 'a'\nfrom = 1\nmost = 1",
            "'from' is not a key of the format; there are figure, part",
        ),
        ("limits = 1", "'limits' is not a key of the format; did you mean limit?"),
        ("[[limit]]\nfigure = 'a'\nmost = 1\nuncertainty = 'no'", "uncertainty is 'no'; give one of \"left out\""),
        ("[[limit]]\nfigure = 'a'\nmost = 1\nuncertainty = []", "uncertainty is []; give one of"),
        ("[[limit]]\nfigure = 'a'\nmost = 1\ncoverage = 0", "coverage is 0, but must be above 0"),
        ("# all\n[[limit]\n", "line 2: '[[limit]' is not TOML; write name = value"),
        ("most = " + 80 * "x", "line 1: 'most = " + 53 * "x" + " ...' is not TOML; write name"),
        ("[[limit]]\nmost = [1,\n\n", "line 2: 'most = [1,' is not TOML"),
        ("a = 1\na = 2", "line 2: 'a = 2' gives something a second time; give each name once"),
        ("[limit]\n[limit]", "line 2: '[limit]' gives something a second time"),
        ("[[limit]]\nmost = {a = 1, a = 2}", "line 2: 'most = {a = 1, a = 2}' gives something a second time"),
    ],
)
def test_a_fault_is_told_in_one_line(tmp_path: Path, text: str, told: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(LimitsError) as caught:
        read_limits(path)
    message = str(caught.value)
    assert told in message
    assert message.startswith(str(path))
    assert ";" in message
    assert "\n" not in message


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(LimitsError, match=r"missing\.toml cannot be read \(no such file"):
        read_limits(tmp_path / "missing.toml")
    with pytest.raises(LimitsError, match="is a directory"):
        read_limits(tmp_path)
    with pytest.raises(LimitsError, match="cannot be read"):
        read_limits("a\0b")
    (tmp_path / "latin.toml").write_bytes(b"title = '\xe9'")
    with pytest.raises(LimitsError, match="is not UTF-8 text"):
        read_limits(tmp_path / "latin.toml")
    (tmp_path / "marked.toml").write_bytes(b"\xef\xbb\xbf[[limit]]\r\nfigure = 'polarity'\r\nleast = 1\r\n")
    assert read_limits(tmp_path / "marked.toml").limits[0].key == "polarity"
