"""Words of the desk and of the plug-ins that cannot be followed: one line, with the rule and the remedy."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from tapeemu.cli import app
from tapeemu.errors import OutputError, ParameterError, TapeemuError
from tapeemu.plugins.building import build


@pytest.fixture
def stem(tmp_path: Path) -> str:
    path = tmp_path / "stem.wav"
    soundfile.write(path, np.zeros(480), 48_000)
    return str(path)


def refused(kind: type[TapeemuError], words: list[str]) -> str:
    with pytest.raises(kind) as error:
        CliRunner().invoke(app, words, catch_exceptions=False)
    assert "\n" not in str(error.value)
    return str(error.value)


@pytest.mark.parametrize("port", ["-1", "65536", "99999"])
def test_a_port_beyond_its_range_is_refused(stem: str, port: str) -> None:
    told = refused(ParameterError, ["desk", stem, "--port", port, "--no-open"])
    assert told == f"--port is {port}, but must lie between 0 (any free one) and 65535"


def test_what_a_page_has_no_use_for(stem: str, tmp_path: Path) -> None:
    page = tmp_path / "desk.html"
    told = refused(ParameterError, ["desk", stem, "--page", str(page), "--port", "8000"])
    assert told == "--port is about the desk that is served; leave it out with --page"
    assert not page.exists()


def test_plugins_that_cannot_be_put_where_they_shall(plugins: Path, tmp_path: Path) -> None:
    assert plugins == build()
    taken = tmp_path / plugins.name.rpartition("-")[0]
    taken.write_text("a file where the folder should be")
    told = refused(OutputError, ["plugins", "build", "--out", str(tmp_path)])
    assert told.endswith("choose another folder")
    (tmp_path / "other").mkdir()
    first = CliRunner().invoke(app, ["plugins", "build", "--out", str(tmp_path / "other")], catch_exceptions=False)
    (tmp_path / "other" / taken.name / "tapeemu.lv2" / "stale.ttl").write_text("of an earlier version")
    again = CliRunner().invoke(app, ["plugins", "build", "--out", str(tmp_path / "other")], catch_exceptions=False)
    assert first.output == again.output
    assert sorted(path.name for path in (tmp_path / "other" / taken.name).iterdir()) == [
        "tapeemu.clap",
        "tapeemu.lv2",
        "tapeemu.vst3",
    ]
    assert not (tmp_path / "other" / taken.name / "tapeemu.lv2" / "stale.ttl").exists()
