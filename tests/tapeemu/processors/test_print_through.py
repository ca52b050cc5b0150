"""Print-through, held to the closed form of its spectrum and to the geometry of a reel."""

import numpy as np
import pytest

from tapeemu import PrintThrough
from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream
from tapeemu.validation import FloatArray

RATE = 48_000
HALF = 3300
"""Samples to either side of an echo that hold its filter, below 50 kHz."""

# From speed (cm/s), coating and base (um) to the peak in Hz, by the closed form, computed apart from this project;
# then the shape re the peak at 1/8, 1/4, 1/2, 2, 4, 8 times its frequency, for a split that is not said.
PEAKS = {(38.1, 17.5, 36.6): 1141.0, (19.05, 10.0, 25.0): 878.0, (4.7625, 5.0, 12.5): 439.0}
SHAPE = {0.125: -10.4, 0.25: -5.5, 0.5: -1.7, 2.0: -2.6, 4.0: -13.4, 8.0: -39.5}
every_tape = pytest.mark.parametrize("tape", PEAKS)


def tiny_reel(tape: tuple[float, float, float] = (38.1, 17.5, 36.6), **others: object) -> PrintThrough:
    """A reel whose turns last 80 to 160 ms at 38 cm/s, so that a recording can be short."""
    speed, coating, base = tape
    given: dict[str, object] = {
        "tape_speed_cm_s": speed,
        "coating_um": coating,
        "base_um": base,
        "hub_radius_mm": 5.0 * speed / 38.1 if speed > 38.0 else 5.0,
        "full_radius_mm": 10.0,
        "level_db": -40.0,
        "asymmetry_db": 3.0,
    }
    return PrintThrough.model_validate({**given, **others})


def echoes(reel: PrintThrough, rate: int, hz: FloatArray, place: int) -> tuple[FloatArray, FloatArray]:
    """Response of the echo before and of that behind an impulse, without the turn's delay."""
    stream = reel.stream(sample_rate=rate, channels=1)
    before, behind = stream.latency, stream.tail_samples(-120.0)
    impulse = np.zeros(before + behind + HALF)
    impulse[before] = 1.0
    out = reel(impulse, rate, start_sample=place - before)
    assert out[before] == 1.0
    found = []
    for sign in (-1, 1):
        turn = reel.turn_seconds(sample_rate=rate, start_sample=place, samples=1, before=sign > 0)[0]
        middle = before + round(sign * turn * rate)
        numbers = np.arange(middle - HALF, middle + HALF)
        time = (numbers - before) / rate - sign * turn
        found.append(np.exp(-2j * np.pi * np.outer(hz, time)) @ out[numbers])
    return found[0], found[1]


@pytest.mark.parametrize(
    ("rate", "speed", "coating", "base"),
    [
        (44_100, 4.7625, 5.0, 12.5),
        (48_000, 9.525, 10.0, 25.0),
        (44_100, 19.05, 10.0, 25.0),
        (48_000, 38.1, 17.5, 36.6),
        # Where one filter takes over from another.
        (44_100, 76.2, 17.5, 36.6),
        (48_000, 76.2, 17.5, 36.6),
        # Treble, at the highest speed.
        (44_100, 152.4, 10.0, 25.0),
        pytest.param(48_000, 152.4, 5.0, 12.5, marks=pytest.mark.long),
        pytest.param(96_000, 152.4, 17.5, 36.6, marks=pytest.mark.long),
        pytest.param(96_000, 4.7625, 5.0, 12.5, marks=pytest.mark.long),
        pytest.param(192_000, 4.7625, 5.0, 12.5, marks=pytest.mark.long),
        pytest.param(192_000, 76.2, 5.0, 12.5, marks=pytest.mark.long),
        pytest.param(48_000, 2.0, 17.5, 36.6, marks=pytest.mark.long),
    ],
)
def test_the_peak_lies_where_the_closed_form_has_it(rate: int, speed: float, coating: float, base: float) -> None:
    """Within 1 %, where the curve has fallen by no more than 0.0005 dB: the law's slope is zero there."""
    from scipy.optimize import brentq

    # A turn of 90 ms or more, so that the sound itself lies outside of what is read below.
    radius = max(11.0, 0.144 * speed)
    reel = PrintThrough(
        tape_speed_cm_s=speed,
        coating_um=coating,
        base_um=base,
        hub_radius_mm=radius,
        full_radius_mm=radius,
        pre_echo=False,
    )
    thick = brentq(lambda x: 2.0 / np.expm1(x) - 1.0 / x - base / coating, 1e-3, 4.0)
    peak = thick / (1e-6 * coating) * 0.01 * speed / (2.0 * np.pi)
    hz = peak * np.geomspace(0.85, 1.2, 40)
    stream = reel.stream(sample_rate=rate, channels=1)
    impulse = np.zeros(stream.latency + stream.tail_samples(-120.0) + 1)
    impulse[0] = 1.0
    out = stream.process(impulse)
    turn = reel.turn_seconds(sample_rate=rate, start_sample=0, samples=1)[0]
    time = np.arange(out.size) / rate - stream.latency / rate - turn
    echo = np.abs(time) < 0.068  # half of it; the sound itself is a turn away, or more
    response = np.abs(np.exp(-2j * np.pi * np.outer(hz, time[echo])) @ out[echo])
    found = np.exp(np.polynomial.Polynomial.fit(np.log(hz), response, 6).convert().deriv().roots())
    near = min((root.real for root in found if abs(root.imag) < 1e-6), key=lambda each: abs(each / peak - 1.0))
    assert near == pytest.approx(peak, rel=0.01)
    assert 20.0 * np.log10(np.max(response)) == pytest.approx(reel.level_db, abs=0.1)


@every_tape
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_spectrum_level_and_delay(tape: tuple[float, float, float], rate: int) -> None:
    """At a place where the tape has not yet begun, so that the turns do not grow."""
    reel = tiny_reel(tape)
    speed, coating, base = tape
    peak = reel.peak_hz()
    assert peak == pytest.approx(PEAKS[tape], rel=1e-3)
    hz = np.geomspace(peak / 8.0, 8.0 * peak, 60)
    k = 2.0 * np.pi * hz / (0.01 * speed)
    top = 2.0 * np.pi * peak / (0.01 * speed)

    def law(k: FloatArray | float) -> FloatArray:
        thick = 1e-6 * k * coating
        return np.asarray((1.0 - np.exp(-thick)) ** 2 / thick * np.exp(-1e-6 * k * base))

    pre, post = echoes(reel, rate, hz, -(10**7))
    for got, level in ((pre, -43.0), (post, -40.0)):
        error = 20.0 * np.log10(np.abs(got) / (law(k) / law(top))) - level
        np.testing.assert_allclose(error[hz < 0.4 * rate], 0.0, atol=0.05)
        at_peak = np.abs(np.log(hz / peak)) < 0.7
        # What is left of the delay, from the slope of the phase: less than a tenth of a sample.
        late = -np.polyfit(2.0 * np.pi * hz[at_peak], np.unwrap(np.angle(got[at_peak])), 1)[0]
        assert abs(late) * rate < 0.1


def test_the_table_of_the_shape() -> None:
    """0.11 dB: the table has one decimal. At eight times the peak 1 dB lies between the splits of these tapes."""
    from tapeemu.dsp.kernels.print_through import print_gain

    reel = tiny_reel((19.05, 10.0, 25.0))
    levels = [20.0 * np.log10(print_gain(reel.kernel_settings(), ratio * reel.peak_hz())) for ratio in SHAPE]
    np.testing.assert_allclose(levels[:-1], list(SHAPE.values())[:-1], atol=0.11)
    assert levels[-1] == pytest.approx(SHAPE[8.0], abs=0.5)


@pytest.mark.parametrize("stored", ["tails_out", "heads_out"])
def test_turns_follow_the_spiral(stored: str) -> None:
    """A spiral of the tape's thickness, laid out turn by turn here: places a turn apart."""
    reel = PrintThrough.model_validate({"stored": stored, "hub_radius_mm": 50.0, "full_radius_mm": 80.0})
    pitch, speed = 54.1e-6, 0.381
    angle = np.linspace(0.0, 2.0 * np.pi * 30e-3 / pitch, 4_000_001)
    # Length along r = r0 + pitch * angle / 2 pi, whose arc is r d(angle) but for 1e-8 of it.
    if stored == "tails_out":
        length = 50e-3 * angle + pitch * angle**2 / (4.0 * np.pi)
    else:
        length = 80e-3 * angle - pitch * angle**2 / (4.0 * np.pi)
    for seconds in (60.0, 300.0, 500.0):
        here = np.interp(seconds * speed, length, angle)
        for before, turn in ((True, -2.0 * np.pi), (False, 2.0 * np.pi)):
            other = np.interp(here + turn, angle, length)
            got = reel.turn_seconds(sample_rate=RATE, start_sample=round(seconds * RATE), samples=1, before=before)
            assert got[0] == pytest.approx(abs(other / speed - seconds), abs=2e-6)
    # An echo grows later by 2 pi t / v a turn: 0.89 ms at 38 cm/s and 54 um.
    turn = reel.turn_seconds(sample_rate=RATE, start_sample=60 * RATE, samples=1)[0]
    later = reel.turn_seconds(sample_rate=RATE, start_sample=round((60.0 + turn) * RATE), samples=1)[0]
    sign = 1.0 if stored == "tails_out" else -1.0
    assert later - turn == pytest.approx(sign * 2.0 * np.pi * pitch / speed, rel=2e-3)


def test_an_echo_is_out_of_tune_by_thickness_over_radius() -> None:
    """A tone of 1 kHz on the growing reel, by the phase of what the processor adds, 60 s in."""
    reel = PrintThrough(hub_radius_mm=5.0, full_radius_mm=50.0, level_db=-20.0, pre_echo=False)
    start = 60 * RATE
    samples = np.arange(2 * RATE)
    tone = np.exp(2j * np.pi * 1000.0 * samples / RATE)
    added = sum(
        unit * (reel(part, RATE, start_sample=start) - part) for unit, part in ((1.0, tone.real), (1j, tone.imag))
    )
    radius = np.sqrt(0.005**2 + 0.381 * 60.0 * 54.1e-6 / np.pi)
    settled = slice(RATE, 2 * RATE - 4000)
    phase = np.unwrap(np.angle(added[settled] / tone[settled]))
    drift_hz = np.polyfit(samples[settled] / RATE, phase, 1)[0] / (2.0 * np.pi)
    assert drift_hz == pytest.approx(-1000.0 * 54.1e-6 / radius, rel=0.04)


def test_the_stronger_echo_is_behind_tails_out_and_ahead_heads_out() -> None:
    hz = np.array([1141.0])
    for stored, wanted in (("tails_out", (-47.0, -40.0)), ("heads_out", (-40.0, -47.0))):
        pair = echoes(tiny_reel(asymmetry_db=7.0, stored=stored), RATE, hz, -(10**7))
        np.testing.assert_allclose([20.0 * np.log10(np.abs(each[0])) for each in pair], wanted, atol=0.06)


def test_latency_is_a_turn_only_where_it_is_heard_ahead() -> None:
    with_it, without = PrintThrough(), PrintThrough(pre_echo=False)
    late = [each.stream(sample_rate=RATE, channels=2).latency for each in (with_it, without)]
    turn = 2.0 * np.pi * 0.13 / 0.381 * RATE
    assert turn < late[0] - late[1] < turn + 200.0
    assert late[1] < 0.07 * RATE
    streams = [each.stream(sample_rate=RATE, channels=2) for each in (with_it, without)]
    assert [stream.lead_samples(-60.0) > turn for stream in streams] == [True, False]
    assert streams[0].lead_samples(-50.0) == 0
    assert streams[0].tail_samples(-60.0) > turn
    assert streams[0].tail_samples(-50.0) == 0


@pytest.mark.parametrize("place", [0, 7 * RATE, 36_000 * RATE + 5])
def test_the_place_on_the_tape_decides(place: int) -> None:
    """A render that starts later gives the same samples, once all it hears is there; so does one that seeks."""
    reel = tiny_reel()
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (2, 40_000))
    whole = reel(audio, RATE, start_sample=place)
    part = reel(audio[:, 10_000:], RATE, start_sample=place + 10_000)
    run_in = reel.stream(sample_rate=RATE, channels=2).tail_samples(-120.0)
    np.testing.assert_allclose(part[:, run_in:], whole[:, 10_000 + run_in :], rtol=0.0, atol=1e-15)
    stream = reel.stream(sample_rate=RATE, channels=2)
    assert isinstance(stream, KernelStream)
    stream.process(audio)
    stream.seek(place)
    sought = stream.process(audio)[:, stream.latency :]
    np.testing.assert_array_equal(sought, whole[:, : sought.shape[1]])


def test_what_cannot_be_is_refused_and_what_is_not_heard_is_told() -> None:
    with pytest.raises(ParameterError, match="outermost turn cannot lie inside"):
        PrintThrough(hub_radius_mm=60.0, full_radius_mm=50.0)
    with pytest.raises(ParameterError, match=r"a turn of 17\.2 s at 4\.76 cm/s"):
        PrintThrough(tape_speed_cm_s=4.76)
    assert PrintThrough(pre_echo=False, asymmetry_db=1.0).idle()
    assert not PrintThrough(pre_echo=False, asymmetry_db=1.0, stored="heads_out").idle()
