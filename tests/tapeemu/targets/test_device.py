"""Files for a device: whole, compiled as they are, and costs that were counted."""

import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tapeemu import Chain, PreampDrive, TapeNoise
from tapeemu.cli import app
from tapeemu.errors import ParameterError
from tapeemu.native.generate import generated_files
from tapeemu.targets.device import Costs, DeviceBuild, Reduction, build_for_device, device_files, sheet
from tapeemu.targets.machines import SINGLE, WARNINGS, compile_c
from tapeemu.targets.setups import setup_of

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


def test_the_command_refuses_what_no_device_has(tmp_path: Path) -> None:
    refused = CliRunner().invoke(app, ["device", "preamplifier-alone", "--channels", "3", "--out", str(tmp_path)])
    assert isinstance(refused.exception, ParameterError)
    refused = CliRunner().invoke(app, ["device", "preamplifier-alone", "--ram", "much", "--out", str(tmp_path)])
    assert isinstance(refused.exception, ParameterError)
