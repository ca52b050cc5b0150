"""One chain gives way to another while it plays (live.h).

Truth: what the chain alone gives, delayed; a sine's spectrum; that a sound never is louder than the louder of two.
Goals of the fade: -100 dBFS above the signal band.
"""

import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from live_library import ENDLESS, Live, LiveLibrary, NativeChain

from tapeemu import AmplitudeFlutter, Chain, FdnReverb, PreampDrive, Stage, TapeNoise, WowFlutter
from tapeemu.native.generate import C_FOLDER
from tapeemu.processor import Processor
from tapeemu.processors import processor_kinds
from tapeemu.processors.amplitude_flutter import LevelPart
from tapeemu.targets.machines import MissingToolError, compile_c, zig

pytestmark = pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler (gcc) is installed")

RATE = 48_000
LATE = 300
FADE = 1441
"""30 ms."""
UNHEARD = 2 * FADE + LATE
"""How long a new chain runs before its output is heard."""
CHANGE = 9_000

# Its level stands 6 dB up or down for seconds.
LOUD, SOFT = (
    AmplitudeFlutter(random_db=0.0, periodic_parts=[LevelPart(rate_hz=0.02, peak_db=6.0, phase_degrees=degrees)])
    for degrees in (0.0, 180.0)
)
STILL = WowFlutter(weighted_flutter_percent=0.0)
NOTHING = Chain([])
DRIVE = PreampDrive(drive_db=18.0)
HALL = FdnReverb(decay_seconds=0.3, lines=8, wet_percent=50.0)
HISS = TapeNoise(hiss_db=-30.0)


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> LiveLibrary:
    return LiveLibrary(tmp_path_factory.mktemp("live"))


def sine(samples: int, hertz: float = 100.0) -> Any:
    return np.sin(2.0 * np.pi * hertz * np.arange(samples) / RATE)[np.newaxis]


def noise(samples: int, channels: int = 1) -> Any:
    return 0.3 * np.random.default_rng(5).standard_normal((channels, samples))


def late(audio: Any, samples: int) -> Any:
    return np.pad(audio, ((0, 0), (samples, 0)))[:, : audio.shape[1]]


def decibels(value: Any) -> float:
    largest = float(np.max(np.abs(value)))
    return -400.0 if largest == 0.0 else 20.0 * np.log10(largest)


def above(audio: Any, hertz: float = 5_000.0) -> float:
    """Peak above a frequency in dBFS; the filter's own stop band is 140 dB down."""
    from scipy.signal import fftconvolve, firwin

    high = firwin(1023, hertz, fs=RATE, pass_zero=False, window=("kaiser", 14.0))
    return decibels(fftconvolve(audio[0], high, mode="valid"))


def change(
    library: LiveLibrary, before: Processor, after: Processor, audio: Any, cuts: tuple[int, ...] = (500,)
) -> tuple[Any, Live, list[NativeChain]]:
    """What is heard when one chain gives way to another at the sample CHANGE."""
    channels = audio.shape[0]
    live = library.live(latency=LATE, channels=channels)
    chains = [
        library.chain(made, channels=channels, place=place) for made, place in ((before, 0), (after, CHANGE))
    ]
    assert live.take(chains[0])
    first = live.process(audio[:, :CHANGE], cuts)
    assert live.take(chains[1])
    return np.concatenate([first, live.process(audio[:, CHANGE:], cuts)], axis=1), live, chains


@pytest.mark.parametrize("kind", [NOTHING, DRIVE, Chain([STILL, HALL])])
def test_the_latency_is_the_declared_one_whatever_plays(library: LiveLibrary, kind: Processor) -> None:
    audio = noise(3000, 2)
    live, chain = library.live(latency=LATE, channels=2), library.chain(kind, channels=2)
    alone = library.chain(kind, channels=2).process(audio)
    assert live.take(chain)
    assert np.array_equal(live.process(audio), late(alone, LATE - chain.latency))


def test_without_a_chain_the_input_passes_as_late(library: LiveLibrary) -> None:
    audio = noise(2000)
    assert np.array_equal(library.live(latency=LATE).process(audio), late(audio, LATE))


@pytest.mark.parametrize(("before", "after"), [(LOUD, SOFT), (SOFT, LOUD), (Chain([STILL, LOUD]), SOFT)])
def test_a_change_makes_no_click(library: LiveLibrary, before: Processor, after: Processor) -> None:
    """12 dB on a sine of 100 Hz, at full scale on the louder side; a step there would be at -10 dBFS."""
    heard, _, _ = change(library, before, after, 0.5 * sine(20_000))
    assert above(heard[:, LATE + 2_000 :]) < -120.0
    gain = decibels(heard[:, 5_000:8_000]) - decibels(heard[:, -3_000:])
    assert abs(gain) == pytest.approx(12.0, abs=0.1)


def test_between_chains_of_different_latency_nothing_dips(library: LiveLibrary) -> None:
    audio = sine(20_000)
    for before, after in ((STILL, NOTHING), (NOTHING, STILL)):
        heard, _, _ = change(library, before, after, audio)
        assert decibels((heard - late(audio, LATE))[:, LATE + 1_000 :]) < -120.0


@pytest.mark.parametrize(
    ("kind", "bound_db"),
    [(AmplitudeFlutter(), -280.0), (WowFlutter(), -280.0), (HISS, -280.0), (HALL, -280.0), (DRIVE, -45.0)],
)
def test_a_change_to_the_same_chain_at_the_same_place_is_not_heard(
    library: LiveLibrary, kind: Processor, bound_db: float
) -> None:
    """The offset filter of the drive (2 Hz) remembers for longer than a new chain is run in."""
    audio = noise(20_000)
    heard, _, chains = change(library, kind, kind, audio)
    alone = library.chain(kind).process(audio)
    wrong = decibels(heard - late(alone, LATE - chains[0].latency))
    assert wrong < bound_db + decibels(alone)


HALL_AND_DRIVE = Chain([HALL, DRIVE])
LONG_HALL = FdnReverb(decay_seconds=1.5, lines=8, wet_percent=50.0)
FAINT_HALL = FdnReverb(decay_seconds=0.3, lines=8, wet_percent=1.0)
GENTLE = PreampDrive(drive_db=0.0)
OTHER_HALL = FdnReverb(decay_seconds=0.5, lines=8, wet_percent=50.0)


def loudness(audio: Any) -> Any:
    """Decibels, every 10 ms."""
    return 10.0 * np.log10(np.mean(audio[0, : audio.shape[1] // 480 * 480].reshape(-1, 480) ** 2, axis=1))


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (HALL_AND_DRIVE, HALL_AND_DRIVE),
        (HALL_AND_DRIVE, Chain([OTHER_HALL, PreampDrive(drive_db=24.0)])),
        (Chain([DRIVE, HALL]), Chain([DRIVE, HALL])),
        (Chain([DRIVE, HALL]), HALL_AND_DRIVE),
        (HALL_AND_DRIVE, Chain([DRIVE, HALL])),
        (Chain([STILL, HALL, DRIVE]), HALL_AND_DRIVE),
        (HALL_AND_DRIVE, Chain([STILL, HALL, DRIVE])),
        (Chain([Stage(processor=HALL_AND_DRIVE, mix_percent=50.0)]), HALL_AND_DRIVE),
        (Chain([HISS, HALL, DRIVE, HISS]), Chain([HISS, OTHER_HALL, DRIVE])),
        (Chain([GENTLE, GENTLE, FAINT_HALL]), GENTLE),
        (HALL, Chain([Stage(processor=Chain([HALL, HISS]), mix_percent=90.0)])),
    ],
)
def test_a_change_of_halls_and_drives_neither_swells_nor_dips(
    library: LiveLibrary, before: Processor, after: Processor
) -> None:
    """A drive makes more than half of half the sound: parts of it must never meet behind one."""
    audio = noise(36_000)
    heard, _, chains = change(library, before, after, audio)
    alone = [
        loudness(late(library.chain(made).process(audio), LATE - chain.latency))[4:]
        for made, chain in zip((before, after), chains, strict=True)
    ]
    assert np.max(loudness(heard)[4:] - np.maximum(*alone)) < 0.2
    assert np.min(loudness(heard)[4:] - np.minimum(*alone)) > -0.3


@pytest.mark.parametrize(
    ("before", "after", "bound_db"),
    [
        (Chain([HALL, STILL]), Chain([STILL, HALL]), -100.0),
        (HALL, Chain([STILL, HALL, STILL]), -100.0),
        (Chain([STILL, FAINT_HALL]), Chain([FAINT_HALL, STILL]), -25.0),
        (Chain([STILL, FAINT_HALL, STILL]), FAINT_HALL, -25.0),
    ],
)
def test_a_reverb_that_is_later_or_earlier_in_the_chain_does_not_shift_the_sound(
    library: LiveLibrary, before: Processor, after: Processor, bound_db: float
) -> None:
    """All is as late as before but for a tail whose chain was later: that of a faint hall, 40 dB down."""
    audio = 0.5 * (sine(30_000, 100.0) + sine(30_000, 331.0))
    heard, _, chains = change(library, before, after, audio)
    expected = late(library.chain(before).process(audio), LATE - chains[0].latency)
    assert decibels((heard - expected)[:, 2_000:]) < bound_db


@pytest.mark.parametrize("after", [Chain([DRIVE, HALL]), DRIVE])
def test_a_tail_that_cannot_be_kept_fades_slowly_and_its_noise_with_it(
    library: LiveLibrary, after: Processor
) -> None:
    """It fades from 60 ms and the latency on, for 250 ms."""
    before, audio = Chain([HALL, HISS, DRIVE]) if after is not DRIVE else Chain([HALL, HISS]), noise(40_000)
    audio[:, CHANGE:] = 0.0
    heard, _, chains = change(library, before, after, audio)
    alone = late(library.chain(before).process(audio), LATE - chains[0].latency)
    middle = slice(CHANGE + UNHEARD + FADE, CHANGE + UNHEARD + 3 * FADE)
    assert np.std(heard[0, middle]) > 0.7 * np.std(alone[0, middle])
    assert decibels(heard[:, CHANGE + UNHEARD + 12_001 + 500 :]) < -60.0


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (Chain([LONG_HALL, DRIVE]), Chain([DRIVE, LONG_HALL])),
        (Chain([DRIVE, LONG_HALL]), Chain([LONG_HALL, DRIVE])),
        (Chain([Stage(processor=Chain([LONG_HALL, DRIVE]), mix_percent=50.0)]), Chain([DRIVE, LONG_HALL])),
    ],
)
def test_a_tail_that_is_alone_rings_on_where_reverb_and_drive_change_places(
    library: LiveLibrary, before: Processor, after: Processor
) -> None:
    """As of the old chain alone, in whatever blocks, but for the rest of a drive's offset (2 Hz)."""
    audio = noise(60_000)
    audio[:, CHANGE:] = 0.0
    heard, _, chains = change(library, before, after, audio)
    alone = late(library.chain(before).process(audio), LATE - chains[0].latency)
    assert decibels(alone[:, CHANGE + 24_000 :]) > -45.0
    assert decibels((heard - alone)[:, :CHANGE]) < -280.0
    assert decibels((heard - alone)[:, CHANGE:]) < -60.0
    for cuts in ((0, 7, 64, 0, 1000), (16_384,)):
        assert np.array_equal(change(library, before, after, audio, cuts)[0], heard)


def test_sound_that_comes_back_while_a_tail_is_alone_is_not_louder_than_its_chain(library: LiveLibrary) -> None:
    before, after = Chain([HALL, DRIVE]), Chain([DRIVE, HALL])
    audio = noise(60_000)
    audio[:, CHANGE : CHANGE + UNHEARD + 30] = 0.0
    heard, _, chains = change(library, before, after, audio)
    alone = [
        loudness(late(library.chain(made).process(audio), LATE - chain.latency))
        for made, chain in zip((before, after), chains, strict=True)
    ]
    since = (CHANGE + UNHEARD) // 480
    assert np.max(loudness(heard)[since:] - np.maximum(*alone)[since:]) < 0.5


@pytest.mark.parametrize(
    ("before", "after", "kept"),
    [
        (HALL, OTHER_HALL, True),
        (HALL, DRIVE, True),
        (DRIVE, HALL, True),  # nothing rings
        (Chain([HALL, DRIVE]), Chain([DRIVE, HALL]), False),
        (Chain([DRIVE, HALL]), Chain([HALL, DRIVE]), False),
        (Chain([HALL, HISS]), DRIVE, False),
    ],
)
def test_a_change_that_would_cut_a_tail_is_told_before(
    library: LiveLibrary, before: Processor, after: Processor, kept: bool
) -> None:
    """What rings on in the tests around this one, and what fades there."""
    live, other = library.live(latency=LATE), library.chain(after)
    assert live.keeps_tail(other), "nothing plays"
    assert live.take(library.chain(before))
    assert live.keeps_tail(other) == kept


def test_a_chain_in_the_place_of_another_is_not_heard_by_those_that_heard_that(library: LiveLibrary) -> None:
    audio = noise(60_000)
    live = library.live(latency=LATE)
    chains = [library.chain(made, place=place) for made, place in ((HALL, 0), (HALL, 6_000), (DRIVE, 50_000))]
    assert live.take(chains[0])
    parts = [live.process(audio[:, :6_000])]
    assert live.take(chains[1])
    parts.append(live.process(audio[:, 6_000:50_000]))
    assert live.gone() == chains[0].handle
    assert live.take(chains[2])
    parts.append(live.process(audio[:, 50_000:]))
    alone = late(library.chain(HALL).process(audio), LATE)
    unchanged = slice(2_000, 50_000 + LATE + 2 * FADE)
    assert decibels((np.concatenate(parts, axis=1) - alone)[:, unchanged]) < -90.0


@pytest.mark.parametrize(
    ("before", "after", "source", "way"),
    [
        (Chain([LONG_HALL, HISS]), Chain([OTHER_HALL, HISS]), HISS, NOTHING),
        (Chain([LONG_HALL, HISS]), HISS, HISS, NOTHING),
        (Chain([LONG_HALL, HISS]), NOTHING, NOTHING, NOTHING),
        (Chain([STILL, LONG_HALL]), NOTHING, NOTHING, STILL),
        (Chain([STILL, LONG_HALL]), Chain([OTHER_HALL, STILL]), NOTHING, STILL),
        (Chain([LONG_HALL, STILL]), Chain([STILL, OTHER_HALL]), NOTHING, STILL),
        (LONG_HALL, DRIVE, NOTHING, NOTHING),
    ],
)
def test_a_tail_is_kept_whatever_comes(
    library: LiveLibrary, before: Processor, after: Processor, source: Processor, way: Processor
) -> None:
    """Also of chains with noise, and of chains that are less late; noise goes on as it would have."""
    audio = noise(40_000)
    audio[:, CHANGE:] = 0.0
    heard, _, _ = change(library, before, after, audio)
    silence = np.zeros((1, 40_000))
    noise_alone = late(library.chain(source).process(silence), LATE)
    tail = late(library.chain(Chain([way, LONG_HALL])).process(audio), LATE - library.chain(way).latency)
    since = CHANGE + UNHEARD + 2 * FADE + 3 * LATE
    rest, expected = (heard - noise_alone)[0, since:], tail[0, since:]
    assert decibels(expected) > -30.0
    # Of a chain that is later than the one that comes, the tail stays as much later.
    shifts = (0, library.chain(way).latency)
    assert min(decibels(rest[shift:] - expected[: expected.size - shift]) for shift in shifts) < -90.0


def in_kernels() -> list[type[Processor]]:
    """The processors that the library holds."""
    others = {"chain", "plugin_effect", "plugin_object"}
    return [made for kind, made in processor_kinds().items() if kind not in others]


@pytest.mark.parametrize("kind", in_kernels())
def test_the_library_knows_what_drives_rings_and_sounds(library: LiveLibrary, kind: type[Processor]) -> None:
    """As the traits of the processors say."""
    chain, traits = library.chain(kind()), kind().traits
    parts = chain.parts()
    assert sum(part.latency for part in parts) == chain.latency
    assert any(part.drives for part in parts) == traits.drives
    assert any(part.adds_sound for part in parts) == traits.adds_sound
    assert library.c.tapeemu_rings(chain.handle) == traits.reverberates


@pytest.mark.parametrize(
    ("stages", "shape"),
    [
        ([], "..."),
        ([DRIVE], "..d"),
        ([HALL], ".r."),
        ([DRIVE, HALL, DRIVE], "drd"),
        ([DRIVE, HALL, STILL, HALL, HISS], "drs"),
        ([HALL, DRIVE, HALL], "dr."),
        ([HALL, HISS, HALL, STILL], "sr-"),
        ([Stage(processor=HALL, mix_percent=50.0), DRIVE], ".rd"),
        ([Stage(processor=HALL_AND_DRIVE, mix_percent=50.0), STILL], "..d"),
        ([STILL, HALL_AND_DRIVE], "-rd"),
    ],
)
def test_a_chain_is_cut_around_what_rings(library: LiveLibrary, stages: list[Any], shape: str) -> None:
    def sign(part: Any, ringing: bool) -> str:
        if part.empty:
            return "."
        return "d" if part.drives else "s" if part.adds_sound else "r" if ringing else "-"

    chain, audio = library.chain(Chain(stages)), noise(3_000)
    assert "".join(sign(part, number == 1) for number, part in enumerate(chain.parts())) == shape
    alone = library.chain(Chain(stages)).process(audio)
    assert np.array_equal(chain.process_by_parts(audio, (100, 7)), alone)


def test_a_tail_is_kept(library: LiveLibrary) -> None:
    """The sound of before the change rings on to its end."""
    audio = noise(40_000)
    audio[:, CHANGE:] = 0.0
    heard, _, _ = change(library, HALL, NOTHING, audio)
    alone = late(library.chain(HALL).process(audio), LATE)
    after = CHANGE + LATE + FADE
    assert np.array_equal(heard[:, after : after + 8_000], alone[:, after : after + 8_000])
    assert decibels(heard - alone) < -90.0


def test_a_chain_that_rings_fades_where_its_place_is_needed(library: LiveLibrary) -> None:
    audio = noise(20_000)
    audio[:, 6_000:] = 0.0
    live = library.live(latency=LATE)
    chains = [library.chain(HALL) for _ in range(3)]
    assert live.take(chains[0])
    live.process(audio[:, :6_000])
    assert live.take(chains[1])
    live.process(audio[:, 6_000:9_000])
    assert live.gone() is None
    assert live.take(chains[2])
    heard = live.process(audio[:, :FADE])
    assert live.gone() == chains[0].handle
    assert live.gone() is None
    assert np.max(np.abs(heard)) > 1e-3


def test_noise_is_not_doubled(library: LiveLibrary) -> None:
    """Two different hisses: their power never exceeds that of one by more than chance."""
    other = TapeNoise(hiss_db=-30.0, seed=9)
    heard, _, _ = change(library, HISS, other, np.zeros((1, 60_000)))
    power = np.mean(heard[0, LATE:59_700].reshape(-1, 594) ** 2, axis=1)
    assert np.max(power) < 1.6 * np.median(power)
    alone = late(library.chain(other, place=CHANGE).process(np.zeros((1, 60_000 - CHANGE))), LATE)
    since = UNHEARD + FADE
    assert np.array_equal(heard[:, CHANGE + since :], alone[:, since:])


def test_bypass_makes_no_click_and_keeps_the_latency(library: LiveLibrary) -> None:
    audio = 0.5 * sine(20_000)
    live = library.live(latency=LATE)
    assert live.take(library.chain(LOUD))
    parts = [live.process(audio[:, :6_000])]
    live.bypass(True)
    parts.append(live.process(audio[:, 6_000:12_000]))
    live.bypass(False)
    parts.append(live.process(audio[:, 12_000:12_700]))
    live.bypass(True)  # turns back in the middle of a fade
    parts.append(live.process(audio[:, 12_700:]))
    heard = np.concatenate(parts, axis=1)
    assert above(heard[:, 2_000:]) < -120.0
    dry = late(audio, LATE)
    for start, stop in ((6_000 + FADE, 12_000), (12_000 + 2 * FADE, 20_000)):
        assert np.array_equal(heard[:, start:stop], dry[:, start:stop])


@pytest.mark.parametrize(("before", "after"), [(HALL, DRIVE), (Chain([HISS, DRIVE]), HALL)])
def test_no_cut_changes_a_sample(library: LiveLibrary, before: Processor, after: Processor) -> None:
    audio = noise(16_000, 2)
    expected, _, _ = change(library, before, after, audio)
    for cuts in ((1,), (0, 7, 64, 0, 1000), (16_384,)):
        heard, _, _ = change(library, before, after, audio, cuts)
        assert np.array_equal(heard, expected)


def test_the_output_may_be_written_over_the_input(library: LiveLibrary) -> None:
    audio = noise(2_000, 2)
    over, beside = library.live(channels=2, latency=LATE), library.live(channels=2, latency=LATE)
    for live in (over, beside):
        assert live.take(library.chain(Chain([DRIVE, HALL]), channels=2))
    assert np.array_equal(over.process(audio, in_place=True), beside.process(audio))


def test_every_chain_comes_back_once(library: LiveLibrary) -> None:
    """Through many changes, at any moment, of chains that ring and chains that do not."""
    rng = np.random.default_rng(2)
    live, away, taken, back = library.live(latency=LATE), [], [], []
    kinds = [HALL, LOUD, NOTHING]
    for number in range(40):
        chain = library.chain(kinds[number % 3])
        away.append(chain)  # keeps its memory
        if live.take(chain):
            taken.append(chain.handle)
        for _ in range(int(rng.integers(3))):
            live.process(noise(int(rng.integers(4_000))))
            while (gone := live.gone()) is not None:
                back.append(gone)
    assert len(taken) > 10
    assert len(set(back)) == len(back)
    live.process(np.zeros((1, 60_000)))
    while (gone := live.gone()) is not None:
        back.append(gone)
    assert sorted([*back, library.c.tapeemu_live_chain(live.handle)]) == sorted(taken)


def test_what_cannot_be_taken_is_refused(library: LiveLibrary) -> None:
    live = library.live(latency=20)
    for wrong in (
        library.chain(DRIVE),  # too late
        library.chain(NOTHING, channels=2),
        library.chain(NOTHING, sample_rate=44_100.0),
        library.chain(WowFlutter(weighted_flutter_percent=0.0, speed_error_percent=1.0)),
    ):
        assert not live.take(wrong)
    first, second, third = (library.chain(SOFT) for _ in range(3))
    assert live.take(first)
    assert not live.take(first)
    live.process(noise(10))
    assert live.take(second)
    assert not live.take(third)
    assert live.changing()
    live.process(noise(10_000))
    assert not live.changing()
    assert live.take(third)
    for wrong_size in ((0.0, 1, 64, 0), (48_000.0, 0, 64, 0), (48_000.0, 1, 0, 0), (48_000.0, 1, 64, -1)):
        assert library.c.tapeemu_live_size(*wrong_size) == 0


def test_the_tail_told_is_the_longest_that_still_sounds(library: LiveLibrary) -> None:
    hall = library.chain(HALL)
    alone = library.c.tapeemu_tail(hall.handle, -60.0)
    live = library.live(latency=LATE)
    assert live.tail() == 0
    assert live.take(hall)
    assert live.tail() == alone
    live.process(noise(1_000))
    assert live.take(library.chain(NOTHING))
    assert live.tail() == alone
    live.reset()
    assert live.tail() == 0
    assert live.take(library.chain(HISS))
    assert live.tail() == ENDLESS


def test_a_reset_is_a_new_beginning(library: LiveLibrary) -> None:
    audio = noise(4_000)
    live = library.live(latency=LATE)
    first, second = library.chain(HALL), library.chain(WowFlutter())
    assert live.take(first)
    live.process(audio)
    assert live.take(second)
    live.process(audio[:, :1000])
    live.reset(777)
    assert live.gone() == first.handle
    fresh = library.live(latency=LATE)
    assert fresh.take(library.chain(WowFlutter(), place=777))
    assert np.array_equal(live.process(audio), fresh.process(audio))


@pytest.mark.long  # a build of its own
def test_in_single_precision_a_change_makes_no_click(tmp_path: Path) -> None:
    single = LiveLibrary(tmp_path, "-DTAPEEMU_SINGLE")
    heard, _, _ = change(single, LOUD, SOFT, 0.5 * sine(20_000))
    assert above(heard[:, LATE + 2_000 :]) < -120.0


@pytest.mark.parametrize("flags", [(), ("-DTAPEEMU_SINGLE",)])
def test_nothing_is_called_that_is_not_there(tmp_path: Path, flags: tuple[str, ...]) -> None:
    """No heap, no lock, no library: what is undefined in the object is the chain, and copies by the compiler."""
    made = tmp_path / "live.o"
    compile_c(["gcc", "-std=c99", "-O2", *flags, "-c", str(C_FOLDER / "live.c"), "-o", str(made)])
    listed = subprocess.run(["nm", "-u", str(made)], capture_output=True, text=True, check=True).stdout.split()
    needed = {name for name in listed if name != "U" and not name.startswith("tapeemu_")}
    assert needed <= {"memset", "memcpy", "memmove", "_GLOBAL_OFFSET_TABLE_", "__stack_chk_fail"}


def test_it_compiles_for_the_web(tmp_path: Path) -> None:
    try:
        command = zig()
    except MissingToolError as error:
        pytest.skip(str(error))
    compile_c(
        [
            *(*command, "-target", "wasm32-freestanding", "-std=c99", "-O1", "-Wall", "-Wextra"),
            *("-Wconversion", "-Wdouble-promotion", "-Werror", "-DTAPEEMU_SINGLE", "-c"),
            *(str(C_FOLDER / "live.c"), "-o", str(tmp_path / "live.o")),
        ]
    )


def test_stages_may_be_mixed(library: LiveLibrary) -> None:
    mixed = Chain([Stage(processor=DRIVE, mix_percent=40.0), HALL])
    audio = noise(20_000)
    heard, _, _ = change(library, mixed, NOTHING, audio)
    assert np.all(np.isfinite(heard))
    assert np.allclose(heard[:, -1000:], late(audio, LATE)[:, -1000:], atol=0.05)
