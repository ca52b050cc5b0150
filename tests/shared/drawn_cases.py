"""Drawn cases of the C library: a random chain or processor, at a random rate and place, cut at random."""

from functools import cache
from typing import Any

import numpy as np
from random_chains import chain, settings
from strict_reference import Asked, Came

from tapeemu import Chain, TapeResponse
from tapeemu.native.processors import find_processors
from tapeemu.plugins.tables import NOT_PLUGINS
from tapeemu.processor import Processor
from tapeemu.processors import processor_kinds
from tapeemu.targets.setups import Case, setup_of

NOT_OURS = {*NOT_PLUGINS, "plugin_object", "chain"}
"""Kinds that say why they have no kernels, are of the user, or rows of others."""

CONTROLS = (480, 0, 37)
"""Samples of control periods that cases have in turn; 0 for no envelopes."""

HOUR_TEN = 36_000 * 48_000 + 7


@cache
def in_kernels() -> list[type[Processor]]:
    """Kinds of processors whose way from settings to sound is in kernels."""
    groups = {kind.settings.name for kind in find_processors()}
    found = []
    for kind, made in processor_kinds().items():
        if kind in NOT_OURS:
            continue
        stream = settings(np.random.default_rng(0), made).stream(sample_rate=48_000.0, channels=1)
        if type(getattr(stream, "settings", None)).__name__ in groups:
            found.append(made)
    return found


def decibels(audio: Any, other: Any, least: float = 0.0) -> float:
    """Largest difference re the largest sample, or re a least size."""
    assert audio.shape == other.shape
    error, size = np.max(np.abs(audio - other), initial=0.0), np.max(np.abs(other), initial=least)
    return -np.inf if error == 0.0 else float(20.0 * np.log10(error / size))


def not_arrived(asked: Asked, latency: int) -> float:
    """Size of the input, where none of its sound has come out yet: what has is ends of filters, 500 dB down."""
    return float(np.max(np.abs(asked.audio), initial=0.0)) if latency >= asked.audio.shape[1] else 0.0


def drawn_case(number: int, samples: int, processor: Processor | None = None) -> tuple[Asked, Case]:
    """A chain, or the one given, at a random rate and place, cut at random, differently on both sides."""
    rng = np.random.default_rng(number)
    # Behind a stage that adds sound Python starts a stage earlier, which the C library leaves to its caller.
    effects = [kind for kind in in_kernels() if not kind().traits.adds_sound]
    made = chain(rng, effects) if processor is None else processor
    channels = int(rng.integers(1, 4))
    rate = float(rng.choice([22_050, 44_100, 48_000, 96_000, 192_000]))
    # Sound must come out: what filters let through ahead of it is rounding alone.
    samples += made.stream(sample_rate=rate, channels=channels).latency
    audio = 0.3 * rng.standard_normal((channels, samples))
    audio[:, samples * 3 // 4 :] = 0.0
    place, track = int(rng.choice([0, HOUR_TEN, rng.integers(10**9)])), int(rng.integers(3))

    def cuts() -> tuple[int, ...]:
        return tuple(int(count) for count in rng.integers(1, 400, 5))

    asked = Asked(made, audio, rate, cuts(), place, track, float(rng.choice([-60.0, -120.0])))
    case = Case(
        setup_of(made, sample_rate=rate, channels=channels),
        audio,
        rate,
        cuts(),
        place,
        track,
        block=int(rng.choice([1, 16, 64, 500])),
        sought=bool(rng.integers(2)),
        slow_from=int(rng.choice([0, 4096])),
        level_db=asked.level_db,
        room=4 * samples + 100,
        control=CONTROLS[number % len(CONTROLS)],
    )
    return asked, case


def _boost_db(processor: Processor) -> float:
    """By how much an equaliser behind a tape may raise what single precision has rounded before it."""
    if isinstance(processor, Chain):
        return max((_boost_db(stage.processor) for stage in processor), default=0.0)
    return processor.effective_boost_limit_db if isinstance(processor, TapeResponse) else 0.0


def _limited_db(processor: Processor, peak: float) -> float:
    """By how much the curve of a tape brings a peak down.

    What passes zero it leaves as it is, with all that was rounded at the size of the peak: a steep crossing, which
    few samples meet.
    """
    if isinstance(processor, Chain):
        return max((_limited_db(stage.processor, peak) for stage in processor), default=0.0)
    if not isinstance(processor, TapeResponse) or peak == 0.0:
        return 0.0
    return max(20.0 * float(np.log10(processor.field_gain * peak)), 0.0)


def single_excess_db(audio: Any, asked: Asked, came: Came) -> float:
    """How far beyond what single precision may be away from double an output is; below 0 for one that is near.

    A sample of 24 bits is rounded by one part in 2^24 at most, 144.5 dB down; some equalisers raise that, in all
    samples. What a curve raises beside the peaks that it brings down is counted for the largest difference, and
    not for the root of their mean square.
    """
    least = not_arrived(asked, came.latency)
    bound = 20.0 * float(np.log10(2.0**-24)) + _boost_db(asked.processor)
    peak = float(np.max(np.abs(asked.audio), initial=0.0))
    largest = decibels(audio, came.audio, least)
    error, size = np.sqrt(np.mean((audio - came.audio) ** 2)), np.max(np.abs(came.audio), initial=least)
    mean = -np.inf if error == 0.0 else float(20.0 * np.log10(error / size))
    beyond = largest - max(-110.0, bound + _limited_db(asked.processor, peak)), mean - max(-110.0, bound)
    return max(beyond) if came.audio.size else -np.inf
