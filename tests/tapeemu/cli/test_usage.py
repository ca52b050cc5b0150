"""What commands say of wrong use, and what they hand on."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner

from tapeemu import cli
from tapeemu.cli import app
from tapeemu.errors import OutputError, ParameterError


@pytest.mark.parametrize(("path", "command"), [(None, "tapeemu"), ("tapeemu process", "tapeemu process")])
def test_wrong_use_names_the_command_whose_help_tells_more(
    capsys: pytest.CaptureFixture[str], path: str | None, command: str
) -> None:
    class UsageError(Exception):
        ctx = None if path is None else SimpleNamespace(command_path=path)

        def format_message(self) -> str:
            return "No such option: --x."

    cli._explain_usage(UsageError())
    assert f"No such option: --x; '{command} --help' lists what there is" in capsys.readouterr().err


def test_settings_lists_kinds_or_the_settings_of_one() -> None:
    kinds = CliRunner().invoke(app, ["settings"]).output
    assert "'tapeemu settings KIND' lists the settings of one" in kinds
    assert "preamp_drive" in kinds
    one = CliRunner().invoke(app, ["settings", "preamp_drive"]).output
    assert "drive_db" in one
    assert "lists the settings of one" not in one


class Served:
    """A desk that ends at once."""

    address = "http://127.0.0.1:1/x"
    closed = False

    def __init__(self, _stems: Any, _preset: Any, *, port: int) -> None:
        if port == 1:
            raise PermissionError(13, "Permission denied")

    def serve_forever(self) -> None:
        raise KeyboardInterrupt

    def server_close(self) -> None:
        Served.closed = True


@pytest.fixture
def desk(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What is asked of the desk, which is neither drawn nor served."""
    asked: list[Any] = []

    def write(_stems: Any, _preset: Any, target: Path, *, overwrite: bool) -> Path:
        asked.append(("page", overwrite))
        target.write_bytes(b"." * 200_000)
        return target

    monkeypatch.setattr("tapeemu.desk.stems.read_stems", lambda paths: paths)
    monkeypatch.setattr("tapeemu.desk.page.write_page", write)
    monkeypatch.setattr("tapeemu.desk.server.DeskServer", Served)
    monkeypatch.setattr("webbrowser.open", lambda address: asked.append(address))
    return asked


def test_a_desk_is_a_page_or_is_served(desk: list[Any], tmp_path: Path) -> None:
    page = CliRunner().invoke(app, ["desk", "a.wav", "--page", str(tmp_path / "desk.html")])
    assert "0.2 MB, with everything inside; open it in a browser" in page.output
    assert desk == [("page", False)]
    served = CliRunner().invoke(app, ["desk", "a.wav"])
    assert Served.address in served.output
    assert served.output.rstrip().endswith("the desk is closed")
    assert desk[1:] == [Served.address]
    assert Served.closed


@pytest.mark.parametrize(
    ("options", "error", "said"),
    [
        (["--overwrite"], ParameterError, "--overwrite is about the file of --page"),
        (["--page", "x.html", "--port", "80"], ParameterError, "leave it out with --page"),
        (["--port", "65536"], ParameterError, "--port is 65536, but must lie between 0 "),
        (["--port", "1"], OutputError, "port 1 cannot be used .Permission denied.; leave --port out"),
    ],
)
@pytest.mark.usefixtures("desk")
def test_wrong_options_of_the_desk_are_told(options: list[str], error: type[Exception], said: str) -> None:
    with pytest.raises(error, match=said):
        CliRunner().invoke(app, ["desk", "a.wav", *options], catch_exceptions=False)
