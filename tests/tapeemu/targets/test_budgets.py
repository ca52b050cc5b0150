"""The best form inside a budget, by a board of a few lines that knows what every form costs."""

import itertools
import math
import shutil
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tapeemu import Chain, FdnReverb, PreampDrive, Stage, WowFlutter
from tapeemu.errors import ParameterError
from tapeemu.presets import load_preset
from tapeemu.targets import budgets, device
from tapeemu.targets.budgets import fitted
from tapeemu.targets.device import DeviceBuild, Reduction, build_for_device, device_files, sheet
from tapeemu.targets.machines import Result
from tapeemu.targets.setups import Case, Setup, setup_of

needs_board = pytest.mark.skipif(
    shutil.which("qemu-system-arm") is None or shutil.which("arm-none-eabi-gcc") is None,
    reason="the emulator (qemu-system-arm) or its compiler (arm-none-eabi-gcc) is not installed",
)


def numbers(setup: Setup) -> list[dict[str, Any]]:
    return [dict(zip(stage.names, stage.numbers, strict=True)) for stage in setup.stages]


def ram_of(setup: Setup) -> int:
    """A byte for a percent of the size of each line."""
    return sum(int(each["lines"] * each["size_percent"]) for each in numbers(setup) if "lines" in each)


def instructions_of(setup: Setup) -> float:
    """By lines and curves, and a fiftieth less than their sum where both are low: sums are not exact."""
    lines = sum(10.0 * each.get("lines", 0) for each in numbers(setup))
    curves = sum(100.0 * min(12, each.get("most_oversampling", 0)) for each in numbers(setup))
    taps = sum(5.0 * each.get("reader_taps", 0) for each in numbers(setup))
    return (lines + curves + taps) * (0.98 if lines < 320.0 and curves < 1200.0 else 1.0)


class PaperBoard:
    """A board that runs nothing, and keeps what it was asked."""

    INSTRUCTIONS_PER_TICK = 40

    def __init__(self, folder: Path) -> None:
        self.program = folder / "none.elf"
        self.whole: list[Setup] = []

    def run(self, cases: Sequence[Case]) -> list[Result]:
        results = []
        for case in cases:
            samples = case.audio.shape[1]
            assert (samples == 0) == (len(case.cuts) == 0)
            if samples == 24_000:
                self.whole.append(case.setup)
            ticks = round(instructions_of(case.setup) * samples / 40)
            made = np.zeros((1, 0))
            results.append(Result(made, 0, 0, 0, ram_of(case.setup), ticks, ticks))
        return results


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> PaperBoard:
    paper = PaperBoard(tmp_path)
    monkeypatch.setattr(budgets, "board_for", lambda *_: paper)
    monkeypatch.setattr(device, "_flash_bytes", lambda *_: 0)
    return paper


def fit(chain: Chain, folder: Path, ram: float = math.inf, instructions: float = math.inf) -> DeviceBuild:
    where = SimpleNamespace(sample_rate=48_000.0, channels=1, folder=folder)
    return fitted("a", chain, **vars(where), ram_bytes=ram, instructions=instructions)


HALL_AND_DRIVE = Chain([FdnReverb(decay_seconds=1.0, lines=32), PreampDrive(drive_db=18.0)])


@pytest.mark.parametrize(
    ("ram", "instructions", "reduced"),
    [
        (3200, 1520, {}),
        # Memory alone: a smaller room keeps its echoes, half as many lines would cost a point more.
        (1600, 1520, {"size_percent": (100.0, 50.0)}),
        (1700, 1520, {"size_percent": (100.0, 50.0)}),  # 53 would do, but is not among the sizes
        (math.inf, 1000, {"oversampling": (12, 6)}),
        (math.inf, 730, {"oversampling": (12, 4)}),
        # A curve followed twice costs 3.4 points, eight lines two and one of size: rooms first.
        (math.inf, 480, {"lines": (32, 8), "oversampling": (12, 4)}),
    ],
)
def test_the_form_with_the_lowest_price_is_found(
    board: PaperBoard, tmp_path: Path, ram: float, instructions: float, reduced: dict[str, tuple[float, float]]
) -> None:
    build = fit(HALL_AND_DRIVE, tmp_path, ram, instructions)
    assert {each.setting: (each.before, each.after) for each in build.reductions} == reduced
    assert build.most_oversampling == reduced.get("oversampling", (0, None))[1]
    assert numbers(build.setup) == numbers(
        setup_of(build.chain, sample_rate=48_000.0, channels=1, most_oversampling=build.most_oversampling)
    )


def test_no_form_that_fits_is_cheaper(board: PaperBoard, tmp_path: Path) -> None:
    """By looking at every form there is, for budgets of all kinds."""
    base = setup_of(HALL_AND_DRIVE, sample_rate=48_000.0, channels=1)
    forms = budgets._forms(base, budgets._ladders(HALL_AND_DRIVE, 48_000.0), 48_000.0)
    assert len(forms) == 3 * 9 * 5
    for ram, instructions in itertools.product((500, 1100, 2600), (250, 520, 900)):
        fits = [f.price for f in forms if ram_of(f.setup) <= ram and instructions_of(f.setup) <= instructions]
        build = fit(HALL_AND_DRIVE, tmp_path, ram, instructions)
        assert build.price == min(fits)
        assert ram_of(build.setup) <= ram
        assert instructions_of(build.setup) <= instructions


def test_only_what_should_fit_is_run(board: PaperBoard, tmp_path: Path) -> None:
    fit(HALL_AND_DRIVE, tmp_path, 1100, 520)
    assert len(board.whole) <= 4


def test_what_fits_nowhere_is_told_with_its_nearest_form(board: PaperBoard, tmp_path: Path) -> None:
    told = "nearest form .*lines: 32 became 8, .*size_percent: 100 became 25.* takes 200 bytes and .* instructions"
    with pytest.raises(ParameterError, match=told):
        fit(HALL_AND_DRIVE, tmp_path, 199)
    with pytest.raises(ParameterError, match="nothing reduced"):
        fit(Chain([FdnReverb(lines=8, size_percent=25.0)]), tmp_path, 199)


def test_chains_in_the_chain_are_reduced_in_their_place(board: PaperBoard, tmp_path: Path) -> None:
    """Names by dots; what is bypassed is no stage, and what is mixed away is not worth reducing."""
    inner = Chain(
        [
            Stage(processor=FdnReverb(lines=32), name="off", bypass=True),
            Stage(processor=FdnReverb(lines=16), name="hall"),
        ]
    )
    away = Stage(processor=FdnReverb(lines=32), name="away", mix_percent=0.0)
    chain = Chain([WowFlutter(reader_taps=48), away, Stage(processor=inner, name="inner", mix_percent=50.0)])
    build = fit(chain, tmp_path, 4000)
    assert build.reductions == (Reduction("inner.hall", "size_percent", 100.0, 50.0),)
    assert build.chain["inner"].processor["hall"].processor.size_percent == 50.0
    assert numbers(build.setup)[-1]["size_percent"] == 50.0
    assert fit(chain, tmp_path, math.inf, 710).reductions == (Reduction("wow_flutter", "reader_taps", 48, 32),)


def test_prices_are_as_docs_tell_them() -> None:
    ladders = budgets._ladders(HALL_AND_DRIVE, 48_000.0)
    assert [ladder.setting for ladder in ladders] == ["lines", "size_percent", "oversampling"]
    base = setup_of(HALL_AND_DRIVE, sample_rate=48_000.0, channels=1)
    prices = {form.downs: form.price for form in budgets._forms(base, ladders, 48_000.0)}
    assert prices[0, 0, 0] == 0.0
    assert prices[1, 0, 0] == pytest.approx(2.0, abs=1e-3)  # half of the modes and half of the echoes
    assert prices[0, 4, 0] == pytest.approx(1.0, abs=1e-3)  # half of the modes
    assert prices[0, 0, 3] == 3.4


def test_the_sheet_tells_price_and_mean(board: PaperBoard, tmp_path: Path) -> None:
    text = sheet(fit(HALL_AND_DRIVE, tmp_path, 1600))
    assert "- fdn_reverb.size_percent: 100 became 50" in text
    assert "Price: 1.00 points" in text
    assert "| instructions per sample, mean: what a budget limits | 1520 |" in text


@needs_board
@pytest.mark.long
def test_memory_is_told_without_making_a_chain(tmp_path: Path) -> None:
    """What a board tells of a chain that it does not make is what the chain takes when it is made."""
    chain = Chain([FdnReverb(decay_seconds=1.0, lines=16), PreampDrive(drive_db=18.0)])
    setup = setup_of(chain, sample_rate=44_100.0, channels=2)
    where = {"sample_rate": 44_100.0, "channels": 2, "control": 480}
    board = device.board_for(setup, tmp_path)
    costs = device.costs_of(setup, board=board, **where)
    assert device.memory_of([setup], board=board, **where) == [costs.fast_bytes + costs.slow_bytes]


@needs_board
@pytest.mark.long
@pytest.mark.parametrize("name", ["hall-into-drive", "small-room-on-tape"])
def test_a_preset_fits_into_a_small_device(tmp_path: Path, name: str) -> None:
    """Half a megabyte and 2,500 instructions."""
    chain = load_preset(name).chain
    where = {"sample_rate": 48_000.0, "channels": 1, "folder": tmp_path}
    build = fitted(name, chain, **where, ram_bytes=512 * 1024, instructions=2_650.0)
    assert build.costs.ram_bytes <= 512 * 1024
    assert build.costs.instructions <= 2_650.0
    assert build.price > 0.0


@needs_board
@pytest.mark.long
def test_a_curve_is_followed_less_often(tmp_path: Path) -> None:
    chain = Chain([PreampDrive(drive_db=18.0)])
    whole = build_for_device("one", chain, sample_rate=48_000.0, channels=1, folder=tmp_path)
    build = fit(chain, tmp_path, math.inf, 0.75 * whole.costs.instructions)
    assert build.costs.instructions <= 0.75 * whole.costs.instructions
    assert build.reductions == (Reduction("preamp_drive", "oversampling", 12, build.most_oversampling),)
    assert f"/* most_oversampling: {build.most_oversampling} */" in device_files(build)["preset.h"]
