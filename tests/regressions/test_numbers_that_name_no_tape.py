"""Tracks, places and seeds were not checked in Python, and names of places could be empty.

A track of 2^63 was an internal error, one of 1.5 was track 1, seeds were taken modulo 2^64 without a word, and an
empty `--out` or stem was the folder one stood in. `--set STAGE.name=NEW` was an internal error too.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tapeemu import Chain, PreampDrive, Stage, TapeNoise, WowFlutter
from tapeemu.errors import AudioError, ParameterError
from tapeemu.presets import load_preset
from tapeemu.rendering.plan import plan_batch, sound_files

RATE = 48_000
Run = Callable[..., str]
PROCESSORS = (PreampDrive(), TapeNoise(), Chain([PreampDrive()]), Chain([]))


@pytest.mark.parametrize("processor", PROCESSORS)
@pytest.mark.parametrize(
    ("where", "words"),
    [
        ({"track": -1}, "track is -1, but must be zero or more"),
        ({"track": 2**63}, "track is 9223372036854775808, but must be zero or more, and at most 2"),
        ({"track": 1.5}, "track is 1.5, but must be a whole number"),
        ({"track": True}, "track is True, but must be a whole number"),
        ({"track": "1"}, "track is '1', but must be a whole number"),
        ({"start_sample": 2**70}, "start_sample is 1180591620717411303424, but must lie within 2"),
        ({"start_sample": -(2**63)}, "start_sample is -9223372036854775808, but must lie within 2"),
        ({"start_sample": 0.5}, "start_sample is 0.5, but must be a whole number"),
        ({"start_sample": "3"}, "start_sample is '3', but must be a whole number"),
    ],
)
def test_a_place_that_no_tape_has_is_refused(processor: Any, where: dict[str, Any], words: str) -> None:
    with pytest.raises(ParameterError) as told:
        processor(np.zeros(4), RATE, **where)
    assert str(told.value).startswith(words)


@pytest.mark.parametrize("processor", [WowFlutter(), Chain([WowFlutter()]), PreampDrive(), Chain([])])
@pytest.mark.parametrize("seed", [-1, 2**63, 1.0, True, "7"])
def test_a_seed_that_no_tape_has_is_refused(processor: Any, seed: Any) -> None:
    with pytest.raises(ParameterError, match=r"^seed is .*, but must be (zero or more|a whole number)"):
        processor.with_seed(seed)


def test_whole_numbers_of_numpy_name_a_tape() -> None:
    chain, sound = Chain([WowFlutter(), TapeNoise()]), np.full(64, 0.1)
    given = chain.with_seed(np.int64(3))(sound, RATE, start_sample=np.int64(99), track=np.uint8(2))  # type: ignore[arg-type]
    np.testing.assert_array_equal(given, chain.with_seed(3)(sound, RATE, start_sample=99, track=2))


def test_the_farthest_place_and_the_last_seed_sound() -> None:
    chain = Chain([WowFlutter(), TapeNoise(), Stage(processor=PreampDrive(), mix_percent=50.0)])
    for place in (2**61, -(2**61)):
        assert np.all(np.isfinite(chain.with_seed(2**63 - 1)(np.full(64, 0.1), RATE, start_sample=place)))


def test_a_place_without_a_name_is_not_the_present_folder(
    run: Run, tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tree)
    before = sorted(tree.rglob("*"))
    stem = tree / "a.wav"
    told = "is '', but must name a place; '.' is the folder you are in"
    assert f"--out {told}" in run("process", stem, "--preset", "tape-alone", "--out", "", status=2)
    assert f"--out {told}" in run("plugins", "build", "--out", "", status=2)
    assert f"--page {told}" in run("desk", stem, "--page", "", status=2)
    assert "an input is '', but must name a file" in run(
        "process", "", "--preset", "tape-alone", "--out", "takes", status=3
    )
    assert [path for path in sorted(tree.rglob("*")) if path not in before] in ([], [tree / "takes"])
    with pytest.raises(AudioError, match="an input is ''"):
        sound_files([""])
    assert [str(failure.error) for failure in plan_batch([""], tree).failures] == [
        "an input is '', but must name a file, a folder or a pattern; '.' is the folder you are in"
    ]


def test_the_laboratory_wants_names_too(capsys: pytest.CaptureFixture[str]) -> None:
    from measure.command_line import main

    for arguments in (["signals", "--out", ""], ["tone.wav", "--plots", ""], [""]):
        assert main(arguments) == 2
        assert "is '', but must name a place" in capsys.readouterr().err


def test_a_stage_gets_another_name(run: Run, own: Path) -> None:
    run(
        "new",
        "renamed",
        "--from",
        "preamplifier-alone",
        "--set",
        "drive.name=front",
        "--set",
        "drive.thd_percent=2",
    )
    (stage,) = load_preset("renamed").chain
    assert (stage.name, stage.processor.thd_percent) == ("front", 2.0)  # type: ignore[attr-defined]
