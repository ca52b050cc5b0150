"""A room whose decay time follows a curve: the law of its filters, decay at both ends, and the level on the way.

Truth: responses by scipy from coefficients alone, T30 by pyroomacoustics, levels and slopes by scipy and numpy.
"""

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from pyroomacoustics.experimental import measure_rt60
from scipy.signal import butter, sosfiltfilt, sosfreqz

from tapeemu import Chain, Curve, CurvePoint, FdnReverb, Stage
from tapeemu.automation import AutomatedStream
from tapeemu.kernel_stream import KernelStream
from tapeemu.processors.fdn_reverb import DecayByBand

RATE = 48_000
Audio = npt.NDArray[np.float64]

TABLE = DecayByBand(
    at_63_hz_seconds=4.0,
    at_250_hz_seconds=3.5,
    at_1000_hz_seconds=3.0,
    at_4000_hz_seconds=1.6,
    at_8000_hz_seconds=0.8,
)


def course(*points: tuple[float, float]) -> Curve:
    """Decay times that hold from their moments on."""
    return Curve(
        setting="decay_seconds",
        points=tuple(CurvePoint(seconds=at, value=value, shape="hold") for at, value in points),
    )


def moved(hall: FdnReverb, *points: tuple[float, float]) -> Chain:
    return Chain([Stage(processor=hall, automation=(course(*points),))])


def octave(audio: Audio, band_hz: float) -> Audio:
    """The sound in an octave, without delay."""
    sections = butter(3, [band_hz / 2**0.5, band_hz * 2**0.5], "band", fs=RATE, output="sos")
    return np.asarray(sosfiltfilt(sections, audio, axis=-1))


def gone_from_its_design(hall: FdnReverb, one: float, other: float) -> tuple[KernelStream, float]:
    """The stream of a hall for two decay times, when the one stands that it was not laid out for; and that one."""
    for first, last in ((one, other), (other, one)):
        curve = course((-10.0, first), (-9.0, last))
        stream = AutomatedStream(hall, (curve,), sample_rate=RATE, channels=1)
        settings: Any = stream._inner.settings
        if settings.decay_seconds != last:
            stream.advance(np.zeros((1, 1)))
            return stream._inner, last
    raise AssertionError("no room was laid out")


@pytest.mark.parametrize("hall", [FdnReverb(lines=8), FdnReverb(lines=8, decay_by_band_seconds=TABLE)])
def test_every_line_loses_what_its_decay_asks_for_and_never_gains(hall: FdnReverb) -> None:
    """Exact at 1 kHz and all poles inside; by scipy, in rooms laid out for the other end."""
    where = np.concatenate([[1_000.0], np.geomspace(5.0, 23_990.0, 500)])
    for one, other in ((10.0, 0.2), (10.0, 1.3), (1.0, 2.0)):
        stream, seconds = gone_from_its_design(hall, one, other)
        made, network = stream.memory.moving.base, stream.memory.network
        designed = network.filters
        sections = int(designed[0, 1, 0])
        lost = []
        for filters in (designed, made):
            for line in range(8):
                rows = filters[1 : 1 + sections, :, line]
                c, d, e, f = (rows[:, 0] + rows[:, 2], rows[:, 1] + rows[:, 3], rows[:, 2], rows[:, 3])
                ones = np.ones(sections)
                sos = np.stack([ones, c, d, ones, e, f], axis=1)
                if filters is made:
                    assert max(abs(np.roots(row[3:])).max() for row in sos) < 1.0
                heard = filters[0, 0, line] * np.abs(sosfreqz(sos, where, fs=RATE)[1])
                assert heard.max() < 1.0
                lost.append(np.log(heard[0]))
        settings: Any = stream.settings  # of the end for which the room was laid out
        nepers = settings.decay_seconds / seconds * np.array(lost[:8])
        np.testing.assert_allclose(lost[8:], np.maximum(nepers, -10.36), rtol=1e-9)


def t30(found: Audio, band_hz: float) -> float:
    """By pyroomacoustics, of the mean energy of several responses."""
    heard = octave(np.pad(found, ((0, 0), (4_000, 0))), band_hz)
    energy = np.mean(heard**2 / np.sum(heard**2, axis=1, keepdims=True), axis=0)
    return float(measure_rt60(np.sqrt(energy), RATE, decay_db=30))


BOTH_ENDS = [
    pytest.param(FdnReverb(), 2.0, 0.6, 5, 0.13, id="two seconds to 0.6"),
    pytest.param(FdnReverb(), 6.0, 1.0, 5, 0.04, id="six seconds to one", marks=pytest.mark.long),
    pytest.param(FdnReverb(), 1.0, 8.0, 2, 0.06, id="one second to eight", marks=pytest.mark.long),
    pytest.param(FdnReverb(decay_by_band_seconds=TABLE), 6.0, 1.5, 5, 0.07, id="table", marks=pytest.mark.long),
]


@pytest.mark.parametrize(("hall", "before", "after", "rooms", "elsewhere"), BOTH_ENDS)
def test_a_room_decays_as_the_curve_says(
    hall: FdnReverb, before: float, after: float, rooms: int, elsewhere: float
) -> None:
    """Within 3 % at 1 kHz; elsewhere by how far the filters are from those designed."""
    found: list[Audio] = []
    for room in range(rooms):
        for driven in (0, 1):
            click = np.zeros((2, int((0.9 * after + 0.2) * RATE)))
            click[driven, 0] = 1.0
            made = moved(hall.replace(room_seed=room, wet_percent=100.0), (-2.0, before), (-1.0, after))
            found.extend(made(click, RATE))
    wanted = hall.replace(decay_seconds=after).target_decay_seconds()
    for band, band_hz, within in ((1, 125.0, elsewhere), (4, 1_000.0, 0.03), (6, 4_000.0, elsewhere)):
        assert t30(np.array(found), band_hz) == pytest.approx(wanted[band], rel=within), band_hz


def slope(energy: Audio, first: float, last: float) -> float:
    """Seconds per 60 dB between two moments."""
    part = slice(int(first * RATE), int(last * RATE))
    smooth = np.convolve(energy, np.ones(2_400) / 2_400, "same")[part]
    return float(-60.0 / np.polyfit(np.arange(smooth.size) / RATE, 10.0 * np.log10(smooth), 1)[0])


def test_a_tail_goes_on_by_the_new_decay() -> None:
    """Noise that has stopped: 4 s until the curve's jump, 0.6 s from then on; and its level does not jump."""
    noise = 0.1 * np.random.default_rng(1).standard_normal((2, int(1.9 * RATE)))
    noise[:, RATE // 2 :] = 0.0
    energy = np.zeros(noise.shape[1])
    for room in range(6):
        hall = FdnReverb(wet_percent=100.0, room_seed=room)
        energy += np.sum(octave(moved(hall, (0.0, 4.0), (1.2, 0.6))(noise, RATE), 1_000.0) ** 2, axis=0)
    assert slope(energy, 0.6, 1.15) == pytest.approx(4.0, rel=0.1)
    assert slope(energy, 1.3, 1.8) == pytest.approx(0.6, rel=0.05)
    smooth = np.convolve(energy, np.ones(960) / 960, "same")
    assert smooth[int(1.2 * RATE) :].max() < 1.3 * smooth[int(1.15 * RATE) : int(1.2 * RATE)].mean()


@pytest.mark.parametrize(("before", "after"), [(6.0, 0.5), (0.5, 2.0)])
def test_noise_stays_as_loud_whatever_the_decay(before: float, after: float) -> None:
    """In the octave at 1 kHz, behind the time the room takes: within 0.5 dB over rooms; and nothing bursts."""
    noise = 0.1 * np.random.default_rng(2).standard_normal((2, int((2.0 * after + 2.5) * RATE)))
    wanted = np.mean(octave(noise, 1_000.0) ** 2)
    heard = np.zeros(noise.shape[1])
    for room in range(2):
        made = moved(FdnReverb(wet_percent=100.0, room_seed=room), (-10.0, before), (1.0, after))
        heard += np.mean(octave(made(noise, RATE), 1_000.0) ** 2, axis=0) / 2.0
    settled = heard[int((1.2 + after) * RATE) :]
    assert 10.0 * np.log10(np.mean(settled) / wanted) == pytest.approx(0.0, abs=0.5)
    around = np.convolve(heard, np.ones(4_800) / 4_800, "valid")
    assert 10.0 * np.log10(around.max() / wanted) < 1.5
