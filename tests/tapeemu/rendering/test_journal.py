"""Going on after an end: what is done is left alone, what has changed is told."""

import os
from pathlib import Path
from typing import Any

import pytest
from batches import CHAIN, contents, make, run

from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.journal import JOURNAL, Journal


class TestResume:
    def test_what_is_done_is_left_alone_and_the_rest_is_done(self, tree: Path) -> None:
        run(tree)
        before = contents(tree / "out")
        stamps = {name: (tree / "out" / name).stat().st_mtime_ns for name in before}
        (tree / "out/a.wav").unlink()
        make(tree / "in/new.wav", 9)
        outcome = run(tree, resume=True)
        assert [item.target.name for item in outcome.skipped] == ["b.wav", "a.flac"]
        assert [report.target.name for report in outcome.reports] == ["a.wav", "new.wav"]
        after = contents(tree / "out")
        assert {name: after[name] for name in before} == before
        for name in ("x/b.wav", "x/y/a.flac"):
            assert (tree / "out" / name).stat().st_mtime_ns == stamps[name]

    def test_without_it_existing_files_are_failures(self, tree: Path) -> None:
        run(tree)
        outcome = run(tree)
        assert len(outcome.failures) == 3
        assert all("exists" in failure.message for failure in outcome.failures)

    @pytest.mark.parametrize("what", ["input", "settings", "delivery", "seed", "start", "result"])
    def test_what_has_changed_is_told_and_replaced_only_if_allowed(self, tree: Path, what: str) -> None:
        run(tree)
        options: dict[str, Any] = {}
        if what == "input":
            make(tree / "in/a.wav", 77)
        elif what == "settings":
            options["chain"] = CHAIN.with_setting("preamp_drive", "drive_db", 4.0)
        elif what == "delivery":
            options["delivery"] = Delivery(tail_seconds=0.1)
        elif what == "seed":
            options["seed"] = 1
        elif what == "start":
            options["start_seconds"] = 1.0
        else:
            make(tree / "out/a.wav", 77)
        before = contents(tree / "out")
        refused = run(tree, resume=True, **options)
        assert contents(tree / "out") == before
        assert {failure.source.name for failure in refused.failures} >= {"a.wav"}
        assert "have changed since" in refused.failures[0].message
        options["delivery"] = options.get("delivery", Delivery()).replace(overwrite=True)
        assert not run(tree, resume=True, **options).failures
        assert contents(tree / "out")["a.wav"] != before["a.wav"]
        assert len(run(tree, resume=True, **options).skipped) == 3

    def test_a_file_changed_within_its_size_and_time_is_noticed(self, tree: Path) -> None:
        run(tree)
        status = (tree / "in/a.wav").stat()
        make(tree / "in/a.wav", 78)
        os.utime(tree / "in/a.wav", ns=(status.st_atime_ns, status.st_mtime_ns))
        assert len(run(tree, resume=True).failures) == 1

    @pytest.mark.parametrize(
        "damage",
        [
            b"",
            b"\xff\xfe\x00 not a journal",
            b"[1, 2]\n3\nnull\n{}\n",
            b'{"name": 7}\n',
            b"[" * 100_000,
            b'{"name": "../../../etc/passwd", "settings": "x", "source": "x", "target": "x"}\n',
        ],
    )
    def test_a_damaged_journal_only_forgets(self, tree: Path, damage: bytes) -> None:
        run(tree)
        before = contents(tree / "out")
        (tree / "out" / JOURNAL).write_bytes(damage)
        assert len(run(tree, resume=True).failures) == 3
        assert contents(tree / "out") == before

    def test_a_journal_cut_off_in_its_last_line_loses_that_line(self, tree: Path) -> None:
        run(tree)
        journal = tree / "out" / JOURNAL
        journal.write_bytes(journal.read_bytes()[:-20])
        outcome = run(tree, resume=True)
        assert (len(outcome.skipped), len(outcome.failures)) == (2, 1)
        (tree / "out/x/y/a.flac").unlink()
        run(tree, resume=True)
        assert len(run(tree, resume=True).skipped) == 3

    def test_a_long_journal_is_made_short(self, tree: Path) -> None:
        run(tree)
        journal = tree / "out" / JOURNAL
        journal.write_bytes(journal.read_bytes() * 50)
        assert len(run(tree, resume=True).skipped) == 3
        assert len(journal.read_bytes().split(b"\n\n")) < 10

    def test_parts_of_a_dead_run_are_swept(self, tree: Path) -> None:
        stray = tree / "out/x/.tapeemu-0123456789abcdef.part"
        stray.parent.mkdir(parents=True)
        stray.write_bytes(b"half a file")
        run(tree)
        assert not stray.exists()


def test_a_journal_that_cannot_be_read_only_forgets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / JOURNAL).write_bytes(b'{"name": "a.wav"}\n')
    assert list(Journal(tmp_path).read()) == ["a.wav"]

    def fail(_: Path) -> bytes:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "read_bytes", fail)
    assert Journal(tmp_path).read() == {}
