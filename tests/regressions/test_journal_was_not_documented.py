"""The journal of a batch was not documented."""

import hashlib
import json
import re
from pathlib import Path

from batches import run

from tapeemu.rendering.journal import JOURNAL


class TestJournal:
    """The journal is what docs/files.md and `--help` say of it."""

    def test_each_line_has_the_keys_that_are_documented(self, tree: Path) -> None:
        text = (Path(__file__).parents[2] / "docs/files.md").read_text("utf-8").split("## The journal")[1]
        documented = re.findall(r"^\| `(\w+)` \|", text.split("\n## ")[0], re.MULTILINE)
        run(tree)
        lines = [line for line in (tree / "out" / JOURNAL).read_bytes().split(b"\n") if line]
        assert [list(json.loads(line)) for line in lines] == 3 * [documented]

    def test_the_sums_are_those_of_the_files(self, tree: Path) -> None:
        run(tree)
        entries = [json.loads(line) for line in (tree / "out" / JOURNAL).read_bytes().split(b"\n") if line]
        assert [entry["name"] for entry in entries] == ["a.wav", "x/b.wav", "x/y/a.flac"]
        for entry in entries:
            for key, folder in (("source", "in"), ("target", "out")):
                assert entry[key] == hashlib.sha256((tree / folder / entry["name"]).read_bytes()).hexdigest()
        assert len({entry["settings"] for entry in entries}) == 1

    def test_the_help_names_them(self) -> None:
        from inspect import signature

        from tapeemu.cli.process import process

        told = signature(process).parameters["resume"].default.help
        assert all(word in told for word in (JOURNAL, "name", "settings", "source", "target", "SHA-256"))
