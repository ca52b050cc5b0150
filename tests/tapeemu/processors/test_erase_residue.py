"""Erase residue, held to an analogue shelf by scipy, to a loop of tape laid out by hand, and to the laboratory.

That 60 dB at 1 kHz are asked for of an erase head (DIN), and that lows survive: published advice to archives.
"""

from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import freqs_zpk

import measure
from measure.parts.signals import print_through_burst
from measure.quantities.print_through import print_through_of_recording
from tapeemu import Chain, Curve, CurvePoint, EraseResidue, Stage
from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream
from tapeemu.validation import FloatArray

RATE = 48_000


def loop(**others: Any) -> EraseResidue:
    """A tenth of a second of tape, so that a recording can be short."""
    return EraseResidue(**{"earlier_seconds": 0.1, **others})


def shelf_db(made: EraseResidue, hz: FloatArray) -> FloatArray:
    """Level of an analogue filter of one pole and one zero, solved here for what the settings say."""
    pole = made.bass_corner_hz

    def level(zero: float, at: Any) -> FloatArray:
        _, response = freqs_zpk([-zero], [-pole], 1.0, worN=np.asarray(at, dtype=np.float64))
        return np.asarray(20.0 * np.log10(np.abs(response)))

    def rise(zero: float) -> float:
        lowest, told = level(zero, [0.0, 1000.0])
        return float(lowest - told - made.bass_rise_db)

    zero = pole if made.bass_rise_db == 0.0 else brentq(rise, pole, 1e6, xtol=1e-12)
    return level(zero, hz) - level(zero, [1000.0])[0] + made.residue_db


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(("rise", "corner"), [(12.0, 50.0), (18.0, 100.0), (18.0, 10.0), (0.0, 50.0), (3.0, 30.0)])
def test_the_rest_of_an_impulse_has_the_level_the_law_and_the_delay(rate: int, rise: float, corner: float) -> None:
    """A pass of a second: a value of its spectrum lies on every whole hertz."""
    made = EraseResidue(residue_db=-40.0, bass_rise_db=rise, bass_corner_hz=corner, earlier_seconds=1.0)
    impulse = np.zeros(2 * rate)
    impulse[0] = 1.0
    out = made(impulse, rate)
    assert out[0] == 1.0
    assert not np.any(out[1:rate]), "nothing is heard before the tape has come round"
    assert out[rate] > 0.0, "the first sample of the rest lies where the tape has come round"
    heard = 20.0 * np.log10(np.abs(np.fft.rfft(out[rate:])))
    hz = np.arange(20, min(20_000, int(0.45 * rate)))
    np.testing.assert_allclose(heard[hz], shelf_db(made, hz.astype(float)), atol=0.05)
    assert heard[1000] == pytest.approx(-40.0, abs=1e-6)
    assert heard[0] == pytest.approx(-40.0 + rise, abs=1e-6)


def test_what_was_erased_twice_is_twice_as_far_down() -> None:
    """Pass by pass: the spectrum of the n-th is the n-th power of that of the first, and of the law."""
    made = EraseResidue(residue_db=-30.0, earlier_seconds=1.0)
    impulse = np.zeros(4 * RATE)
    impulse[7] = 1.0
    passes = made(impulse, RATE).reshape(4, RATE)
    spectra = 20.0 * np.log10(np.abs(np.fft.rfft(np.roll(passes, -7, axis=1))))
    hz = np.arange(20, 20_000, 20)
    for times in (1, 2, 3):
        np.testing.assert_allclose(spectra[times, hz], times * shelf_db(made, hz.astype(float)), atol=0.05)


def test_a_loop_laid_out_by_hand() -> None:
    """Of frequencies alike: a sample is the new one and a hundredth of what stood there, round after round."""
    made = loop(residue_db=-40.0, bass_rise_db=0.0)
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (2, 12_000))
    expected = audio.copy()
    for first in range(4_800, 12_000):
        expected[:, first] += 0.01 * expected[:, first - 4_800]
    np.testing.assert_allclose(made(audio, RATE), expected, rtol=0.0, atol=1e-15)


@pytest.mark.parametrize(("seconds", "rate", "samples"), [(0.1, 44_100, 4_410), (0.12346, RATE, 5_926)])
def test_the_first_and_the_last_sample_leave_a_rest(seconds: float, rate: int, samples: int) -> None:
    made = EraseResidue(earlier_seconds=seconds)
    for place in (0, 999):
        audio = np.zeros((2, 1_000))
        audio[1, place] = 1.0
        out = made(audio, rate, tail_seconds=0.2)
        assert not np.any(out[0])
        assert np.flatnonzero(out[1])[:2].tolist() == [place, place + samples]


@pytest.mark.parametrize("level_db", [-25.0, -50.0, -70.0, -120.0])
@pytest.mark.parametrize("corner", [10.0, 100.0])
def test_the_tail_ends_where_lows_have_faded(level_db: float, corner: float) -> None:
    """A constant that ends leaves most: behind the tail it is below the level, and 3 ms before its end above.

    In what falls within 3 ms at the most lies by how much a pass is more than its lows alone.
    """
    made = loop(residue_db=-40.0, bass_rise_db=18.0, bass_corner_hz=corner, earlier_seconds=0.5)
    tail = made.stream(sample_rate=RATE, channels=1).tail_samples(level_db)
    out = np.abs(made(np.ones(20_000), RATE, tail_seconds=tail / RATE + 1.0))
    above = np.flatnonzero(out > 10.0 ** (level_db / 20.0))
    early = 0.003 * RATE * 100.0 / corner
    assert 20_000 + tail - early <= above[-1] < 20_000 + tail
    assert made.stream(sample_rate=RATE, channels=1).tail_samples(-22.0) == 0
    even = loop(residue_db=-40.0, bass_rise_db=0.0)
    assert even.stream(sample_rate=RATE, channels=1).tail_samples(-100.0) == 2 * 4_800


def test_where_on_the_tape_and_when_it_began() -> None:
    """No place is another one; a later start hears what came after it, and once that has come round, the same."""
    made = loop(residue_db=-50.0)
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (2, 40_000))
    whole = made(audio, RATE)
    for place in (7, 36_000 * RATE + 5, -(10**9)):
        np.testing.assert_array_equal(made(audio, RATE, start_sample=place), whole)
    stream = made.stream(sample_rate=RATE, channels=2)
    assert isinstance(stream, KernelStream)
    assert stream.latency == 0
    run_in = stream.run_in_samples()
    part = made(audio[:, 10_000:], RATE, start_sample=10_000)
    np.testing.assert_allclose(part[:, run_in:], whole[:, 10_000 + run_in :], rtol=0.0, atol=1e-6)
    assert np.max(np.abs(part[:, :4_800] - whole[:, 10_000:14_800])) > 1e-4, "a render begins on a blank tape"
    stream.process(audio)
    stream.seek(99)
    np.testing.assert_array_equal(stream.process(audio), whole)


def test_nothing_is_left_that_would_slow_a_silent_stream_down() -> None:
    """The low-pass ends in zero, not in a number too small for a processor's fast path."""
    made = loop(residue_db=-30.0, bass_corner_hz=100.0)
    stream = made.stream(sample_rate=8_000, channels=1)
    assert isinstance(stream, KernelStream)
    stream.process(np.ones((1, 1_000)))
    assert np.all(stream.memory.lows > 0.1)
    stream.process(np.zeros((1, 40_000)))
    assert not np.any(stream.memory.lows)
    assert not np.any(stream.memory.line)


def test_a_curve_of_the_level_is_followed_without_a_lag() -> None:
    """12 dB a second, over the same rest at a constant level: a sample is 2.9e-5 of the gain.

    The recording ends before a second rest would mix with the first.
    """
    made = loop(residue_db=-100.0, earlier_seconds=0.26)
    points = (CurvePoint(seconds=0.0, value=-100.0), CurvePoint(seconds=0.5, value=-94.0))
    moved = Chain([Stage(processor=made, automation=(Curve(setting="residue_db", points=points),))])
    audio = np.sin(2.0 * np.pi * 1000.0 * np.arange(24_000) / RATE)
    part = slice(13_000, 23_000)
    steady, rising = ((each(audio, RATE) - audio)[part] for each in (made, moved))
    expected = 10.0 ** (12.0 * np.arange(24_000)[part] / RATE / 20.0)
    clear = np.abs(steady) > 0.3 * np.max(np.abs(steady))
    assert np.max(np.abs(rising[clear] / steady[clear] / expected[clear] - 1.0)) < 1.4e-5  # half a sample


def test_what_cannot_move_says_so_and_what_is_not_heard_is_told() -> None:
    for name, value in (("earlier_seconds", 1.0), ("bass_corner_hz", 40.0)):
        curve = Curve(setting=name, points=(CurvePoint(seconds=0.0, value=value),))
        with pytest.raises(ParameterError, match=rf"{name}.*cannot follow a curve.*residue_db, bass_rise_db"):
            Stage(processor=EraseResidue(), automation=(curve,))
    assert EraseResidue(bass_rise_db=0.0, bass_corner_hz=40.0).idle() == {"bass_corner_hz": "bass_rise_db is 0"}
    with pytest.raises(ParameterError, match="residue_db"):
        EraseResidue(residue_db=-29.0)


def test_the_laboratory_reads_level_and_place() -> None:
    """As the echo behind a short tone of 1 kHz, from the processor and from a recording of its sound.

    The phase of the shelf brings a tone forward: by how it falls with frequency, zero's part less pole's.
    """
    for rise in (0.0, 12.0):
        made = EraseResidue(earlier_seconds=0.7, bass_rise_db=rise)
        power = 10.0 ** (0.1 * rise)
        pole, zero = 50.0, 50.0 * np.sqrt(1e6 * power / (1e6 + 2_500.0 * (1.0 - power)))
        ahead = (zero / (zero**2 + 1e6) - pole / (pole**2 + 1e6)) / (2.0 * np.pi)
        from_system = measure.print_through(made, RATE, longest_seconds=1.0)
        burst = print_through_burst(RATE, silence_seconds=1.0)
        from_recording = print_through_of_recording(made(burst, RATE), RATE)
        for read in (from_system, from_recording):
            assert read.post.value == pytest.approx(-60.0, abs=0.02)
            assert read.post_seconds.value == pytest.approx(0.7 - ahead, abs=0.2 / RATE)
            assert not read.pre.defined


@pytest.mark.parametrize(("residue_db", "rise_db", "echoes"), [(-40.0, 5.5, True), (-40.0, 4.5, False)])
def test_lows_that_are_left_within_35_db_are_an_echo(residue_db: float, rise_db: float, echoes: bool) -> None:
    """Own choice, no source: what is fainter disturbs no figure of those that an echo disturbs."""
    assert EraseResidue(residue_db=residue_db, bass_rise_db=rise_db).traits.echoes is echoes
