"""Starts and stops, held to closed forms of the speed and of the replay head's equalisation."""

from typing import Any

import numpy as np
import pytest
from fed_blocks import in_blocks
from scipy.signal import lfilter, resample_poly

from tapeemu import StartStop
from tapeemu.errors import ParameterError
from tapeemu.validation import FloatArray

RATE = 48_000
FINER = 16
EVENTS: list[dict[str, Any]] = [
    {"action": "start", "at_seconds": 0.1003},
    {"action": "stop", "at_seconds": 0.62},
    {"action": "start", "at_seconds": 1.9},
]


def started(law: str, tau: float, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lag in seconds and speed, so long after a start."""
    x = t / tau
    fast, slow = np.exp(-x), np.exp(-x / 40.0)
    if law == "cued":
        return -tau * fast, 1.0 - fast
    return tau * 40.0 / 39.0 * (slow - fast), 1.0 - (40.0 * fast - slow) / 39.0


def sine_from_tape(hz: float, law: str, tau: float, seconds: float) -> FloatArray:
    """A sine through EVENTS by closed forms, on a grid 16 times finer: 50 and 3180 us, stops of 0.2 s."""
    t = np.arange(round(seconds * RATE * FINER)) / (RATE * FINER)
    treble, bass, stop = 50e-6, 3180e-6, 0.2
    whole = np.zeros(t.size)
    for begin, end in ((0.1003, 1.9), (1.9, seconds)):
        part = (t >= begin) & (t < end)
        own = t[part]
        lag, speed = started(law, tau, own - begin)
        if begin < 0.62:
            (lag_then,), (speed_then,) = started(law, tau, np.array([0.62 - begin]))
            after = own >= 0.62
            x = np.minimum((own[after] - 0.62) / stop, np.log((speed_then + 0.01) / 0.01))
            place = 0.62 - lag_then + stop * ((speed_then + 0.01) * (1.0 - np.exp(-x)) - 0.01 * x)
            lag[after] = own[after] - place
            speed[after] = (speed_then + 0.01) * np.exp(-x) - 0.01
        tone = np.exp(2j * np.pi * hz * (own - lag))
        low = tone / (1.0 + 2j * np.pi * hz * treble)
        slow = ((1.0 - speed) * low).imag
        pole = np.exp(-1.0 / (bass * RATE * FINER))
        mean = 0.5 * (slow + np.concatenate([slow[:1], slow[:-1]]))
        held, _ = lfilter([1.0 - pole], [1.0, -pole], mean, zi=[pole * low[0].imag])
        heard = speed * tone.imag + slow - held - treble / bass * (slow - held)
        whole[part] = heard * np.minimum(1.0, (own - begin) / (5.0 * bass))
    return whole[::FINER]


@pytest.mark.parametrize("law", ["cued", "catching_up"])
@pytest.mark.parametrize("hz", [40.0, 1000.0, 12_000.0, 19_000.0])
def test_a_sine_is_that_of_the_closed_forms(law: Any, hz: float) -> None:
    """-80 dB: the low-pass of the tape is fitted to -84 dB, the reader to -100 dB."""
    tape = StartStop(events=EVENTS, start_law=law, start_seconds=0.1)
    tone = np.sin(2.0 * np.pi * hz * np.arange(-RATE, 4 * RATE) / RATE)
    heard = tape(tone, RATE, start_sample=-RATE)[RATE : 4 * RATE]
    assert np.max(np.abs(heard - sine_from_tape(hz, law, 0.1, 3.0))) < 1e-4


@pytest.mark.parametrize("law", ["cued", "catching_up"])
@pytest.mark.parametrize("channels", [1, 2])
def test_any_cut_gives_the_same_samples(law: Any, channels: int) -> None:
    tape = StartStop(events=EVENTS, start_law=law, start_seconds=0.05)
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (channels, 3 * RATE))
    whole = tape.stream(sample_rate=RATE, channels=channels).process(audio)
    sizes = [int(size) for size in np.random.default_rng(2).integers(0, 700, 2000)]
    cut = in_blocks(tape.stream(sample_rate=RATE, channels=channels), audio, sizes, tail=0)
    np.testing.assert_array_equal(cut[:, : 3 * RATE], whole)


def test_outside_of_events_nothing_is_changed_and_a_standing_tape_is_silent() -> None:
    audio = np.random.default_rng(4).uniform(-0.5, 0.5, (2, 6 * RATE))
    tape = StartStop(
        events=[{"action": "stop", "at_seconds": 1.0}, {"action": "start", "at_seconds": 2.5}], start_seconds=0.1
    )
    heard = tape(audio, RATE)
    np.testing.assert_array_equal(heard[:, : RATE - 1], audio[:, : RATE - 1])
    assert not np.any(heard[:, round(2.0 * RATE) : round(2.5 * RATE)])
    np.testing.assert_array_equal(heard[:, 5 * RATE :], audio[:, 5 * RATE :])


def loudest_of_random_events(count: int) -> float:
    """Highest sample over the steady peak of a sine, over random starts and stops."""
    rng = np.random.default_rng(6)
    most = 0.0
    for _ in range(count):
        hz, tau, phase = 20.0 * 900.0 ** rng.uniform(), 0.02 * 10.0 ** rng.uniform(), rng.uniform(0.0, 6.28)
        action = ["start", "stop"][int(rng.integers(2))]
        tape = StartStop(
            events=[{"action": action, "at_seconds": 0.1 * rng.uniform(), "time_constant_seconds": tau}],
            start_law=["cued", "catching_up"][int(rng.integers(2))],
        )
        tone = np.sin(2.0 * np.pi * hz * np.arange(-RATE // 2, round((0.8 + 6.0 * tau) * RATE)) / RATE + phase)
        # The tone's abrupt end, which a reader between samples would ring at, is left out.
        heard = tape(tone, RATE, start_sample=-RATE // 2)[: -RATE // 5]
        most = max(most, float(np.max(np.abs(heard))))
    return most


def test_no_start_or_stop_is_louder_than_the_running_tape() -> None:
    assert loudest_of_random_events(20) < 10.0 ** (0.5 / 20.0)


@pytest.mark.long
def test_no_start_or_stop_of_a_thousand_is_louder() -> None:
    assert loudest_of_random_events(1000) < 10.0 ** (0.5 / 20.0)


def cut_in_the_middle(count: int, seed: int, law: Any) -> float:
    """Highest output over what stands between the samples of a sine cut anywhere, also within a start or stop.

    A cut rings, by 9 % on a grid that lies between the samples (Gibbs); scipy tells the peak there, at 16 times
    the rate.
    """
    rng = np.random.default_rng(seed)
    most = 0.0
    for _ in range(count):
        rate = int(rng.choice([22_050, 44_100, 48_000, 96_000]))
        hz, tau = 50.0 * (0.36 * rate / 50.0) ** rng.uniform(), 0.02 * 5.0 ** rng.uniform()
        at = 0.2 * rng.uniform()
        action = "start" if law == "catching_up" else ["start", "stop"][int(rng.integers(2))]
        tape = StartStop(
            events=[{"action": action, "at_seconds": at, "time_constant_seconds": tau}],
            start_law=law,
        )
        # A tape that catches up is at its fastest after 7.6 time constants.
        begin = round(rate * rng.uniform(-0.1, at + (20.0 if law == "catching_up" else 3.0) * tau))
        size = int(rng.integers(64, round(6.0 * tau * rate)))
        tone = np.sin(2.0 * np.pi * hz * np.arange(begin, begin + size) / rate + rng.uniform(0.0, 6.28))
        around = np.pad(tone, 200)
        between = float(np.max(np.abs(resample_poly(around, 16, 1, window=("kaiser", 12.0)))))
        heard = tape(np.pad(tone, (0, round(2.0 * tau * rate) + 300)), rate, start_sample=begin)
        most = max(most, float(np.max(np.abs(heard))) / max(between, 1.0))
    return most


@pytest.mark.parametrize(("law", "seed"), [("cued", 3), ("catching_up", 108)])
def test_a_recording_cut_anywhere_is_no_louder_than_between_its_samples(law: Any, seed: int) -> None:
    assert cut_in_the_middle(20, seed, law) < 10.0 ** (0.5 / 20.0)


@pytest.mark.long
@pytest.mark.parametrize(("law", "seed"), [("cued", 11), ("catching_up", 11), ("catching_up", 12)])
def test_a_thousand_cut_recordings_are_no_louder_than_between_their_samples(law: Any, seed: int) -> None:
    """With a tape up to 5.3 % too fast, and all above 0.41 of the rate taken out, ten in a thousand were."""
    assert cut_in_the_middle(1000, seed, law) < 10.0 ** (0.5 / 20.0)


def test_nothing_folds_while_the_tape_catches_up() -> None:
    """A sine above the reach of the filter is gone 1 % above nominal speed; 19 kHz is left."""
    tape = StartStop(events=[{"action": "start", "at_seconds": 0.0}], start_law="catching_up", start_seconds=0.1)
    for hz, gone in ((23_600.0, True), (21_000.0, False)):
        tone = np.sin(2.0 * np.pi * hz * np.arange(2 * RATE) / RATE)
        fastest = tape(tone, RATE)[round(0.6 * RATE) : round(0.8 * RATE)]
        assert bool(np.max(np.abs(fastest)) < 1e-4) is gone


@pytest.mark.parametrize(
    ("events", "words"),
    [
        ([("stop", 1.0), ("stop", 5.0)], "events 1 and 2 are both of action 'stop', but .* must take turns"),
        ([("start", 1.0), ("stop", 0.5)], "must come after"),
        ([("stop", 1.0), ("start", 1.5)], "at rest only from"),
    ],
)
def test_events_that_cannot_be_are_refused(events: list[tuple[str, float]], words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        StartStop(events=[{"action": action, "at_seconds": at} for action, at in events])
