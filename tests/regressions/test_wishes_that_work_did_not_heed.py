"""`solve thd=1 thd=2` took the second without a word, `--about` without a page said nothing anywhere, and
limits of nan were told, if at all, after a minute of work.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

Run = Callable[..., str]


def test_a_figure_wanted_twice_is_refused(run: Run, own: Path) -> None:
    text = run("solve", "x", "thd=1", "thd_reference_percent=2", status=2)
    assert "thd_reference_percent is wanted to be 1 and 2; give it once" in text


@pytest.mark.parametrize("near", ["nan", "0", "-1", "inf"])
def test_nearness_that_is_none_is_refused(run: Run, own: Path, near: str) -> None:
    text = run("solve", "x", "thd=1", "--within-percent", near, status=2)
    assert f"within_percent is {near}, but must be above zero, and finite" in text


@pytest.mark.parametrize("limit", ["nan", "-1"])
def test_a_limit_of_a_report_is_checked_before_the_work(run: Run, tmp_path: Path, limit: str) -> None:
    """No stem is there: whoever looked for it first would name it."""
    options = ("--preset", "hall-into-drive", "--out", tmp_path / "orders", "--embed-limit-mb", limit)
    text = run("compare", tmp_path / "none.wav", *options, status=2)
    assert "embed_limit_mb is " in text


def test_words_for_a_page_need_the_page(run: Run, tmp_path: Path) -> None:
    text = run("compare", tmp_path / "none.wav", "--preset", "hall-into-drive", "--about", "Bells.", status=2)
    assert "--about stands on the Markdown page; give --table with it" in text
