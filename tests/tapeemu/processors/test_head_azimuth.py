"""Azimuth, held to geometry and to the closed form of its loss."""

import numpy as np
import pytest

from tapeemu import HeadAzimuth
from tapeemu.dsp.exceedance import TWO_SIGMA
from tapeemu.errors import ParameterError
from tapeemu.validation import FloatArray

RATE = 48_000


def responses(azimuth: HeadAzimuth, rate: float, hz: FloatArray, channels: int = 2) -> FloatArray:
    impulse = np.zeros((channels, 3000))
    impulse[:, 1500] = 1.0
    out = azimuth(impulse, sample_rate=rate)
    time = np.arange(-1500, 1500) / rate
    return np.asarray(out @ np.exp(-2j * np.pi * np.outer(time, hz)))


def passing_seconds(azimuth: HeadAzimuth, length_mm: float) -> float:
    return 0.1 * length_mm * float(np.tan(1e-6 * azimuth.azimuth_urad)) / azimuth.tape_speed_cm_s


STUDIO = HeadAzimuth(wander_urad=0.0)
CASSETTE = HeadAzimuth(
    azimuth_urad=-3000.0, wander_urad=0.0, tape_speed_cm_s=4.7625, track_width_mm=0.6, track_spacing_mm=0.9
)


@pytest.mark.parametrize("rate", [22_050, 44_100, 96_000])
@pytest.mark.parametrize("azimuth", [STUDIO, CASSETTE, STUDIO.replace(azimuth_urad=4321.0)])
def test_channels_are_apart_by_geometry_to_a_nanosecond(azimuth: HeadAzimuth, rate: int) -> None:
    hz = np.geomspace(20.0, 0.41 * rate, 80)
    first, second = responses(azimuth, rate, hz)
    late = passing_seconds(azimuth, azimuth.track_spacing_mm)
    error = np.angle(second / first * np.exp(2j * np.pi * hz * late)) / (2.0 * np.pi * hz)
    assert np.max(np.abs(error)) < 1e-9
    assert late * azimuth.azimuth_urad > 0.0
    # Their mean stays where it was.
    assert np.max(np.abs(np.angle(first * second) / (4.0 * np.pi * hz))) < 1e-9


@pytest.mark.parametrize("rate", [22_050, 48_000])
def test_a_track_of_one_head_is_late_by_its_place_to_a_nanosecond(rate: int) -> None:
    """Track k of eight: ``(k - 3.5) s tan(a) / v`` against the middle, each rendered by itself."""
    head = CASSETTE.replace(azimuth_urad=1_500.0, tracks=8)
    hz = np.geomspace(20.0, 0.41 * rate, 40)
    impulse = np.zeros(3000)
    impulse[1500] = 1.0
    turns = np.exp(-2j * np.pi * np.outer(np.arange(-1500, 1500) / rate, hz))
    for track in (0, 3, 7):
        heard = head(impulse, rate, track=track) @ turns
        late = (track - 3.5) * passing_seconds(head, head.track_spacing_mm)
        error = np.angle(heard * np.exp(2j * np.pi * hz * late)) / (2.0 * np.pi * hz)
        assert np.max(np.abs(error)) < 1e-9


def test_a_track_that_the_head_has_not_is_refused() -> None:
    with pytest.raises(ParameterError, match=r"the head has 4 tracks, but 2 channels from track 3 on need 5"):
        STUDIO.replace(tracks=4)(np.zeros((2, 100)), RATE, track=3)
    STUDIO.replace(tracks=4)(np.zeros((2, 100)), RATE, track=2)


@pytest.mark.parametrize("rate", [44_100, 48_000, 192_000])
@pytest.mark.parametrize("azimuth", [STUDIO, CASSETTE, CASSETTE.replace(azimuth_urad=15_000.0)])
def test_loss_follows_the_closed_form(azimuth: HeadAzimuth, rate: int) -> None:
    """One channel: nothing but the loss. The last example is gone at 5.3 kHz and comes back above."""
    hz = np.linspace(20.0, 20_000.0, 300)
    (response,) = responses(azimuth, rate, hz, channels=1)
    expected = np.sinc(hz * passing_seconds(azimuth, azimuth.track_width_mm))
    heard = np.abs(expected) > 0.1
    np.testing.assert_allclose(20.0 * np.log10(np.abs(response[heard] / expected[heard])), 0.0, atol=0.03)
    np.testing.assert_allclose(np.imag(response), 0.0, atol=1e-9)


def test_published_losses_and_phases() -> None:
    """Worked out by hand from the closed forms, and the phase of 300 urad at 10 kHz between the edge tracks of
    6.3 mm of tape, 45 and 22 degrees at 9.5 and 19 cm/s (McKnight, "Azimuth in a magnetic tape recorder").
    """
    minute = np.deg2rad(1.0 / 60.0) * 1e6
    for width, minutes, speed, hz, loss in ((0.6, 10.0, 4.7625, 15e3, -4.85), (2.0, 5.0, 19.05, 15e3, -0.76)):
        askew = HeadAzimuth(
            azimuth_urad=minutes * minute, wander_urad=0.0, tape_speed_cm_s=speed, track_width_mm=width
        )
        (response,) = responses(askew, RATE, np.array([hz]), channels=1)
        assert 20.0 * np.log10(np.abs(response[0])) == pytest.approx(loss, abs=0.02)
    for speed, degrees in ((9.525, 44.9), (19.05, 22.5)):
        first, second = responses(STUDIO.replace(tape_speed_cm_s=speed), RATE, np.array([10e3]))
        assert np.rad2deg(np.angle(first / second))[0] == pytest.approx(degrees, abs=0.4)


def test_wander_has_the_deviation_and_the_band_that_are_set() -> None:
    from scipy.signal import welch

    wanders = HeadAzimuth(azimuth_urad=500.0, wander_urad=200.0, wander_low_hz=0.5, wander_high_hz=4.0, seed=2)
    delay = wanders.delay_us(sample_rate=8000, start_sample=-(10**9), samples=8000 * 400)[::80]
    per_urad = 0.1 * wanders.track_spacing_mm / wanders.tape_speed_cm_s
    # 400 s of noise of a width of 3.5 Hz: 1,400 independent pairs, 2 % of the deviation.
    assert np.std(delay) == pytest.approx(200.0 * per_urad / TWO_SIGMA, rel=0.06)
    assert np.mean(delay) == pytest.approx(500.0 * per_urad, rel=0.03)
    hz, density = welch(delay, 100.0, nperseg=4000)
    inside = (hz > 0.4) & (hz < 5.0)
    assert np.sum(density[inside]) > 0.97 * np.sum(density[1:])
    assert np.mean(np.abs(delay - np.mean(delay)) > 200.0 * per_urad) == pytest.approx(0.05, abs=0.02)


def test_the_sound_has_the_delay_that_is_told() -> None:
    """A tone's phase between the channels, over a second of the wandering tape, at hour ten."""
    wanders = HeadAzimuth(wander_urad=1000.0, tape_speed_cm_s=9.525, seed=4)
    hour_ten = 36_000 * RATE
    tone = np.exp(2j * np.pi * 3000.0 * np.arange(RATE) / RATE)
    both = [wanders(np.stack([part, part]), RATE, start_sample=hour_ten) for part in (tone.real, tone.imag)]
    first, second = both[0] + 1j * both[1]
    got = 1e6 * np.angle(first / second) / (2.0 * np.pi * 3000.0)
    told = wanders.delay_us(sample_rate=RATE, start_sample=hour_ten, samples=RATE)
    assert np.ptp(told) > 10.0
    np.testing.assert_allclose(got[100:-100], told[100:-100], atol=1e-3)


def test_a_straight_head_changes_nothing() -> None:
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (3, 2000))
    straight = HeadAzimuth(azimuth_urad=0.0, wander_urad=0.0)
    np.testing.assert_array_equal(straight(audio, RATE), audio)
    # The middle one of three is neither early nor late.
    askew = CASSETTE.replace(azimuth_urad=2000.0)
    np.testing.assert_array_equal(askew(audio, RATE)[1], askew(audio[1], RATE))


def test_what_cannot_be_is_refused_and_what_is_not_heard_is_told() -> None:
    with pytest.raises(ParameterError, match="ratio of its edges"):
        HeadAzimuth(wander_low_hz=1.0, wander_high_hz=1.1)
    with pytest.raises(ParameterError, match="takes up to 840 µs to pass the slanted gap"):
        HeadAzimuth(azimuth_urad=20_000.0, wander_urad=0.0, tape_speed_cm_s=4.7625, track_width_mm=2.0)
    assert set(HeadAzimuth(wander_urad=0.0, wander_low_hz=0.3, seed=4).idle()) == {"wander_low_hz", "seed"}
    straight = HeadAzimuth(azimuth_urad=0.0, wander_urad=0.0, tape_speed_cm_s=19.05)
    assert set(straight.idle()) == {"tape_speed_cm_s"}
