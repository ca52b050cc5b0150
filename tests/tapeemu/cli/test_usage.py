"""What commands say of wrong use, and what they hand on."""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import Mock

import pytest
from typer.testing import CliRunner

from tapeemu import cli
from tapeemu.cli import app
from tapeemu.errors import OutputError, ParameterError
from tapeemu.plugins import building, installing
from tapeemu.targets import budgets, device


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


def test_plug_ins_are_built_listed_put_and_taken_away(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """What is built, and where it goes, is told; the building itself is tested elsewhere."""
    made = tmp_path / "made"
    installed: list[Path] = []

    def install() -> list[Path]:
        installed.append(tmp_path / "one.clap")
        return list(installed)

    def remove() -> list[Path]:
        found = list(installed)
        installed.clear()
        return found

    monkeypatch.setattr(building, "build", lambda machine: made / machine.name)
    monkeypatch.setattr(installing, "put", lambda source, target: target / source.name)
    monkeypatch.setattr(installing, "install", install)
    monkeypatch.setattr(installing, "remove", remove)
    monkeypatch.setattr(installing, "find_installed", lambda: list(installed))

    def said(*words: str) -> str:
        return CliRunner().invoke(app, ["plugins", *words], catch_exceptions=False).output

    name = building.this_machine().name
    for chosen, words in ((name, ()), ("linux-arm64", ("--machine", "linux-arm64"))):
        lines = said("build", "--out", str(tmp_path), *words)
        assert f"{tmp_path / chosen}: " in lines
        assert all(f"{building.NAME}.{each}" in lines for each in building.FORMATS)
    with pytest.raises(ParameterError, match="--machine is 'abacus', but must be one of: linux"):
        said("build", "--out", str(tmp_path), "--machine", "abacus")
    assert "preamp_drive" in said("list")
    assert "not installed; 'tapeemu plugins install' does it" in said("list")
    assert str(tmp_path / "one.clap") in said("install")
    assert said("list").endswith(f"{tmp_path / 'one.clap'}\n")
    assert said("remove") == f"removed {tmp_path / 'one.clap'}\n"
    assert said("remove") == "no plug-in was installed, so none was removed\n"


@pytest.mark.parametrize(
    ("words", "limits"),
    [
        ((), None),
        (("--ram", "512k"), (512 * 1024, float("inf"))),
        (("--ram", "1.5M", "--instructions", "2500"), (1.5 * 1024**2, 2500.0)),
        (("--instructions", "2500"), (float("inf"), 2500.0)),
    ],
)
def test_files_for_a_device_keep_to_what_it_has(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, words: tuple[str, ...], limits: tuple[float, float] | None
) -> None:
    asked: list[tuple[float, float] | None] = []
    costs = device.Costs(100, 20, 30, 4, 5.0, 6.0, 7, 8, 9)

    def made(name: str, chain: Any, **where: Any) -> SimpleNamespace:
        asked.append((where["ram_bytes"], where["instructions"]) if "ram_bytes" in where else None)
        assert (where["sample_rate"], where["channels"]) == (44_100.0, 2)
        return SimpleNamespace(costs=costs)

    monkeypatch.setattr(budgets, "fitted", made)
    monkeypatch.setattr(device, "build_for_device", made)
    monkeypatch.setattr(device, "device_files", lambda _: {"main.c": "int main;"})
    monkeypatch.setattr(device, "figures_on_device", lambda *_, progress: ["rows"])
    monkeypatch.setattr(device, "sheet", lambda _, rows: f"sheet {rows}")
    command = ["device", "preamplifier-alone", "--rate", "44100", "--channels", "2", "--out", str(tmp_path)]
    for options, rows in (((), ["rows"]), (("--no-figures", "--overwrite"), None)):
        done = CliRunner().invoke(app, [*command, *words, *options], catch_exceptions=False)
        assert (
            "2 files; 100 bytes of flash, 54 of RAM, 5 instructions per sample (6 in the slowest block)"
            in done.output
        )
        (sheet,) = (path for path in tmp_path.iterdir() if path.name != "main.c")
        assert sheet.read_text() == f"sheet {rows}"
    assert asked == [limits, limits]


def test_a_table_of_orders_is_told_with_its_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both files, and in JSON neither, or what reads it would stumble."""
    paths = [tmp_path / "orders.md", tmp_path / "orders.svg"]
    compared = Mock()
    compared.without_audio.return_value.to_dict.return_value = {"orders": 2}
    monkeypatch.setattr("tapeemu.comparison.compare", lambda *_, **__: compared)
    monkeypatch.setattr("tapeemu.report.write_page", lambda *_, **__: paths)
    monkeypatch.setattr("tapeemu.cli.compare._print", lambda *_: None)
    (tmp_path / "a.wav").write_bytes(b"RIFF")
    arguments = ["compare", str(tmp_path / "a.wav"), "--preset", "hall-into-drive", "--table", str(paths[0])]
    told = CliRunner().invoke(app, arguments)
    assert told.exit_code == 0, told.output
    assert [line for line in told.stdout.splitlines() if "written" in line] == [
        f"written: {path}" for path in paths
    ]
    assert json.loads(CliRunner().invoke(app, [*arguments, "--json"]).stdout) == [{"orders": 2}]
