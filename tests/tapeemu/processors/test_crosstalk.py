"""Crosstalk, held to its closed forms."""

import numpy as np
import pytest

from tapeemu import Crosstalk
from tapeemu.errors import ParameterError
from tapeemu.validation import FloatArray

RATE = 48_000
# From Hz to level, for 0.75 mm at 38.1 cm/s and a level of 0 dB at 0 Hz: computed from -54.6 g / lambda apart from
# this project.
FRINGING = {31.5: -3.4, 100.0: -10.7, 315.0: -33.8}


def heard(crosstalk: Crosstalk, rate: float, hz: FloatArray, channels: int = 2) -> FloatArray:
    """Response at some frequencies from the first channel to the others."""
    place = 20_000 * max(1, round(rate / 48_000))
    impulse = np.zeros((channels, 2 * place))
    impulse[0, place] = 1.0
    out = crosstalk(impulse, sample_rate=rate)
    np.testing.assert_array_equal(out[0], impulse[0])
    time = np.arange(-place, place) / rate
    return np.stack([row @ np.exp(-2j * np.pi * np.outer(time, hz)) for row in out[1:]])


def law(crosstalk: Crosstalk, hz: FloatArray) -> FloatArray:
    k = 2.0 * np.pi * hz / (0.01 * crosstalk.tape_speed_cm_s)
    fringing = 10.0 ** (crosstalk.fringing_db / 20.0) * np.exp(-k * 1e-3 * crosstalk.guard_mm)
    return np.asarray(fringing + 1j * 10.0 ** (crosstalk.coupling_db / 20.0) * hz / 1000.0)


@pytest.mark.parametrize("rate", [22_050, 44_100, 96_000])
@pytest.mark.parametrize(
    "crosstalk",
    [
        Crosstalk(),
        Crosstalk(tape_speed_cm_s=9.525, guard_mm=0.3),
        Crosstalk(guard_mm=0.2, coupling_db=-90.0),
        # 8 ms for the distance, as long as it may be.
        Crosstalk(tape_speed_cm_s=4.7625, guard_mm=0.381, coupling_db=-120.0),
    ],
)
def test_level_and_phase_follow_the_laws(crosstalk: Crosstalk, rate: int) -> None:
    hz = np.geomspace(20.0, min(20_000.0, 0.44 * rate), 120)
    got, expected = heard(crosstalk, rate, hz)[0], law(crosstalk, hz)
    inside = np.abs(expected) > 0.01 * 10.0 ** (crosstalk.fringing_db / 20.0)
    np.testing.assert_allclose(20.0 * np.log10(np.abs(got / expected))[inside], 0.0, atol=0.1)
    np.testing.assert_allclose(np.angle(got / expected)[inside], 0.0, atol=0.02)


def test_the_table_of_fringing() -> None:
    """0.06 dB: the table has one decimal."""
    hz = np.array(list(FRINGING))
    got = heard(Crosstalk(coupling_db=-120.0, fringing_db=-20.0), RATE, hz)[0]
    np.testing.assert_allclose(20.0 * np.log10(np.abs(got)) + 20.0, list(FRINGING.values()), atol=0.1)


def test_coupling_rises_by_six_decibels_an_octave_to_twenty_kilohertz() -> None:
    hz = np.array([500.0, 1000.0, 4000.0, 20_000.0])
    for rate in (44_100, 192_000):
        got = heard(Crosstalk(fringing_db=-120.0, coupling_db=-50.0), rate, hz)[0]
        wanted = 10.0 ** (-50.0 / 20.0) * hz / 1000.0
        inside = hz <= 0.45 * rate
        np.testing.assert_allclose(20.0 * np.log10(np.abs(got / wanted))[inside], 0.0, atol=0.05)


def test_only_neighbours_are_heard_and_one_channel_has_none() -> None:
    responses = heard(Crosstalk(), RATE, np.array([1000.0]), channels=4)
    assert abs(responses[0, 0]) > 1e-3
    assert not np.any(responses[1:])
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, 3000)
    np.testing.assert_array_equal(Crosstalk()(audio, RATE), audio)
    # The middle one of three hears both.
    three = np.zeros((3, 9000))
    three[::2, 4000] = 1.0
    both = Crosstalk()(three, RATE)
    one = three.copy()
    one[2] = 0.0
    np.testing.assert_allclose(both[1], 2.0 * Crosstalk()(one, RATE)[1], rtol=0.0, atol=1e-15)


@pytest.mark.parametrize("rate", [44_100, pytest.param(96_000, marks=pytest.mark.long)])
def test_tracks_further_away_follow_the_laws(rate: int) -> None:
    """Track m lies ``m g + (m - 1) W`` away, and coupling is weaker by a step for every track between."""
    crosstalk = Crosstalk(
        tracks_heard=3, guard_mm=0.4, track_width_mm=0.6, tape_speed_cm_s=76.2, coupling_step_db=12.0
    )
    hz = np.geomspace(20.0, min(20_000.0, 0.44 * rate), 120)
    got = heard(crosstalk, rate, hz, channels=5)
    for away in (1, 2, 3):
        way = away * crosstalk.guard_mm + (away - 1) * crosstalk.track_width_mm
        expected = law(
            crosstalk.replace(guard_mm=way, coupling_db=crosstalk.coupling_db - 12.0 * (away - 1), tracks_heard=1),
            hz,
        )
        inside = np.abs(expected) > 0.01 * 10.0 ** (crosstalk.fringing_db / 20.0)
        assert np.count_nonzero(inside) > 20
        np.testing.assert_allclose(20.0 * np.log10(np.abs(got[away - 1] / expected))[inside], 0.0, atol=0.1)
    assert not np.any(got[3])
    # So far away that the tape takes more than 12.5 ms: no fringing, and the coupling stays.
    slow = heard(crosstalk.replace(tape_speed_cm_s=9.525), rate, np.array([20.0, 1000.0]), channels=3)[1]
    np.testing.assert_allclose(20.0 * np.log10(np.abs(slow)), [-101.0, -67.0], atol=0.5)


@pytest.mark.parametrize("place", [0, 1, -63, 10**12 + 17])
def test_the_same_anywhere_on_the_tape(place: int) -> None:
    """The lower rates lie on a grid of the tape, which 70 dB below what is heard (-30 dB) tells."""
    audio = np.random.default_rng(2).uniform(-0.5, 0.5, (2, 3000))
    expected, got = Crosstalk()(audio, RATE), Crosstalk()(audio, RATE, start_sample=place)
    np.testing.assert_allclose(got, expected, rtol=0.0, atol=0.5 * 10.0 ** (-95.0 / 20.0))
    later = Crosstalk()(audio, RATE, start_sample=place + 64)
    np.testing.assert_array_equal(later, got)


def test_settings_that_the_filter_cannot_follow_are_refused() -> None:
    with pytest.raises(ParameterError, match="which the tape takes 15 ms for at 2 cm/s"):
        Crosstalk(guard_mm=0.3, tape_speed_cm_s=2.0)
    assert Crosstalk(guard_mm=0.3, tape_speed_cm_s=2.0, fringing_db=-120.0).idle() == {
        "guard_mm": "fringing_db is -120 dB, which is none",
        "tape_speed_cm_s": "fringing_db is -120 dB, which is none",
    }
    assert Crosstalk(track_width_mm=1.0).idle() == {"track_width_mm": "tracks_heard is 1"}
    alone = Crosstalk(tracks_heard=2, coupling_step_db=6.0, coupling_db=-120.0)
    assert alone.idle() == {"coupling_step_db": "coupling_db is -120 dB, which is none"}
