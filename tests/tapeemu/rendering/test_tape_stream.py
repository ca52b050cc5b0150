"""Stems side by side on one tape: what leaks follows the laws of crosstalk, and nothing else changes a bit."""

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest
from dummy_processors import Hiss

from tapeemu import (
    AmplitudeFlutter,
    Chain,
    Crosstalk,
    Curve,
    CurvePoint,
    FdnReverb,
    HeadAzimuth,
    PreampDrive,
    Stage,
    WowFlutter,
)
from tapeemu.processors.plugin_effect import PluginObject
from tapeemu.pump import aligned_blocks, cut
from tapeemu.rendering.tape_stream import TapeStream, crossings
from tapeemu.validation import FloatArray

RATE = 48_000
TAIL = 2_000

MOVING_MIX = Curve(
    setting="mix_percent", points=(CurvePoint(seconds=0.0, value=0.0), CurvePoint(seconds=0.2, value=100.0))
)
CHAINS = {
    "moving and driven": Chain([WowFlutter(seed=3), Crosstalk(), PreampDrive(drive_db=6.0)]),
    # Channels that lean apart are read later, so two are later than one; and at another speed.
    "leaning, off speed": Chain(
        [WowFlutter(azimuth_skew_us=300.0, speed_error_percent=-1.7, track_skew_us=200.0), Crosstalk()]
    ),
    # One channel needs no look ahead for azimuth or crosstalk, two do.
    "mixed": Chain(
        [HeadAzimuth(), Stage(processor=Crosstalk(), mix_percent=60.0), AmplitudeFlutter(random_db=0.5)]
    ),
    "mix that moves": Chain([Stage(processor=HeadAzimuth(), automation=(MOVING_MIX,)), Crosstalk()]),
    "off speed, in a chain": Chain(
        [
            Stage(processor=Chain([WowFlutter(speed_error_percent=1.0, seed=2)]), mix_percent=50.0),
            Chain([PreampDrive(drive_db=6.0), Crosstalk(), FdnReverb()]),
        ]
    ),
    "mixed chain of both kinds": Chain(
        [Stage(processor=Chain([HeadAzimuth(), Crosstalk()]), mix_percent=50.0), FdnReverb()]
    ),
}


def noise(channels: int, seed: int, samples: int = 12_000) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.4, 0.4, (channels, samples))


def side_by_side(
    chain: Chain, stems: Sequence[FloatArray], *, block: int = 5_000, tail: int = TAIL, **where: Any
) -> list[FloatArray]:
    stream = TapeStream(chain, sample_rate=RATE, stems=[len(stem) for stem in stems], **where)
    blocks = cut(np.concatenate(stems), block)
    whole = np.concatenate(list(aligned_blocks(stream, blocks, tail_samples=tail, silence_samples=block)), axis=1)
    return np.split(whole, np.cumsum([len(stem) for stem in stems])[:-1])


@pytest.mark.parametrize("chain", CHAINS.values(), ids=CHAINS)
@pytest.mark.parametrize("channels", [1, 2])
def test_beside_silence_a_stem_is_what_it_is_alone(chain: Chain, channels: int) -> None:
    """Bit for bit, with one stem of one channel beside it and one of two.

    With one stage of crosstalk: a second would give back to the stem what the first lent to its neighbours.
    """
    stem = noise(channels, 1)
    silence = [np.zeros((count, stem.shape[1])) for count in (1, 2)]
    before, got, behind = side_by_side(chain, [silence[0], stem, silence[1]], start_sample=7_000)
    alone = chain(stem, RATE, tail_seconds=TAIL / RATE, start_sample=7_000, track=1)
    np.testing.assert_array_equal(got, alone)
    assert before.any()
    assert behind[0].any()


LEANING = HeadAzimuth(azimuth_urad=3_000.0, tape_speed_cm_s=4.75)
# Two channels are run in longer than one, and so give a sample more or less in a block.
RUN_IN_APART = Chain([Chain([Hiss(), WowFlutter(speed_error_percent=-1.7), LEANING]), Crosstalk()])


@pytest.mark.parametrize("chain", [*CHAINS.values(), RUN_IN_APART], ids=[*CHAINS, "run in apart"])
def test_blocks_of_any_length_give_the_same_samples(chain: Chain) -> None:
    stems = [noise(1, 1), noise(2, 2), noise(1, 3)]
    expected = side_by_side(chain, stems)
    for got, wanted in zip(side_by_side(chain, stems, block=977), expected, strict=True):
        np.testing.assert_array_equal(got, wanted)


def test_threads_do_not_change_a_bit() -> None:
    chain, stems = CHAINS["off speed, in a chain"], [noise(1, 1), noise(2, 2), noise(1, 3)]
    used: list[int] = []
    with ThreadPoolExecutor(3) as pool:

        def map_stems(*given: Any) -> Iterable[FloatArray]:
            used.append(len(given[1]))
            return pool.map(*given)

        got = side_by_side(chain, stems, map_stems=map_stems)
    assert used
    assert set(used) == {3}
    for sound, expected in zip(got, side_by_side(chain, stems), strict=True):
        np.testing.assert_array_equal(sound, expected)


def test_two_stems_of_one_channel_are_one_stem_of_two() -> None:
    chain = CHAINS["moving and driven"]
    both = noise(2, 4)
    expected = chain(both, RATE, tail_seconds=TAIL / RATE)
    np.testing.assert_array_equal(np.concatenate(side_by_side(chain, [both[:1], both[1:]])), expected)


@pytest.mark.parametrize(
    "crosstalk",
    [Crosstalk(), Crosstalk(tape_speed_cm_s=19.05, guard_mm=0.4, fringing_db=-24.0, coupling_db=-60.0)],
)
def test_what_leaks_into_silence_follows_the_laws(crosstalk: Crosstalk) -> None:
    """-54.6 dB a wavelength of distance, and 6 dB an octave; a quarter turn apart, so their powers add."""
    hz = np.array([31.5, 63.0, 125.0, 500.0, 1_000.0, 4_000.0, 16_000.0])
    impulse, place = np.zeros((1, 30_000)), 15_000
    impulse[0, place] = 1.0
    silence = np.zeros((2, impulse.shape[1]))
    before, own, behind = side_by_side(Chain([crosstalk]), [silence, impulse, silence], tail=0)
    np.testing.assert_array_equal(own, impulse)
    turns = np.exp(-2j * np.pi * np.outer(hz, np.arange(-place, place) / RATE))
    wavelength_mm = 10.0 * crosstalk.tape_speed_cm_s / hz
    fringing_db = crosstalk.fringing_db - 54.6 * crosstalk.guard_mm / wavelength_mm
    coupling_db = crosstalk.coupling_db + 20.0 * np.log10(hz / 1_000.0)
    expected_db = 10.0 * np.log10(10.0 ** (fringing_db / 10.0) + 10.0 ** (coupling_db / 10.0))
    inside = expected_db > crosstalk.fringing_db - 40.0
    assert np.count_nonzero(inside) >= 6
    for near, far in ((before[1], before[0]), (behind[0], behind[1])):
        got_db = 20.0 * np.log10(np.abs(turns @ near))
        np.testing.assert_allclose(got_db[inside], expected_db[inside], rtol=0.0, atol=0.1)
        assert not far.any(), "the track behind the neighbour is not heard"


FAR = Crosstalk(tracks_heard=3, guard_mm=0.4, track_width_mm=0.6)
ONE_HEAD = HeadAzimuth(azimuth_urad=2_000.0, wander_urad=400.0, tape_speed_cm_s=19.05, tracks=4)


@pytest.mark.parametrize("chain", [Chain([FAR]), Chain([ONE_HEAD]), Chain([ONE_HEAD, FAR])], ids=repr)
@pytest.mark.parametrize("block", [997, 5_000])
def test_stems_on_one_head_are_one_file_of_all_their_channels(chain: Chain, block: int) -> None:
    """Bit for bit, at any cut and place: three stems of one and of two channels, and one file of four."""
    whole = noise(4, 6)
    expected = chain(whole, RATE, tail_seconds=TAIL / RATE, start_sample=-333)
    got = side_by_side(chain, [whole[:1], whole[1:3], whole[3:]], block=block, start_sample=-333)
    np.testing.assert_array_equal(np.concatenate(got), expected)


def test_a_stem_of_one_channel_alone_is_on_its_track_of_the_head() -> None:
    whole = noise(4, 7)
    expected = HeadAzimuth(azimuth_urad=2_000.0, wander_urad=400.0, tape_speed_cm_s=19.05)(whole, RATE)
    for track in range(4):
        np.testing.assert_array_equal(ONE_HEAD(whole[track], RATE, track=track), expected[track])


def test_each_stage_of_crosstalk_reaches_one_place_further() -> None:
    one = Chain([Crosstalk()])
    two = Chain([Crosstalk(), Chain([PreampDrive(drive_db=0.0), Crosstalk()])])
    stems = [noise(1, 1), *(np.zeros((1, 12_000)) for _ in range(3))]
    assert [bool(stem.any()) for stem in side_by_side(one, stems)] == [True, True, False, False]
    assert [bool(stem.any()) for stem in side_by_side(two, stems)] == [True, True, True, False]
    assert [crossings(chain) for chain in (one, two, Chain([PreampDrive()]))] == [1, 2, 0]
    assert crossings(Chain([Crosstalk(), Chain([FAR]), ONE_HEAD])) == 4
    silenced = [Stage(processor=Crosstalk(), bypass=True), Stage(processor=Crosstalk(), mix_percent=0.0)]
    assert crossings(Chain([*silenced, Crosstalk(fringing_db=-120.0, coupling_db=-120.0)])) == 0


def test_every_stem_hisses_on_a_track_of_its_own_and_its_hiss_leaks() -> None:
    """By construction: the noise of track 3 and of track 4, which stand side by side."""
    hiss, silence = Hiss(level_dbfs=-20.0), np.zeros((1, 12_000))
    room = FdnReverb(decay_seconds=0.2)
    got = side_by_side(Chain([hiss, room, Crosstalk()]), [silence, silence], track=3, tail=0)
    late = 30_000  # all have heard what sounded before
    rows = [hiss(np.zeros((1, 12_000 + 2 * late)), RATE, start_sample=-late, track=track)[0] for track in (3, 4)]
    rooms = np.stack([room(row, RATE, start_sample=-late) for row in rows])
    expected = Crosstalk()(rooms, RATE, start_sample=-late)[:, late : late + 12_000]
    np.testing.assert_allclose(np.concatenate(got), expected, rtol=0.0, atol=1e-7)


def test_closing_the_tape_frees_what_one_stream_alone_may_hold() -> None:
    chain = Chain([PluginObject(effect=_Wire()), Crosstalk()])
    for _ in range(2):
        stream = TapeStream(chain, sample_rate=RATE, stems=[2])
        stream.process(noise(2, 1))
        stream.flush()


class _Wire:
    def __call__(self, audio: Any, sample_rate: float, reset: bool = True) -> Any:
        return audio
