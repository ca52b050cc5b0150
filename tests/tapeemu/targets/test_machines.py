"""The C library against Python, on this machine, as WebAssembly and on an emulated Cortex-M7."""

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drawn_cases import HOUR_TEN, NOT_OURS, decibels, drawn_case, in_kernels, single_excess_db
from heard_envelopes import envelopes_of
from native_targets import QUICK_FLAGS, GuardedTarget
from random_chains import settings
from scipy.signal import lfilter
from strict_reference import Asked, Came, run

from tapeemu import (
    AmplitudeFlutter,
    Chain,
    Crosstalk,
    EraseResidue,
    FdnReverb,
    HeadAzimuth,
    PreampDrive,
    PrintThrough,
    Splices,
    Stage,
    StartStop,
    TapeMagnetisation,
    TapeNoise,
    TapeResponse,
    WowFlutter,
)
from tapeemu.presets import load_preset
from tapeemu.processor import Processor
from tapeemu.processors import processor_kinds
from tapeemu.targets import machines
from tapeemu.targets.machines import (
    SINGLE,
    STRICT_FLAGS,
    BoardTarget,
    HostTarget,
    MissingToolError,
    Result,
    Target,
    WebTarget,
)
from tapeemu.targets.setups import Case, setup_of

SHIPPED_FLAGS = ("-O3", "-ffp-contract=fast")
FUSING_FLAGS = ("-O2", "-ffp-contract=fast")
"""Fuses as well, and compiles in less time: the build that tests share by default."""
SHIPPED_FLAGS_CLANG = ("-O3", "-ffp-contract=on")
FUSED = "-march=x86-64-v3"
BOARD_FAST_BYTES, BOARD_SLOW_BYTES = 3 << 20, 6 << 20
"""What emulated.c gives to a chain."""
ROOT = Path(__file__).parents[3]
needs_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler (gcc) is installed")
pytestmark = needs_gcc


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("native")


def build(kind: type[Target], folder: Path, *arguments: Any) -> Any:
    here = folder / f"{kind.__name__}-{abs(hash(arguments)):x}"
    here.mkdir(exist_ok=True)
    try:
        return kind(here, *arguments)
    except MissingToolError as error:
        pytest.skip(str(error))


def same(came: Any, result: Result) -> bool:
    return came.audio.shape == result.audio.shape and np.array_equal(came.audio, result.audio)


def fuses() -> bool:
    cpu = Path("/proc/cpuinfo")
    return cpu.exists() and " fma " in cpu.read_text() and " avx2 " in cpu.read_text()


def fusing(flags: tuple[str, ...] = SHIPPED_FLAGS) -> tuple[str, ...]:
    """Flags that let gcc fuse, on a machine that can."""
    return (*flags, FUSED) if fuses() else flags


LATE: dict[int, Processor] = {
    59: Crosstalk(),
    63: HeadAzimuth(azimuth_urad=2_000.0, wander_urad=400.0, tape_speed_cm_s=9.525),
    70: PrintThrough(level_db=-20.0, hub_radius_mm=6.0, full_radius_mm=8.0),
    71: EraseResidue(residue_db=-30.0, bass_rise_db=18.0, earlier_seconds=0.1),
}
"""Drawn with several channels, and longer than their latency: a draw of 800 samples hardly hears them."""


@pytest.fixture(scope="module")
def cases() -> list[tuple[Asked, Case]]:
    late = [drawn_case(number, 16_000, made) for number, made in LATE.items()]
    # As it was drawn, number 10098: the design of its filters turns on last bits.
    room = FdnReverb(
        low_decay_ratio=0.25, modulation_percent=64.1355, modulation_hz=0.9, wet_percent=99.3110626097
    )
    drawn = [drawn_case(number, 800) for number in (*range(10, 19), 28)]
    return [*drawn, *late, drawn_case(10_098, 800, room)]


def test_every_processor_is_found() -> None:
    assert {made.kind for made in in_kernels()} == set(processor_kinds()) - NOT_OURS


def kinds_in(processor: Processor) -> set[str]:
    """Kinds that sound in a chain and in the chains within it."""
    if not isinstance(processor, Chain):
        return {processor.kind}
    return set().union(*(kinds_in(stage.processor) for stage in processor if not stage.bypass))


def test_every_effect_is_among_the_cases(cases: list[tuple[Asked, Case]]) -> None:
    drawn = set().union(*(kinds_in(asked.processor) for asked, _ in cases))
    assert drawn == {made.kind for made in in_kernels() if not made().traits.adds_sound}


@pytest.fixture(scope="module")
def python(cases: list[tuple[Asked, Case]]) -> list[Came]:
    """What Python makes of the cases."""
    return [run(asked) for asked, _ in cases]


@pytest.mark.parametrize(
    "flags",
    [
        FUSING_FLAGS,
        pytest.param(STRICT_FLAGS, marks=pytest.mark.long),
        pytest.param(SHIPPED_FLAGS, marks=pytest.mark.long),
    ],
)
def test_every_build_gives_the_bits_of_python(
    folder: Path, cases: list[tuple[Asked, Case]], python: list[Came], flags: tuple[str, ...]
) -> None:
    """Also one that is told to fuse: fused, a design of a reverb was another filter, and 161 dB away."""
    target = build(HostTarget, folder, flags if flags == STRICT_FLAGS else fusing(flags))
    for (asked, case), came, result in zip(cases, python, target.run([case for _, case in cases]), strict=True):
        assert same(came, result)
        assert (result.latency, result.tail) == (came.latency, came.tail)
        if case.control:
            heard = envelopes_of(asked.audio, case.control, asked.cuts, asked.place)
            assert np.array_equal(result.envelopes, heard)


@pytest.mark.parametrize("made", [PreampDrive(drive_db=18.0), TapeMagnetisation(bias_percent=70.0)])
def test_a_curve_that_is_followed_less_often_makes_the_same_of_a_low_tone(folder: Path, made: Processor) -> None:
    """Of 300 Hz nothing folds that is heard; latencies are those of the filters, by their sizes.

    Where work is spared the last filter down has 36 pairs of taps instead of 52: 16 samples less. Once a sample
    there are no filters, and a hysteresis loop takes longer steps.
    """
    audio = 0.5 * np.sin(2.0 * np.pi * 300.0 / 48_000.0 * np.arange(9_600))[None, :]
    target = build(HostTarget, folder, fusing(FUSING_FLAGS))
    results = []
    for most in (None, 6, 4, 2, 1):
        setup = setup_of(made, sample_rate=48_000.0, channels=1, most_oversampling=most)
        results.append(target.run([Case(setup, audio)])[0])
    look_ahead = int(isinstance(made, TapeMagnetisation))
    assert [each.latency - look_ahead for each in results] == [100, 84, 80, 72, 0]
    usual, *fewer = [each.audio[0, each.latency + 4_800 : each.latency + 9_000] for each in results]
    for each in fewer:
        assert not np.array_equal(each, usual)
        assert decibels(each, usual) < (-70.0 if each is not fewer[-1] else -55.0)


def test_a_curve_that_is_followed_once_a_sample_is_the_tangent_itself(folder: Path) -> None:
    """Of each sample alone, and the filter that takes an offset out; by numpy and scipy."""
    audio = 0.4 * np.random.default_rng(6).standard_normal((2, 3_000))
    made = PreampDrive(drive_db=12.0, level_matched=False, asymmetry_percent=0.0, high_pass_hz=10.0)
    setup = setup_of(made, sample_rate=48_000.0, channels=2, most_oversampling=1)
    result = build(HostTarget, folder, fusing(FUSING_FLAGS)).run([Case(setup, audio)])[0]
    gain = 10.0 ** (12.0 / 20.0)
    pole = np.exp(-2.0 * np.pi * 10.0 / 48_000.0)
    wanted = lfilter([0.5 * (1.0 + pole), -0.5 * (1.0 + pole)], [1.0, -pole], np.tanh(gain * audio) / gain)
    assert result.latency == 0
    assert decibels(result.audio, wanted) < -140.0


def test_every_mix_round_a_tape_at_the_wrong_speed_has_a_dry_path_of_its_own(folder: Path) -> None:
    """Mixes within mixes shared one steady tape, which so heard two sounds in turn."""
    tape = Stage(processor=WowFlutter(speed_error_percent=1.3, seed=3), mix_percent=50.0)
    twice = Chain([Stage(processor=Chain([tape, Stage(processor=PreampDrive())]), mix_percent=60.0)])
    thrice = Chain([Stage(processor=twice, mix_percent=70.0)])
    cases = [drawn_case(number, 2_000, made) for number, made in enumerate((twice, thrice))]
    target = build(HostTarget, folder, fusing(FUSING_FLAGS))
    for (asked, _), result in zip(cases, target.run([case for _, case in cases]), strict=True):
        came = run(asked)
        assert same(came, result)
        assert (result.latency, result.tail) == (came.latency, came.tail)


def test_the_compiler_of_the_board_is_given_files_that_are_there(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board is emulated in long tests; its command is looked at here."""
    commands: list[list[str]] = []
    monkeypatch.setattr(machines, "found", lambda program, package: program)
    monkeypatch.setattr(machines, "compile_c", commands.append)
    board = BoardTarget(folder)
    command = commands[0]
    files = [word for word in command if word.endswith((".c", ".ld"))]
    assert [Path(file).name for file in files] == ["emulated.ld", "emulated.c", "tapeemu.c"]
    assert all(Path(file).is_file() for file in files)
    assert command[command.index("-T") + 1] == files[0]
    assert command[command.index("-o") + 1] == str(board.program)


def test_a_machine_whose_program_is_missing_says_what_to_install(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(machines.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(machines.shutil, "which", lambda name: None)
    with pytest.raises(MissingToolError, match="wasmtime is missing; pip install wasmtime"):
        machines.WebTarget(folder)
    with pytest.raises(MissingToolError, match="many machines is missing; pip install ziglang"):
        machines.zig()
    with pytest.raises(MissingToolError, match=r"qemu-system-arm is missing; install it.*apt-get install"):
        BoardTarget(folder)
    with pytest.raises(MissingToolError, match="gcc is missing"):
        HostTarget(folder)


def test_single_precision_is_near(folder: Path, cases: list[tuple[Asked, Case]], python: list[Came]) -> None:
    target = build(HostTarget, folder, (*QUICK_FLAGS, SINGLE))
    for (asked, _), came, result in zip(cases, python, target.run([case for _, case in cases]), strict=True):
        assert single_excess_db(result.audio, asked, came) < 0.0
        assert (result.latency, result.tail) == (came.latency, came.tail)


@pytest.mark.long
@pytest.mark.parametrize("block", [128, 512])
def test_no_block_costs_more_than_three_times_the_mean(folder: Path, block: int) -> None:
    """Instructions are counted, not time: of every processor, and of what moves most, over three segments."""
    audio = 0.25 * np.random.default_rng(1).standard_normal((2, 3 * 4096))
    processors = [kind() for kind in in_kernels()]
    processors += [AmplitudeFlutter(mode="spacing"), TapeNoise(modulation_noise_db=-50.0, hum_db=-60.0)]
    cases = [
        Case(setup_of(each, sample_rate=48_000, channels=2), audio, 48_000, (block,), block=block)
        for each in processors
    ]
    results = build(BoardTarget, folder).run(cases)
    blocks = audio.shape[1] // block
    shares = [came.most_ticks / (came.ticks / blocks) for came in results]
    assert max(shares) <= 3.0, list(zip(processors, shares, strict=True))


@pytest.mark.long
@pytest.mark.parametrize("kind", [WebTarget, BoardTarget])
def test_other_machines_give_the_bits_of_this_one(
    folder: Path, cases: list[tuple[Asked, Case]], kind: type[Target]
) -> None:
    here, there = build(HostTarget, folder, (*STRICT_FLAGS, SINGLE)), build(kind, folder)
    given = [case for _, case in cases]
    ours = here.run(given)
    if kind is BoardTarget:
        fits = fitting(given, ours)
        assert len(fits) >= len(given) // 4
        given, ours = [given[number] for number in fits], [ours[number] for number in fits]
    assert_same_everywhere(ours, there.run(given))


def fitting(given: list[Case], ours: list[Result]) -> list[int]:
    """Numbers of the cases that the board has memory for: it has none for long delays."""
    return [
        number
        for number, each in enumerate(ours)
        if each.fast_bytes <= BOARD_FAST_BYTES
        and each.slow_bytes + 4 * given[number].out_rows * given[number].room <= BOARD_SLOW_BYTES
    ]


def assert_same_everywhere(ours: list[Result], others: list[Result]) -> None:
    for one, other in zip(ours, others, strict=True):
        assert same(one, other)
        assert (one.latency, one.tail) == (other.latency, other.tail)
        assert np.array_equal(one.envelopes, other.envelopes)


ON_THE_BOARD, IN_WEB = 10, 50
"""Chains that are drawn for the emulated board, and for WebAssembly."""


@pytest.mark.long
def test_drawn_chains_and_settings_have_these_bits_on_other_machines(folder: Path) -> None:
    """Fifty chains and three settings of each processor in WebAssembly; on the board ten, and one of each."""
    chains = [drawn_case(3_000 + number, 800)[1] for number in range(IN_WEB)]
    kinds = sorted(set(processor_kinds()) - NOT_OURS)
    alone = [
        drawn_case(number, 400, settings(np.random.default_rng(number), processor_kinds()[kind]))[1]
        for number in range(12_000, 12_003)
        for kind in kinds
    ]
    here = build(HostTarget, folder, (*STRICT_FLAGS, SINGLE))
    given = [*chains, *alone]
    ours = here.run(given)
    assert_same_everywhere(ours, build(WebTarget, folder).run(given))
    fits = fitting(given, ours)
    from_chains = [number for number in fits if number < IN_WEB][:ON_THE_BOARD]
    assert len(from_chains) == ON_THE_BOARD
    of_kinds: dict[str, int] = {}
    for number in fits:
        if number >= IN_WEB:
            of_kinds.setdefault(kinds[(number - IN_WEB) % len(kinds)], number)
    assert set(of_kinds) == set(kinds)
    taken = [*from_chains, *of_kinds.values()]
    came = build(BoardTarget, folder).run([given[number] for number in taken])
    assert_same_everywhere([ours[number] for number in taken], came)


@pytest.mark.long
@pytest.mark.parametrize("flags", [(), (SINGLE,)])
def test_no_access_is_out_of_bounds_and_nothing_is_undefined(
    folder: Path, cases: list[tuple[Asked, Case]], flags: tuple[str, ...]
) -> None:
    target = build(GuardedTarget, folder, *flags)
    assert len(target.run([case for _, case in cases])) == len(cases)


DYING = {
    "response": TapeResponse(),
    "drive": PreampDrive(drive_db=12.0, asymmetry_percent=20.0, high_pass_hz=20.0),
    "magnetisation": TapeMagnetisation(),
    "gains": AmplitudeFlutter(dropouts_per_minute=600.0),
    "spacing": AmplitudeFlutter(mode="spacing", dropouts_per_minute=600.0),
    "wow and flutter": WowFlutter(profile="worn"),
    "wrong speed": WowFlutter(speed_error_percent=1.0),
    "reverb": FdnReverb(decay_seconds=0.1, lines=8),
    "azimuth": HeadAzimuth(),
    "print-through": PrintThrough(hub_radius_mm=6.0, full_radius_mm=60.0),
    "erase residue": EraseResidue(residue_db=-30.0, earlier_seconds=0.1),
}


@pytest.mark.parametrize(
    ("flags", "sound"),
    [
        ((SINGLE,), "impulse"),
        pytest.param((), "impulse", marks=pytest.mark.long),
        pytest.param((), "noise", marks=pytest.mark.long),
        pytest.param((SINGLE,), "noise", marks=pytest.mark.long),
    ],
)
def test_sound_dies_to_exact_zeros_in_both_precisions(folder: Path, flags: tuple[str, ...], sound: str) -> None:
    """From an impulse or from noise to twelve seconds of silence, at hour ten."""
    audio = np.zeros((1, 12 * 48_000))
    if sound == "impulse":
        audio[0, 0] = 1.0
    else:
        audio[0, :4800] = 0.3 * np.random.default_rng(1).standard_normal(4800)
    target = build(HostTarget, folder, (*QUICK_FLAGS, *flags))
    for name, processor in DYING.items():
        setup = setup_of(processor, sample_rate=48_000.0, channels=1)
        case = Case(setup, audio, cuts=(1024,), place=HOUR_TEN, block=1024, room=13 * 48_000)
        out = target.run([case])[0].audio
        assert np.any(out != 0.0), name
        assert np.all(np.isfinite(out)), name
        assert np.all(out[:, -4800:] == 0.0), name


# --- the long proof ---------------------------------------------------------------------------------------

TOGETHER = 50
"""Cases that are proven by one test."""


def prove(folder: Path, pairs: list[tuple[Asked, Case]]) -> None:
    given = [case for _, case in pairs]
    came = [run(asked) for asked, _ in pairs]
    strict = build(HostTarget, folder)
    gcc = build(HostTarget, folder, fusing())
    single = build(HostTarget, folder, (*STRICT_FLAGS, SINGLE))
    singles = single.run(given)
    for expected, result in zip(came, strict.run(given), strict=True):
        assert same(expected, result)
        assert (result.latency, result.tail) == (expected.latency, expected.tail)
    for expected, result in zip(came, gcc.run(given), strict=True):
        assert same(expected, result)
    for (asked, _), expected, result in zip(pairs, came, singles, strict=True):
        assert single_excess_db(result.audio, asked, expected) < 0.0
    if shutil.which("clang"):
        clang_flags = (*SHIPPED_FLAGS_CLANG, *([FUSED] if fuses() else []))
        for expected, result in zip(
            came, build(HostTarget, folder, clang_flags, ("clang",)).run(given), strict=True
        ):
            assert same(expected, result)
    for one, other in zip(singles, build(WebTarget, folder).run(given), strict=True):
        assert same(one, other)
    # The board has no memory for large rooms at high rates.
    fits = [
        number
        for number, each in enumerate(singles)
        if each.fast_bytes <= BOARD_FAST_BYTES and each.slow_bytes <= BOARD_SLOW_BYTES
    ]
    assert len(fits) >= len(given) // 4
    came_from_board = build(BoardTarget, folder).run([given[number] for number in fits])
    for number, other in zip(fits, came_from_board, strict=True):
        assert same(singles[number], other)


@pytest.mark.long
@pytest.mark.parametrize("batch", range(1000 // TOGETHER))
def test_random_chains_are_equal_on_all_machines(folder: Path, batch: int) -> None:
    prove(folder, [drawn_case(1000 + batch * TOGETHER + k, 1500) for k in range(TOGETHER)])


@pytest.mark.long
@pytest.mark.parametrize("batch", range(1000 // TOGETHER))
@pytest.mark.parametrize("kind", sorted(set(processor_kinds()) - NOT_OURS))
def test_random_settings_are_equal_on_all_machines(folder: Path, kind: str, batch: int) -> None:
    made = processor_kinds()[kind]
    if made not in in_kernels():
        pytest.skip("is not in kernels yet")
    pairs = []
    for k in range(TOGETHER):
        number = 10_000 + batch * TOGETHER + k
        pairs.append(drawn_case(number, 800, settings(np.random.default_rng(number), made)))
    prove(folder, pairs)


@pytest.mark.long
def test_starts_stops_and_splices_are_equal_on_all_machines(folder: Path) -> None:
    """Drawn from their ranges, events seldom lie where a case does; here they do."""
    pairs = []
    for number in range(8):
        asked, _ = drawn_case(number, 6000, StartStop())
        begins = asked.place / asked.sample_rate
        length = 6000 / asked.sample_rate
        events = [
            {"action": "start", "at_seconds": begins + 0.01 * length},
            {"action": "stop", "at_seconds": begins + 0.5 * length},
        ][number % 4 // 2 :]
        made: Processor = StartStop(
            events=events, start_law=("cued", "catching_up")[number % 2], start_seconds=0.02, stop_seconds=0.02
        )
        if number >= 6:
            shift = 0.1 * length * (-1) ** number
            made = Splices(
                splices=[
                    {"at_seconds": begins + 0.2 * length, "shift_seconds": shift},
                    {"at_seconds": begins + 0.6 * length, "blank": True},
                ],
                tape_speed_cm_s=100.0,
                track_spacing_mm=0.5,
            )
        pairs.append(drawn_case(number, 6000, made))
    prove(folder, pairs)


@pytest.mark.long
def test_shipped_presets_are_equal_on_all_machines(folder: Path) -> None:
    pairs = []
    for number, path in enumerate(sorted((ROOT / "presets").glob("*.toml"))):
        made = load_preset(path).chain
        if all(stage.processor.__class__ in (*in_kernels(), Chain) for stage in made.stages):
            # What follows a source has heard it before in Python; C leaves that to its caller (docs/targets.md).
            last = made.stages[-1]
            alone = [stage for stage in made.stages if stage is last or not stage.processor.traits.adds_sound]
            pairs.append(drawn_case(number, 4000, Chain(alone)))
    assert pairs
    prove(folder, pairs)


# --- what single precision may lose ------------------------------------------------------------------------


@pytest.mark.long
def test_a_curve_that_limits_keeps_what_was_rounded_before_it(folder: Path) -> None:
    """A tape 90 dB into its curve: the strict build does the same to an input of 24 bits of its peak.

    So it is the sound that is steep where it passes zero, not the arithmetic of single precision that is wrong.
    """
    kind = TapeResponse(mol_db=-20.0, reference_level_dbfs=-60.0, self_erasure_db=0.0, boost_limit_db=0.0)
    audio = 3.0 * np.random.default_rng(20261128).standard_normal((1, 6000))
    step = np.max(np.abs(audio)) * 2.0**-24
    setup = setup_of(kind, sample_rate=22_050.0, channels=1)
    cases = [Case(setup, each, 22_050.0, (512,), block=512) for each in (audio, np.round(audio / step) * step)]
    wide, cut = build(HostTarget, folder).run(cases)
    (single,) = build(HostTarget, folder, (*STRICT_FLAGS, SINGLE)).run(cases[:1])
    error = np.abs(cut.audio - wide.audio) / np.max(np.abs(wide.audio))
    assert np.max(error) > 30.0 * 2.0**-24
    assert np.max(error) > 20.0 * np.sqrt(np.mean(error**2))  # in few samples
    assert decibels(single.audio, wide.audio) > -110.0
    asked = Asked(kind, audio, 22_050.0, (512,), 0, 0, -60.0)
    came = Came(wide.audio, wide.latency, wide.tail)
    assert single_excess_db(single.audio, asked, came) < 0.0
    # An error in all samples is none of these.
    assert single_excess_db(single.audio + 1e-5 * np.max(np.abs(wide.audio)), asked, came) > 0.0
