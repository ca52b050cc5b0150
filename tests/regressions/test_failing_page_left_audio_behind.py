"""A page of orders that failed left its sound files behind."""

from pathlib import Path

import pytest
from hostile_comparison import comparison

from tapeemu.files.part_files import PartFile
from tapeemu.report import html_page, html_view, write_report


@pytest.mark.parametrize("where", ["_page", "PartFile.publish"])
def test_a_page_that_fails_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """Neither sound beside the page nor a folder; and what was there before is as it was."""
    monkeypatch.setattr(html_view, "plot_sections", lambda *_: [])  # drawn elsewhere, and slow
    write_report(comparison(), tmp_path / "old.html", embed_limit_mb=0.01)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    if where == "_page":
        monkeypatch.setattr(html_page, "_page", fail)
    else:
        publish = PartFile.publish
        monkeypatch.setattr(
            PartFile, "publish", lambda part: fail() if part.target.suffix == ".html" else publish(part)
        )
    for target in ("new.html", "old.html"):
        with pytest.raises(OSError, match="No space"):
            write_report(comparison(), tmp_path / target, embed_limit_mb=0.01, overwrite=True)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before
    assert not (tmp_path / "new-audio").exists()
