"""Levels of crosstalk along curves: a gain at the place where it is heard, whatever way it is computed."""

from typing import Any

import numpy as np
import pytest
from moving_settings import curve, moved

from measure.quantities.crosstalk import crosstalk_of_tracks
from tapeemu import Crosstalk

RATE = 48_000
HEAD = Crosstalk(guard_mm=0.2, tape_speed_cm_s=38.1, tracks_heard=3)
MOVES = (
    curve("fringing_db", (0.0, -40.0), (0.1, -10.0, "hold"), (0.2, -120.0), (0.3, -20.0)),
    curve("coupling_db", (0.0, -30.0, "hold"), (0.15, -120.0), (0.25, -40.0, "smooth"), (0.3, -30.0)),
    curve("coupling_step_db", (0.1, 20.0, "hold"), (0.22, 3.0)),
)


def noise(channels: int, samples: int) -> Any:
    return 0.3 * np.random.default_rng(5).standard_normal((channels, samples))


def test_each_law_is_heard_with_the_gain_of_its_own_place() -> None:
    """A ramp in dB times what a standing level adds; half a sample late were 1.4e-5 of it."""
    audio = noise(4, 24_000)
    for law, other in (("fringing_db", "coupling_db"), ("coupling_db", "fringing_db")):
        alone = HEAD.replace(**{other: -120.0, law: -30.0})
        heard = moved(alone, curve(law, (0.0, -36.0), (0.5, -30.0)))(audio, RATE) - audio
        gain = 10.0 ** ((-6.0 + 6.0 * np.arange(24_000) / 24_000) / 20.0)
        expected = (alone(audio, RATE) - audio) * gain
        part = slice(1_000, 22_500)
        assert np.max(np.abs(expected[:, part])) > 1e-3
        assert np.max(np.abs(heard - expected)[:, part]) < 1.4e-5 * np.max(np.abs(expected[:, part]))


def test_the_laws_add_up_while_both_move() -> None:
    """What the two add, each without the other, along the same curves; the third curve steps the coupling down."""
    audio = noise(4, 16_000)
    fringing, coupling, step = MOVES
    both = moved(HEAD, *MOVES)(audio, RATE) - audio
    one = moved(HEAD.replace(coupling_db=-120.0), fringing)(audio, RATE) - audio
    other = moved(HEAD.replace(fringing_db=-120.0), coupling, step)(audio, RATE) - audio
    assert np.max(np.abs(one)) > 0.01
    assert np.max(np.abs(other)) > 0.01
    assert np.max(np.abs(both - one - other)) < 1e-14


def test_both_ends_of_a_curve_read_as_if_set() -> None:
    """By the laboratory's reading between two channels, at 100 Hz and 8 kHz, within its doubt."""
    head = HEAD.replace(tracks_heard=1, coupling_db=-50.0)
    for law, first, last, hertz in (
        ("fringing_db", -50.0, -12.0, 100.0),
        ("coupling_db", -60.0, -35.0, 8_000.0),
    ):
        tone = np.zeros((2, 4 * RATE))
        tone[0] = 0.5 * np.sin(2.0 * np.pi * hertz * np.arange(4 * RATE) / RATE)
        heard = moved(head, curve(law, (2.0, first, "hold"), (2.0, last)))(tone, RATE)
        for value, part in (
            (first, slice(RATE // 5, 9 * RATE // 5)),
            (last, slice(11 * RATE // 5, 19 * RATE // 5)),
        ):
            standing = head.replace(**{law: value})(tone, RATE)
            came, expected = (
                crosstalk_of_tracks(*each[:, part], RATE, frequency_hz=hertz) for each in (heard, standing)
            )
            assert came.value == pytest.approx(expected.value, abs=max(came.uncertainty, 1e-6)), (law, value)


@pytest.mark.parametrize("rate", [22_050, 96_000])
def test_no_cut_and_no_beginning_changes_a_bit(rate: int) -> None:
    """Blocks of any size; a render that begins later hears the same from its own first sample on."""
    audio = noise(4, int(0.5 * rate))
    made = moved(HEAD, *MOVES)
    late = made.stream(sample_rate=rate, channels=4).latency
    came = []
    for sizes in ((audio.shape[1],), (1, 700, 0, 37), (241,)):
        stream, parts, begin, turn = made.stream(sample_rate=rate, channels=4, start_sample=-300), [], 0, 0
        while begin < audio.shape[1]:
            size = sizes[turn % len(sizes)]
            parts.append(stream.process(audio[:, begin : begin + size]))
            begin, turn = begin + size, turn + 1
        came.append(np.concatenate(parts, axis=1))
    assert np.array_equal(came[0], came[1])
    assert np.array_equal(came[0], came[2])
    # Silence in front, so that nothing is missed by what begins behind it; a multiple of the slowest rate's step.
    first = 64 * (int(0.23 * rate) // 64)
    audio[:, :first] = 0.0
    whole = made.stream(sample_rate=rate, channels=4).process(audio)
    later = made.stream(sample_rate=rate, channels=4, start_sample=first).process(audio[:, first:])
    assert np.array_equal(later[:, late:], whole[:, first + late :])


def test_levels_that_moved_and_stand_again_are_the_bits_of_the_setting() -> None:
    """Behind the curve's end its last value is designed anew nowhere: what stood before sounds as before."""
    audio = noise(2, 24_000)
    head = HEAD.replace(tracks_heard=1)
    level = head.fringing_db
    heard = moved(head, curve("fringing_db", (0.1, level), (0.11, -60.0), (0.12, level)))(audio, RATE)
    lowest = head.replace(fringing_db=-60.0)
    assert not np.array_equal(heard[:, 5_000:6_000], head(audio, RATE)[:, 5_000:6_000])
    assert np.max(np.abs(heard - head(audio, RATE))[:, 7_000:]) < 1e-15
    falls = moved(head, curve("fringing_db", (0.1, level), (0.11, -60.0)))(audio, RATE)
    assert np.array_equal(falls[:, 7_000:], lowest(audio, RATE)[:, 7_000:])
