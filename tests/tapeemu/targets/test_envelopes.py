"""Envelopes of the input at control rate: numpy's means by construction, and the same bits on every machine."""

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from heard_envelopes import envelopes_of

from tapeemu import Chain, PreampDrive
from tapeemu.dsp.kernels.envelopes import AT, PERIOD
from tapeemu.errors import ParameterError
from tapeemu.targets.device import control_samples
from tapeemu.targets.machines import SINGLE, STRICT_FLAGS, BoardTarget, CompilerError, HostTarget, MissingToolError
from tapeemu.targets.setups import Case, setup_of

CHAIN = Chain([PreampDrive(drive_db=3.0)])
needs_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler (gcc) is installed")


def by_construction(audio: Any, period: int, place: int = 0) -> Any:
    """The law: root of the mean square of each whole period of the tape; what lies before the place is silent."""
    padded = np.concatenate([np.zeros((audio.shape[0], place % period)), audio], axis=1)
    whole = padded.shape[1] // period
    return np.sqrt(np.mean(padded[:, : whole * period].reshape(-1, whole, period) ** 2, axis=2))


def noise(channels: int, samples: int) -> Any:
    return 0.3 * np.random.default_rng(5).standard_normal((channels, samples))


@pytest.mark.parametrize("period", [1, 7, 64, 480])
@pytest.mark.parametrize("place", [0, 36_000 * 48_000 + 7, -100])
def test_a_value_is_the_effective_value_of_its_period(period: int, place: int) -> None:
    audio = noise(3, 2000)
    given = envelopes_of(audio, period, [64], place)
    np.testing.assert_allclose(given, by_construction(audio, period, place), rtol=1e-13)


@pytest.mark.parametrize("cuts", [[1], [2000], [1, 0, 333, 7], [480, 479]])
def test_the_cut_changes_no_bit(cuts: list[int]) -> None:
    audio = noise(2, 2000)
    assert np.array_equal(envelopes_of(audio, 480, cuts), envelopes_of(audio, 480, [64]))


def test_silence_reads_nothing_and_full_scale_what_it_is() -> None:
    """A sine of whole turns in a period reads a root of a half; a square of full scale one, whatever its turns."""
    assert np.all(envelopes_of(np.zeros((1, 4800)), 480, [64]) == 0.0)
    assert np.all(envelopes_of(np.full((1, 4800), -1.0), 480, [64]) == 1.0)
    sine = np.sin(2.0 * np.pi * 1000.0 / 48_000.0 * np.arange(4800))[None, :]
    np.testing.assert_allclose(envelopes_of(sine, 480, [64]), np.sqrt(0.5), rtol=1e-12)
    loud = np.zeros((1, 960))
    loud[0, 100] = 1e30
    assert envelopes_of(loud, 480, [64])[0, 1] == 0.0  # nothing is left of what was loud


@needs_gcc
@pytest.mark.long  # by default test_machines.py has them among its cases
@pytest.mark.parametrize("flags", [(), (SINGLE,)])
@pytest.mark.parametrize("in_place", [False, True])
def test_c_has_the_bits_of_python_in_the_same_call(tmp_path: Path, flags: tuple[str, ...], in_place: bool) -> None:
    target = HostTarget(tmp_path, (*STRICT_FLAGS, *flags))
    audio = noise(2, 2000).astype(np.float32).astype(np.float64)
    setup = setup_of(CHAIN, sample_rate=48_000.0, channels=2)
    for place, sought, period in ((0, False, 480), (36_000 * 48_000 + 7, True, 100), (5, True, 1)):
        frame: dict[str, Any] = {"cuts": (64, 1, 700), "place": place, "sought": sought, "in_place": in_place}
        result = target.run([Case(setup, audio, control=period, **frame)])[0]
        expected = envelopes_of(audio, period, [64], place)
        assert np.array_equal(result.envelopes, expected.astype(target.real))
        # The sound is the same as without them.
        assert np.array_equal(result.audio, target.run([Case(setup, audio, **frame)])[0].audio)


@needs_gcc
@pytest.mark.long
def test_a_period_that_cannot_be_is_refused(tmp_path: Path) -> None:
    target = HostTarget(tmp_path)
    setup = setup_of(CHAIN, sample_rate=48_000.0, channels=1)
    for period in (-1, 1_000_001):
        with pytest.raises(CompilerError, match="the setup is not valid"):
            target.run([Case(setup, noise(1, 10), control=period)])


def test_a_control_rate_is_so_many_samples_or_refused() -> None:
    assert control_samples(100.0, 48_000.0) == 480
    assert control_samples(100.0, 44_100.0) == 441
    for hertz in (0.0, 0.04, 48_001.0, float("nan")):
        with pytest.raises(ParameterError, match="--control-rate"):
            control_samples(hertz, 48_000.0)


@pytest.mark.long
def test_the_board_has_the_bits_of_this_machine(tmp_path: Path) -> None:
    here = HostTarget(tmp_path, (*STRICT_FLAGS, SINGLE))
    try:
        board = BoardTarget(tmp_path)
    except MissingToolError as error:
        pytest.skip(str(error))
    setup = setup_of(CHAIN, sample_rate=48_000.0, channels=2)
    cases = [Case(setup, noise(2, 2000), cuts=(64, 33), place=77, control=period) for period in (480, 100)]
    for one, other in zip(here.run(cases), board.run(cases), strict=True):
        assert one.envelopes.size > 0
        assert np.array_equal(one.envelopes, other.envelopes)
        assert np.array_equal(one.audio, other.audio)


def test_places_are_named() -> None:
    assert (AT, PERIOD) == (0, 1)
