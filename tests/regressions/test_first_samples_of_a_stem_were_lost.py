"""The tape starts where the recording starts: what stands in the first samples of a stem is neither lost nor late.

The truth is the same sound with silence before it, on the same stretch of tape, where nothing can be cut off.
"""

import itertools
from typing import Any

import numpy as np
import pytest

from tapeemu import Chain, Processor, WowFlutter
from tapeemu.presets import load_preset, shipped_folder
from tapeemu.processors import processor_kinds
from tapeemu.validation import FloatArray

PLACES = (0, 1, 10, 100)
PROFILES = (None, "studio", "domestic", "cassette", "portable", "worn")
RATES = (22_050, 44_100, 48_000, 96_000, 192_000)
PAD = 6_000
LISTENED = 4_000
STARTED_AT_ZERO = {"reel-started-and-spliced"}
"""Its tape stands still where the recording begins, and takes its time to start: that is what it is for."""

PRESETS = sorted({path.stem for path in shipped_folder().glob("*.toml")} - STARTED_AT_ZERO)
REQUIRED: dict[str, dict[str, Any]] = {
    "plugin_effect": {"effect": "Delay", "parameters": {"delay_seconds": 0.01}},
    "wow_flutter": {"profile": "worn", "azimuth_skew_us": 200.0, "azimuth_wander_us": 100.0, "seed": 37},
    "amplitude_flutter": {"mode": "spacing", "random_db": 12.0, "dropouts_per_minute": 6_000.0},
    "tape_magnetisation": {"mol_db": 4.0},
}


def answer(processor: Processor, audio: FloatArray, rate: int, start_sample: int = 0) -> FloatArray:
    """What comes of a sound, less what comes without it: noise that the tape adds is no part of a click.

    Files begin as early as a stream says that it sounds, so that is where it is listened from.
    """
    stream = processor.stream(sample_rate=rate, channels=len(audio), start_sample=start_sample)
    lead = stream.lead_samples() / rate
    made = processor(audio, sample_rate=rate, start_sample=start_sample, lead_seconds=lead)
    if processor.traits.adds_sound:
        silence = np.zeros_like(audio)
        made = made - processor(silence, sample_rate=rate, start_sample=start_sample, lead_seconds=lead)
    return made


def lost_db(processor: Processor, place: int, rate: int, channels: int = 2) -> float:
    """Energy of a click, in dB, less than that of the same click with silence before it."""
    audio = np.zeros((channels, PAD + place + LISTENED))
    audio[:, PAD + place] = 0.25
    whole = answer(processor, audio, rate, start_sample=-PAD)
    start = answer(processor, audio[:, PAD:], rate)
    return float(10.0 * np.log10(np.sum(whole**2) / max(np.sum(start**2), 1e-30)))


def arrives(processor: Processor, places: tuple[int, ...] = PLACES, rates: tuple[int, ...] = (48_000,)) -> None:
    for rate, place in itertools.product(rates, places):
        lost = lost_db(processor, place, rate)
        assert abs(lost) < 0.1, f"{lost:.2f} dB of a click at sample {place} at {rate} Hz: {processor!r}"


def orders(chain: Chain) -> list[Chain]:
    return [chain.reordered(names) for names in itertools.permutations(chain.names)]


def test_a_click_that_was_lost_arrives() -> None:
    """The case that showed the fault: the whole click was read from before the recording."""
    wow = WowFlutter(seed=37, profile="worn", weighted_flutter_percent=1.6)
    click: FloatArray = np.zeros(4_000)
    click[10] = 0.5
    wet = wow(click, sample_rate=48_000)
    assert abs(int(np.argmax(np.abs(wet))) - 10) <= 1
    assert np.max(np.abs(wet)) > 0.3


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("profile", PROFILES)
def test_a_sine_starts_at_zero(profile: str | None, rate: int) -> None:
    sine = np.sin(2.0 * np.pi * 400.0 * np.arange(2_000) / rate)
    for seed in range(8):
        wow = WowFlutter(profile=profile, seed=seed, azimuth_skew_us=50.0, azimuth_wander_us=30.0)  # type: ignore[arg-type]
        wet = wow(np.stack([sine] * 3), sample_rate=rate)
        assert np.all(wet[:, 0] == 0.0)
        # A speed within a few percent: no step between the first samples either.
        np.testing.assert_allclose(wet[:, 1:20], np.stack([sine[1:20]] * 3), atol=0.05)


@pytest.mark.parametrize("profile", PROFILES)
def test_clicks_arrive_on_every_profile(profile: str | None) -> None:
    for seed in range(10):
        arrives(WowFlutter(profile=profile, seed=seed, weighted_flutter_percent=1.6, azimuth_skew_us=100.0))  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", [kind for kind in processor_kinds() if kind != "plugin_object"])
def test_clicks_arrive_through_every_processor(kind: str) -> None:
    arrives(processor_kinds()[kind](**REQUIRED.get(kind, {})))


@pytest.mark.parametrize("name", PRESETS)
@pytest.mark.parametrize("backwards", [False, pytest.param(True, marks=pytest.mark.long)])
def test_clicks_arrive_through_every_preset(name: str, backwards: bool) -> None:
    """As it is or in the opposite order; all orders and 200 tapes: the long test."""
    chain = load_preset(name).chain
    order = chain.reordered(chain.names[::-1]) if backwards else chain
    arrives(order.with_seed(int(backwards)), places=(0, 10))


def test_only_what_starts_at_zero_is_left_out() -> None:
    events = {
        name: [e for stage in load_preset(name).chain for e in getattr(stage.processor, "events", ())]
        for name in STARTED_AT_ZERO
    }
    assert all(any(e.action == "start" and e.at_seconds == 0.0 for e in found) for found in events.values())


@pytest.mark.parametrize("error", [-2.0, 0.7])
def test_clicks_arrive_at_the_wrong_speed_behind_a_late_stage(error: float) -> None:
    for seed in range(5):
        late = WowFlutter(profile="worn", seed=seed)
        arrives(Chain(stages=[late, WowFlutter(profile="portable", seed=seed, speed_error_percent=error), late]))


@pytest.mark.long
@pytest.mark.parametrize("rate", RATES)
def test_clicks_arrive_on_200_tapes_of_every_profile(rate: int) -> None:
    for profile, seed in itertools.product(PROFILES, range(200)):
        arrives(WowFlutter(profile=profile, seed=seed, azimuth_skew_us=20.0), rates=(rate,))  # type: ignore[arg-type]


@pytest.mark.long
@pytest.mark.parametrize("name", PRESETS)
def test_clicks_arrive_in_every_order_of_every_preset(name: str) -> None:
    """All orders and rates, 200 tapes: every order meets some of them, at every place and rate."""
    every = orders(load_preset(name).chain)
    cases = list(itertools.product(RATES, PLACES))
    for number in range(max(200, len(every) * len(cases))):
        rate, place = cases[number % len(cases)]
        order = every[number // len(cases) % len(every)]
        arrives(order.with_seed(number % 200), places=(place,), rates=(rate,))
