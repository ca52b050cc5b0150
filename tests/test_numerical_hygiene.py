"""Every processor, at settings to the ends of their ranges, given what signals may be at worst.

New processors and new settings are found by themselves: settings are drawn from the declared ranges. What
becomes of a sound is the response less the response to silence, so that a source can keep these rules too.
"""

import tracemalloc
import types
from collections.abc import Callable
from typing import Any, Literal, Union, get_args, get_origin

import numpy as np
import pytest
from dummy_processors import Hiss, PreEcho
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from random_chains import limits

from tapeemu.chain import Chain
from tapeemu.errors import ParameterError
from tapeemu.processor import Processor, Settings
from tapeemu.processors import processor_kinds
from tapeemu.processors.fdn_reverb import FdnReverb
from tapeemu.validation import FloatArray

RATE = 48_000
HOUR_TEN = 36_000 * RATE
SHIPPED = {
    kind: made for kind, made in processor_kinds().items() if kind not in ("plugin_effect", "plugin_object")
}
KINDS: dict[str, type[Processor]] = {**SHIPPED, Hiss.kind: Hiss, PreEcho.kind: PreEcho}
every_kind = pytest.mark.parametrize("kind", KINDS)


def any_settings(examples: int) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """A test of every kind, with so many draws of its settings."""

    def tried(test: Callable[..., None]) -> Callable[..., None]:
        chosen = settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
        marked: Callable[..., None] = every_kind(chosen(given(data=st.data())(test)))
        return marked

    return tried


def values(annotation: Any, metadata: Any = ()) -> st.SearchStrategy[Any]:
    """Anything of a type within declared limits, the limits themselves often."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin in (Union, types.UnionType):
        return st.one_of(*(values(part, metadata) for part in arguments))
    if origin is Literal:
        return st.sampled_from(arguments)
    if origin is tuple:
        if arguments[-1] is Ellipsis:
            return st.lists(values(arguments[0]), max_size=2).map(tuple)
        return st.tuples(*(st.floats(0.05, 4000.0) for _ in arguments)).map(lambda pair: tuple(sorted(pair)))
    if annotation is type(None):
        return st.none()
    if annotation is bool:
        return st.booleans()
    low, high = limits(metadata)
    if annotation is int:
        return st.sampled_from([low or 0, high if high is not None else 2**31]) | st.integers(
            int(low or 0), int(high if high is not None else 2**31)
        )
    if annotation is float:
        low, high = (-1e3 if low is None else low), (1e3 if high is None else high)
        return st.sampled_from([low, high]) | st.floats(low, high)
    if isinstance(annotation, type) and issubclass(annotation, Settings):
        return drawn(annotation)
    raise NotImplementedError(f"no way to draw {annotation}")


@st.composite
def drawn(draw: Any, made: type[Settings]) -> Settings:
    """Settings of a class: each left out, at an end of its range, or anywhere inside."""
    chosen = {}
    for name, field in made.model_fields.items():
        if field.is_required() or draw(st.booleans()):
            chosen[name] = draw(values(field.annotation, field.metadata))
    try:
        return made(**chosen)
    except ParameterError:
        # Some go only together with others, or exclude each other.
        assume(len(chosen) > 1)
        for name in draw(st.permutations(sorted(chosen))):
            if made.model_fields[name].is_required():
                continue
            del chosen[name]
            try:
                return made(**chosen)
            except ParameterError:
                continue
        assume(False)
        raise


def signals(samples: int, rng: np.random.Generator) -> dict[str, FloatArray]:
    noise = rng.uniform(-1.0, 1.0, (2, samples))
    impulse = np.zeros((2, samples))
    impulse[:, samples // 3] = 1.0
    return {
        "full-scale square": np.tile(np.where(np.arange(samples) // 24 % 2, 1.0, -1.0), (2, 1)),
        "impulse": impulse,
        "0 dBFS noise": noise,
        "1e-30": 1e-30 * noise,
        "1e-300": 1e-300 * noise,
        "1e6": 1e6 * noise,
        "DC": np.ones((2, samples)),
        "steps of the Nyquist frequency": np.tile(np.where(np.arange(samples) % 2, 1.0, -1.0), (2, 1)),
    }


def check(processor: Processor, audio: FloatArray, name: str) -> None:
    before = audio.copy()
    result = processor(audio, sample_rate=RATE, tail_seconds=0.02)
    assert np.all(np.isfinite(result)), f"the output is finite: {processor!r} on {name}"
    silent = processor(np.zeros_like(audio), sample_rate=RATE, tail_seconds=0.02)
    gain = float(np.max(np.abs(result - silent))) / float(np.max(np.abs(audio)))
    assert gain <= 10.0 ** (processor.traits.peak_gain_db / 20.0), (
        f"the gain of a peak is within the trait peak_gain_db: {processor!r} on {name} has {gain:g}"
    )
    assert np.array_equal(audio, before), f"the input is never written to: {processor!r} on {name}"


@any_settings(30)
def test_any_settings_give_finite_and_bounded_output(kind: str, data: st.DataObject) -> None:
    holds_at_any_settings(kind, data)


@pytest.mark.long
@any_settings(300)
def test_many_settings_give_finite_and_bounded_output(kind: str, data: st.DataObject) -> None:
    holds_at_any_settings(kind, data)


def drawn_processor(kind: str, data: st.DataObject) -> Processor:
    processor = data.draw(drawn(KINDS[kind]))
    assert isinstance(processor, Processor)
    return processor


def holds_at_any_settings(kind: str, data: st.DataObject) -> None:
    processor = drawn_processor(kind, data)
    available = signals(3000, np.random.default_rng(1))
    name = data.draw(st.sampled_from(sorted(available)))
    check(processor, available[name], name)


@every_kind
def test_every_signal_at_the_defaults(kind: str) -> None:
    for name, audio in signals(6000, np.random.default_rng(2)).items():
        check(KINDS[kind](), audio, name)


def until_silent(processor: Processor, audio: FloatArray, rate: int) -> None:
    """Feed silence behind the audio until the output is exactly that of silence; it must stay so, and soon enough.

    Double precision reaches down to about -6150 dB, and to -6470 dB with denormals; what decays must have
    been put out long before.
    """
    stream = processor.stream(sample_rate=rate, channels=audio.shape[0])
    # The same without the sound: zero, unless the processor adds some of its own.
    beside = processor.stream(sample_rate=rate, channels=audio.shape[0])
    stream.process(audio)
    beside.process(np.zeros_like(audio))
    block = 2**14
    silence = np.zeros((audio.shape[0], block))
    longest = stream.tail_samples(-2300.0) + stream.latency + 20 * rate
    # An echo may come behind blocks of nothing.
    echoing = stream.tail_samples(-2300.0) + stream.latency if processor.traits.neighbours else 0
    fed = 0
    while True:
        result = stream.process(silence) - beside.process(silence)
        fed += block
        size = np.abs(result[result != 0.0])
        assert not np.any(size < np.finfo(np.float64).tiny), f"{processor!r} leaves denormals"
        if not size.size and fed >= echoing:
            break
        assert fed < longest, f"{processor!r} still sounds at {size.max():g} after {fed / rate:.1f} s"
    gone = np.array_equal(stream.process(silence), beside.process(silence))
    assert gone, f"what has decayed to silence stays silence: {processor!r}"


@every_kind
@pytest.mark.parametrize(
    ("level", "rate"),
    [
        (1.0, RATE),
        # A decay takes fewer samples at a lower rate.
        (1e-30, 8_000),
        (1e6, 8_000),
        *(pytest.param(level, RATE, marks=pytest.mark.long) for level in (1e-30, 1e6)),
    ],
)
def test_silence_becomes_exact_zero(kind: str, level: float, rate: int) -> None:
    audio = level * np.random.default_rng(3).uniform(-1.0, 1.0, (2, 4000))
    until_silent(KINDS[kind](), audio, rate)
    until_silent(KINDS[kind](), np.full((2, 4000), level), rate)


@any_settings(8)
def test_silence_becomes_exact_zero_at_any_settings(kind: str, data: st.DataObject) -> None:
    falls_silent_at_any_settings(kind, data)


@pytest.mark.long
@any_settings(60)
def test_silence_becomes_exact_zero_at_many_settings(kind: str, data: st.DataObject) -> None:
    falls_silent_at_any_settings(kind, data)


def falls_silent_at_any_settings(kind: str, data: st.DataObject) -> None:
    processor = drawn_processor(kind, data)
    stream = processor.stream(sample_rate=8_000, channels=2)
    assume(stream.tail_samples(-2300.0) < 200 * 8_000)  # longer ones take minutes of audio to fade
    until_silent(processor, np.random.default_rng(4).uniform(-1.0, 1.0, (2, 2000)), 8_000)


def test_a_minute_of_decay_is_finite() -> None:
    processor = FdnReverb(decay_seconds=60.0, low_decay_ratio=1.0, high_decay_ratio=1.0, lines=8)
    result = processor(np.ones((2, 4000)), sample_rate=8_000, tail_seconds=60.0)
    assert np.all(np.isfinite(result))
    assert np.abs(result[:, -8_000:]).max() < np.abs(result).max() / 30.0


@every_kind
def test_hour_ten_is_the_same_from_anywhere(kind: str) -> None:
    """A stream that has run for a while, and one that starts where it has got to: the same bits from there."""
    processor = KINDS[kind]()
    audio = np.random.default_rng(5).uniform(-0.3, 0.3, (2, 3000))
    lead = 50_001
    long = processor(
        np.concatenate([np.zeros((2, lead)), audio], axis=1), sample_rate=RATE, start_sample=HOUR_TEN - lead
    )
    short = processor(audio, sample_rate=RATE, start_sample=HOUR_TEN)
    assert np.array_equal(long[:, lead:], short), "the sound of a place on the tape is the same from anywhere"
    assert np.any(short), "sound comes out at hour ten"


def test_hour_ten_is_the_same_for_a_whole_chain() -> None:
    chain = Chain(stages=[made() for made in KINDS.values()])
    audio = np.random.default_rng(5).uniform(-0.3, 0.3, (2, 3000))
    lead = 30_011
    long = chain(
        np.concatenate([np.zeros((2, lead)), audio], axis=1), sample_rate=RATE, start_sample=HOUR_TEN - lead
    )
    short = chain(audio, sample_rate=RATE, start_sample=HOUR_TEN)
    assert np.array_equal(long[:, lead:], short), "the sound of a place on the tape is the same from anywhere"


@pytest.mark.parametrize("speed_error_percent", [0.0, 0.7, -3.0])
def test_hour_ten_is_the_same_behind_a_source(speed_error_percent: float) -> None:
    """What a reverb has heard of a hiss before a render began is heard in it: to 120 dB below, as is stated."""
    chain = Chain(
        [
            Hiss(level_dbfs=-20.0),
            FdnReverb(decay_seconds=0.3),
            KINDS["wow_flutter"](speed_error_percent=speed_error_percent),
            KINDS["preamp_drive"](high_pass_hz=30.0),
        ]
    )
    # At another speed both runs are cut out of the same run of the tape, so no sample lies between.
    lead = 100_000
    audio = np.random.default_rng(5).uniform(-0.3, 0.3, (2, 6000))
    stream = chain.stream(sample_rate=RATE, channels=2, start_sample=HOUR_TEN)
    early = round(HOUR_TEN * stream.length_ratio) - round((HOUR_TEN - lead) * stream.length_ratio)
    led = np.concatenate([np.zeros((2, lead)), audio], axis=1)
    long = chain(led, RATE, start_sample=HOUR_TEN - lead)[:, early:]
    short = chain(audio, RATE, start_sample=HOUR_TEN)
    count = min(long.shape[1], short.shape[1])
    off = np.sqrt(np.mean((long[:, :count] - short[:, :count]) ** 2)) / np.sqrt(np.mean(short**2))
    assert off < 1e-6, f"a chain behind a source is started early enough: {20.0 * np.log10(off):.0f} dB off"


@every_kind
@pytest.mark.parametrize("start", [0, HOUR_TEN, 2**40, -(2**40)])
def test_any_place_on_the_tape_is_finite(kind: str, start: int) -> None:
    audio = np.random.default_rng(6).uniform(-0.3, 0.3, (2, 2000))
    result = KINDS[kind]()(audio, sample_rate=RATE, start_sample=start)
    assert np.all(np.isfinite(result)), "the output is finite at any place on the tape"
    assert np.any(result), "sound comes out at any place on the tape"


@every_kind
@pytest.mark.parametrize("turns", [60, pytest.param(150, marks=pytest.mark.long)])
def test_memory_does_not_grow_with_the_stream(kind: str, turns: int) -> None:
    block = np.random.default_rng(7).uniform(-0.3, 0.3, (1, 4096))
    tracemalloc.start()
    stream = KINDS[kind]().stream(sample_rate=RATE, channels=1)
    peaks = []
    for _ in range(3):
        for _ in range(turns):
            stream.process(block)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.reset_peak()
    tracemalloc.stop()
    assert peaks[2] - peaks[1] < 660 * turns  # the audio of a block alone is 32 kB
