"""Files for a device: whole, compiled as they are, and costs that were counted."""

import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from tapeemu import Chain, FdnReverb, PreampDrive, TapeNoise
from tapeemu.cli import app
from tapeemu.errors import ParameterError
from tapeemu.native.generate import generated_files
from tapeemu.targets import device
from tapeemu.targets.device import Costs, DeviceBuild, Reduction, build_for_device, device_files, fitted, sheet
from tapeemu.targets.machines import SINGLE, WARNINGS, compile_c
from tapeemu.targets.setups import Setup, setup_of

needs_board = pytest.mark.skipif(
    shutil.which("qemu-system-arm") is None or shutil.which("arm-none-eabi-gcc") is None,
    reason="the emulator (qemu-system-arm) or its compiler (arm-none-eabi-gcc) is not installed",
)
COSTS = Costs(1, 2, 3, 4, 5.0, 6.0, 7, 8, 9)


def made(chain: Chain, *reductions: Reduction) -> DeviceBuild:
    setup = setup_of(chain, sample_rate=48_000.0, channels=1)
    return DeviceBuild("a-name", chain, 48_000.0, 1, setup, COSTS, reductions)


@pytest.mark.long
def test_the_files_hold_what_the_preset_needs_and_no_other_processor() -> None:
    files = device_files(made(Chain([PreampDrive(thd_percent=1.0)])))
    assert {"tapeemu.c", "tapeemu.h", "preset.h", "main.c", "drive.c"} <= set(files)
    assert "room.c" in generated_files()
    assert "room.c" not in files
    assert "/* thd_percent: 1.0 */" in files["preset.h"]
    assert len(files["main.c"].splitlines()) <= 32
    assert all("SPDX-License-Identifier: ISC" in text for text in files.values())


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler (gcc) is installed")
def test_the_files_compile_as_they_are(tmp_path: Path) -> None:
    for name, text in device_files(made(Chain([PreampDrive(thd_percent=1.0)]))).items():
        (tmp_path / name).write_text(text, "utf-8")
    for source in ("tapeemu.c", "main.c"):
        compile_c(["gcc", *WARNINGS, SINGLE, "-c", str(tmp_path / source), "-o", str(tmp_path / "one.o")])


def test_the_sheet_says_what_was_reduced_and_what_a_figure_lost() -> None:
    build = made(Chain([PreampDrive()]), Reduction("hall", "lines", 16, 8))
    text = sheet(build, [("thd", 1.0, 0.01, 1.2, "%"), ("gain", 0.0, 0.1, 0.05, "dB")])
    assert "must not flash more than three times a second" in text
    assert "hall.lines: 16 became 8" in text
    assert "| thd | 1 % | 1.2 % | 0.01 | **no** |" in text
    assert "| gain | 0 dB | 0.05 dB | 0.1 | yes |" in text
    # 6 instructions in the slowest block, 1.5 cycles each, 48,000 times a second.
    assert "| cycles per sample, by the model below | 9 |" in text
    assert "| clock that this takes up whole | 0 MHz |" in text
    assert "Model of cycles: 1.5 for an instruction" in text
    assert "noise has no end" not in text
    assert "| tail to -60 dB | 9 samples (0.00 s); noise has no end |" in sheet(made(Chain([TapeNoise()])), [])


@pytest.mark.long
@needs_board
def test_costs_are_counted_on_the_board(tmp_path: Path) -> None:
    """The emulator counts instructions: a chain of two drives takes twice those of one, and neither is free."""
    one = build_for_device("one", Chain([PreampDrive()]), sample_rate=48_000.0, channels=1, folder=tmp_path)
    two = build_for_device(
        "two", Chain([PreampDrive(), PreampDrive()]), sample_rate=48_000.0, channels=1, folder=tmp_path
    )
    assert 500.0 < one.costs.instructions < 5000.0
    assert two.costs.instructions == pytest.approx(2.0 * one.costs.instructions, rel=0.05)
    assert two.costs.latency == 2 * one.costs.latency == 200
    assert 0 < one.costs.stack_bytes < 8192
    assert one.costs.flash_bytes > 4096


@needs_board
@pytest.mark.long
def test_a_budget_is_kept_or_refused(tmp_path: Path) -> None:
    chain = Chain([FdnReverb(decay_seconds=1.0, lines=16)])
    build = fitted("hall", chain, sample_rate=48_000.0, channels=1, folder=tmp_path, ram_bytes=400_000)
    assert build.costs.ram_bytes <= 400_000
    assert build.reductions
    with pytest.raises(ParameterError, match="does not fit: its nearest form takes"):
        fitted("hall", chain, sample_rate=48_000.0, channels=1, folder=tmp_path, ram_bytes=1000)


@needs_board
@pytest.mark.long
def test_a_curve_is_followed_less_often_before_it_is_given_up(tmp_path: Path) -> None:
    chain = Chain([PreampDrive(drive_db=18.0)])
    whole = build_for_device("one", chain, sample_rate=48_000.0, channels=1, folder=tmp_path)
    budget = 0.75 * whole.costs.worst_instructions
    build = fitted("one", chain, sample_rate=48_000.0, channels=1, folder=tmp_path, instructions=budget)
    assert build.costs.worst_instructions <= budget
    assert build.most_oversampling in (6, 4, 2, 1)
    assert build.reductions == (Reduction("preamp_drive", "oversampling", 12, build.most_oversampling),)
    assert f"/* most_oversampling: {build.most_oversampling} */" in device_files(build)["preset.h"]


def test_the_command_refuses_what_no_device_has(tmp_path: Path) -> None:
    refused = CliRunner().invoke(app, ["device", "preamplifier-alone", "--channels", "3", "--out", str(tmp_path)])
    assert isinstance(refused.exception, ParameterError)
    refused = CliRunner().invoke(app, ["device", "preamplifier-alone", "--ram", "much", "--out", str(tmp_path)])
    assert isinstance(refused.exception, ParameterError)


def counted(setup: Setup, *, sample_rate: float, channels: int, board: Any, control: int) -> Costs:
    """Costs as the settings have them: memory by the lines of a hall, instructions by those and by the curve."""
    numbers = {
        name: value for stage in setup.stages for name, value in zip(stage.names, stage.numbers, strict=True)
    }
    lines = int(numbers.get("lines", 0))
    factor = min(12, int(numbers.get("most_oversampling") or 12))
    return Costs(0, 1000 * lines, 0, 0, 0.0, 10.0 * lines + 100.0 * factor, 0, 0, 0)


@pytest.fixture
def on_paper(monkeypatch: pytest.MonkeyPatch) -> None:
    """Costs are counted without a board."""
    monkeypatch.setattr(device, "BoardTarget", lambda *_: None)
    monkeypatch.setattr(device, "costs_of", counted)


HALL_AND_DRIVE = Chain([FdnReverb(decay_seconds=1.0, lines=32), PreampDrive(drive_db=18.0)])


@pytest.mark.usefixtures("on_paper")
@pytest.mark.parametrize(
    ("ram_bytes", "instructions", "reduced", "most"),
    [
        (32_000, 1520, (), None),
        (16_000, 1520, (("fdn_reverb", "lines", 32, 16),), None),
        (8_000, 1520, (("fdn_reverb", "lines", 32, 8),), None),
        (32_000, 1000, (("preamp_drive", "oversampling", 12, 6),), 6),
        (32_000, 730, (("preamp_drive", "oversampling", 12, 4),), 4),
        (32_000, 190, (("fdn_reverb", "lines", 32, 8), ("preamp_drive", "oversampling", 12, 1)), 1),
        (8_000, 700, (("fdn_reverb", "lines", 32, 8), ("preamp_drive", "oversampling", 12, 6)), 6),
    ],
)
def test_a_chain_is_reduced_as_little_as_a_budget_allows(
    tmp_path: Path, ram_bytes: float, instructions: float, reduced: tuple[Any, ...], most: int | None
) -> None:
    build = fitted(
        *("a", HALL_AND_DRIVE),
        sample_rate=48_000.0,
        channels=1,
        folder=tmp_path,
        ram_bytes=ram_bytes,
        instructions=instructions,
    )
    assert build.reductions == tuple(Reduction(*each) for each in reduced)
    assert build.most_oversampling == most
    lines = build.chain["fdn_reverb"].processor.lines
    assert lines == next((each[3] for each in reduced if each[1] == "lines"), 32)


@pytest.mark.usefixtures("on_paper")
def test_what_fits_nowhere_is_told_with_its_nearest_form(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match="a does not fit: its nearest form takes 8000 bytes and 1280 instr"):
        fitted("a", HALL_AND_DRIVE, sample_rate=48_000.0, channels=1, folder=tmp_path, ram_bytes=7_999)
