"""Every processor, every rule of the conventions. New processors are found and covered by themselves.

A processor may add sound of its own. So rules about what becomes of a sound are read from the answer to it: the
response less the response to silence. Only the rule about silence asks whether a processor is a source. Two
dummies stand among the processors for what none of the shipped ones does: a source, and one that hears ahead.
"""

import pickle
import pydoc
import re
import threading
import tomllib
from typing import Any

import numpy as np
import pytest
import tomlkit
from dummy_processors import Hiss, PreEcho
from fed_blocks import in_blocks
from hypothesis import given, settings
from hypothesis import strategies as st

import tapeemu
from tapeemu import chain as chain_module
from tapeemu.chain import STAGE_KEYS, Chain, Stage
from tapeemu.errors import AudioError, ParameterError
from tapeemu.processor import Processor
from tapeemu.processors import processor_kinds
from tapeemu.processors.plugin_effect import PluginEffect, PluginObject
from tapeemu.validation import FloatArray

RATE = 48_000
SAMPLES = 9_001

# Settings beyond the defaults; required ones must stand here.
VARIANTS: dict[str, list[dict[str, Any]]] = {
    "plugin_effect": [
        {"effect": "HighpassFilter", "parameters": {"cutoff_frequency_hz": 200.0}},
        {"effect": "Chorus", "parameters": {"depth": 0.5}},
        {"effect": "LadderFilter", "parameters": {"mode": "LPF24", "cutoff_hz": 12_000.0}},
        {"effect": "Delay", "parameters": {"delay_seconds": 0.01, "feedback": 0.3}},
    ],
    "wow_flutter": [
        {},
        {"weighted_flutter_percent": 0.4, "profile": "cassette", "seed": 3},
        {"speed_error_percent": -0.7},
        {"speed_error_percent": 0.7},
    ],
    "amplitude_flutter": [{}, {"mode": "spacing", "dropouts_per_minute": 600.0}, {"channel_correlation": 0.4}],
    "preamp_drive": [{}, {"drive_db": 18.0}, {"thd_percent": 1.0}],
    "tape_magnetisation": [{}, {"drive_db": 6.0}],
    "splices": [
        {},
        {"splices": [{"at_seconds": 0.06, "shift_seconds": -0.03}, {"at_seconds": 0.1}]},
        {
            "splices": [
                {"at_seconds": -0.04, "shift_seconds": 0.03},
                {"at_seconds": -0.02},
                {"at_seconds": 0.15, "blank": True},
            ]
        },
    ],
    "start_stop": [
        {},
        {
            "events": [
                {"action": "start", "at_seconds": -0.21, "time_constant_seconds": 0.03},
                {"action": "stop", "at_seconds": 0.05, "time_constant_seconds": 0.02},
            ]
        },
        {
            "start_law": "catching_up",
            "events": [{"action": "start", "at_seconds": -8.5, "time_constant_seconds": 0.02}],
        },
    ],
    "tape_noise": [{}, {"hiss": False, "hum_db": -50.0}, {"hiss": False, "modulation_noise_db": -40.0}],
    "tape_response": [{}, {"face_length_mm": 0.0, "bass_time_constant_us": 3180.0, "sol_10khz_db": 5.0}],
    "fdn_reverb": [{}, {"lines": 8}, {"lines": 32}],
    "crosstalk": [{}],
    "print_through": [
        {"level_db": -20.0, "hub_radius_mm": 6.0, "full_radius_mm": 6.1},
        {
            "pre_echo": False,
            "level_db": -30.0,
            "hub_radius_mm": 6.0,
            "full_radius_mm": 60.0,
            "stored": "heads_out",
        },
    ],
    "head_azimuth": [{}, {"azimuth_urad": -4_000.0, "wander_urad": 0.0}],
    "erase_residue": [
        {"residue_db": -30.0, "bass_rise_db": 18.0, "bass_corner_hz": 10.0, "earlier_seconds": 0.1},
        {"residue_db": -50.0, "bass_rise_db": 0.0, "earlier_seconds": 0.12},
    ],
}
NOT_SERIALISABLE = {"plugin_object"}
DUMMIES: dict[str, type[Processor]] = {made.kind: made for made in (Hiss, PreEcho)}


def examples() -> list[Any]:
    found = []
    for kind, processor_class in processor_kinds().items():
        if kind in NOT_SERIALISABLE:
            continue
        for chosen in VARIANTS.get(kind, [{}]):
            found.append(pytest.param(processor_class(**chosen), id=f"{kind}-{len(found)}"))
    found.append(
        pytest.param(
            Chain(
                stages=[
                    Stage(processor=PluginEffect(effect="Delay"), mix_percent=40.0),
                    Chain(stages=[PluginEffect(effect="HighpassFilter"), tapeemu.WowFlutter()]),
                    tapeemu.PreampDrive(),
                    Stage(processor=tapeemu.WowFlutter(seed=2), mix_percent=50.0, name="flanger"),
                    Stage(processor=tapeemu.FdnReverb(), bypass=True),
                ]
            ),
            id="chain",
        )
    )
    behind_a_source = [
        PreEcho(),
        Hiss(level_dbfs=-30.0),
        tapeemu.WowFlutter(speed_error_percent=0.7),
        Stage(processor=tapeemu.FdnReverb(decay_seconds=0.1), mix_percent=50.0),
        Chain([tapeemu.PreampDrive(high_pass_hz=30.0), Hiss(level_dbfs=-60.0, seed=4), PreEcho(level_db=-20.0)]),
    ]
    found += [
        pytest.param(Hiss(), id="dummy_hiss"),
        pytest.param(PreEcho(), id="dummy_pre_echo"),
        pytest.param(Chain(behind_a_source), id="chain-behind-a-source"),
    ]
    return found


@pytest.fixture(autouse=True)
def dummies_are_kinds(monkeypatch: pytest.MonkeyPatch) -> None:
    """A chain finds the dummies by their kind, as it finds the shipped processors."""
    monkeypatch.setattr(chain_module, "processor_kinds", lambda: {**processor_kinds(), **DUMMIES})


every_processor = pytest.mark.parametrize("processor", examples())


def noise(channels: int, samples: int = SAMPLES, seed: int = 1) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.5, 0.5, (channels, samples))


def answer(processor: Processor, audio: FloatArray, **where: Any) -> FloatArray:
    """What a processor does to a sound: its response less its response to silence."""
    result = processor(audio, RATE, **where) - processor(np.zeros_like(audio), RATE, **where)
    return np.asarray(result)


def same(got: Any, expected: Any, rule: str) -> None:
    """Two signals are the same samples; if not, the rule is named, and where it is broken first."""
    assert got.shape == expected.shape, f"{rule}: {got.shape} samples instead of {expected.shape}"
    differs = np.argwhere(got != expected)
    if differs.size:
        first = tuple(min(differs, key=lambda place: place[-1]))
        raise AssertionError(
            f"{rule}: {len(differs)} of {got.size} samples differ, the first at {first} "
            f"({got[first]:.17g} instead of {expected[first]:.17g})"
        )


def run_blocks(processor: Processor, audio: FloatArray, sizes: list[int], tail: int = 500) -> FloatArray:
    """Feed a new stream blocks of the given sizes; see :func:`fed_blocks.in_blocks`."""
    return in_blocks(processor.stream(sample_rate=RATE, channels=audio.shape[0]), audio, sizes, tail=tail)


SCHEDULES = {
    "growing": [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 2048, 4096],
    "shrinking": [5000, 2500, 800, 300, 77, 10, 3, 37],
    "zeros between": [0, 100, 0, 0, 1, 0, 3000, 0, 511],
    "primes": [2, 3, 5, 7, 11, 13, 8191, 101, 997],
}


@every_processor
def test_any_block_schedule_gives_the_samples_of_one_block(processor: Processor) -> None:
    audio = noise(2)
    whole = run_blocks(processor, audio, [SAMPLES])
    assert np.any(whole), "a processor lets sound out"
    for schedule, sizes in SCHEDULES.items():
        cut = run_blocks(processor, audio, sizes)
        same(cut, whole, f"any block schedule gives the samples of one block ({schedule})")


@every_processor
def test_single_samples_give_the_samples_of_one_block(processor: Processor) -> None:
    audio = noise(1, 700)
    one_by_one, whole = run_blocks(processor, audio, [1]), run_blocks(processor, audio, [700])
    same(one_by_one, whole, "single samples give the samples of one block")


@settings(deadline=None)
@given(sizes=st.lists(st.integers(0, 1500), min_size=1, max_size=12), start=st.integers(-(10**9), 10**9))
def test_any_schedule_at_any_place_on_the_tape(sizes: list[int], start: int) -> None:
    chain = Chain(stages=[tapeemu.WowFlutter(), tapeemu.AmplitudeFlutter(), tapeemu.PreampDrive()])
    audio = noise(2, 1200)
    stream = chain.stream(sample_rate=RATE, channels=2, start_sample=start)
    late = in_blocks(stream, audio, [*sizes, 1200], tail=0)
    aligned = chain(audio, sample_rate=RATE, start_sample=start)
    same(late[:, stream.latency :], aligned, "a stream without its latency is the whole-file call")


@every_processor
def test_each_channel_alone_equals_all_together(processor: Processor) -> None:
    if processor.traits.mixes_channels or processor.traits.channels_differ:
        pytest.skip("says that a channel depends on the others or on its number")
    audio = noise(3)
    together = processor(audio, sample_rate=RATE)
    for channel in range(3):
        rule = "without the traits mixes_channels and channels_differ, each channel alone is that of all together"
        same(processor(audio[channel], sample_rate=RATE), together[channel], rule)
    assert not np.array_equal(together[0], together[1]), "different channels come out different"


@every_processor
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("shape", [(2000,), (1, 2000), (2, 2000), (33, 2000)])
def test_shape_and_type_come_back(processor: Processor, shape: tuple[int, ...], dtype: Any) -> None:
    audio = np.random.default_rng(2).uniform(-0.5, 0.5, shape).astype(dtype)
    before = audio.copy()
    stream = processor.stream(sample_rate=RATE, channels=1 if len(shape) == 1 else shape[0])
    result = processor(audio, sample_rate=RATE, tail_seconds=0.01)
    assert result.dtype == dtype
    assert result.shape == (*shape[:-1], round(2000 * stream.length_ratio) + 480)
    assert np.all(np.isfinite(result)), "the output is finite"
    same(audio, before, "the input is never written to")


@every_processor
def test_single_precision_input_gives_the_same_sound(processor: Processor) -> None:
    audio = noise(2).astype(np.float32)
    single = processor(audio, sample_rate=RATE)
    double = processor(audio.astype(np.float64), sample_rate=RATE)
    np.testing.assert_allclose(single, double, atol=2e-7 * max(1.0, np.abs(double).max()))


@every_processor
def test_memory_layout_of_the_input_does_not_matter(processor: Processor) -> None:
    audio = noise(2)
    strided = np.repeat(audio, 2, axis=1)[:, ::2]
    fortran = np.asfortranarray(audio)
    read_only = audio.copy()
    read_only.flags.writeable = False
    expected = processor(audio, sample_rate=RATE)
    for variant in (strided, fortran, read_only):
        same(processor(variant, sample_rate=RATE), expected, "the memory layout of the input does not matter")


@every_processor
def test_the_same_call_gives_the_same(processor: Processor) -> None:
    audio = noise(2)
    same(processor(audio, sample_rate=RATE), processor(audio, sample_rate=RATE), "the same call gives the same")


@every_processor
def test_two_streams_at_once_do_not_touch_each_other(processor: Processor) -> None:
    inputs = [noise(2, seed=1), noise(2, seed=2)]
    expected = [run_blocks(processor, audio, [300]) for audio in inputs]
    results: dict[int, FloatArray] = {}

    def work(index: int) -> None:
        results[index] = run_blocks(processor, inputs[index], [300])

    threads = [threading.Thread(target=work, args=(index,)) for index in (0, 1)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for index in (0, 1):
        same(results[index], expected[index], "two streams at once do not touch each other")


@every_processor
def test_output_length_is_as_stated(processor: Processor) -> None:
    for samples in (0, 1, 997):
        stream = processor.stream(sample_rate=RATE, channels=2)
        audio = noise(2, samples)
        total = stream.process(audio).shape[1] + stream.flush(123).shape[1]
        stated = stream.latency + round(samples * stream.length_ratio) + 123
        assert total == stated, "a stream gives as many samples as it states, at its latency and length ratio"


@every_processor
def test_a_longer_tail_only_adds_samples(processor: Processor) -> None:
    audio = noise(2, 4000)
    short, longer, longest = (processor(audio, sample_rate=RATE, tail_seconds=tail) for tail in (0.0, 0.01, 0.3))
    same(longer[:, : short.shape[1]], short, "a longer tail only adds samples")
    same(longest[:, : longer.shape[1]], longer, "a longer tail only adds samples")


@every_processor
def test_a_lead_only_adds_samples(processor: Processor) -> None:
    audio = noise(2, 2000)
    latency = processor.stream(sample_rate=RATE, channels=2).latency
    plain = processor(audio, RATE, tail_seconds=0.01)
    for lead in {latency // 2, latency}:
        led = processor(audio, RATE, tail_seconds=0.01, lead_seconds=lead / RATE)
        same(led[:, lead:], plain, "a lead only adds samples in front")
    with pytest.raises(ParameterError, match=r"lead_seconds is .* ahead; put silence before"):
        processor(audio, RATE, lead_seconds=(latency + 1) / RATE)


@every_processor
def test_lead_declared_is_lead_measured(processor: Processor) -> None:
    """A sound begins late in a recording; what comes earlier than the declared lead is under the level.

    20 ms are left to the ringing of linear-phase filters and to flutter, neither of which hears ahead on purpose.
    """
    first = 9_000
    audio = np.zeros((2, first + 3000))
    audio[:, first:] = noise(2, 3000)
    stream = processor.stream(sample_rate=RATE, channels=2, start_sample=-first)
    lead = stream.lead_samples(-60.0)
    assert lead <= stream.latency, "a stream cannot hear further ahead than it is late"
    result = answer(processor, audio, start_sample=-first)
    begins = round(first * stream.length_ratio)
    before = result[:, : begins - lead - 960]
    heard = np.sqrt(np.mean(result[:, begins:] ** 2))
    assert np.sqrt(np.mean(before**2)) <= 1e-3 * heard, "what sounds before the declared lead is below its level"
    if lead:
        led = np.sqrt(np.mean(result[:, begins - lead : begins] ** 2))
        assert led > 1e-3 * heard, "a declared lead holds sound"


def settings_of(kind: str) -> list[Any]:
    return [{**processor_kinds(), **DUMMIES}[kind](**chosen) for chosen in VARIANTS.get(kind, [{}])]


@st.composite
def chains(draw: Any, depth: int = 2) -> Chain:
    """Any processors in any order: mixed, bypassed, nested, at wrong speeds."""
    known = [
        example
        for kind in (*processor_kinds(), *DUMMIES)
        if kind not in NOT_SERIALISABLE
        for example in settings_of(kind)
    ]
    leaf = st.sampled_from(known)
    stages = [
        Stage(processor=processor, name=f"s{number}", mix_percent=share, bypass=bypass)
        for number, (processor, share, bypass) in enumerate(
            draw(
                st.lists(
                    st.tuples(
                        st.one_of(leaf, leaf, chains(depth - 1)) if depth else leaf,
                        st.sampled_from([100.0, 100.0, 0.0, 40.0]),
                        st.sampled_from([False, False, False, True]),
                    ),
                    min_size=2 if depth == 2 else 0,
                    max_size=4,
                )
            )
        )
    ]
    return Chain(stages=stages)


@given(
    chain=chains(),
    samples=st.sampled_from([3000, 2000, 1000, 50, 1, 0]),
    start=st.sampled_from([0, -(10**6), 10**9]),
    tails=st.tuples(st.integers(0, 300), st.integers(100, 6000)),
)
@settings(max_examples=12, deadline=None)
def test_a_longer_tail_only_adds_samples_to_any_chain(
    chain: Chain, samples: int, start: int, tails: tuple[int, int]
) -> None:
    audio = noise(2, samples)
    few, more = tails[0], tails[0] + tails[1]
    rule = "a longer tail only adds samples, and intermediates and streams say what the call says"
    short = chain(audio, sample_rate=RATE, tail_seconds=few / RATE, start_sample=start)
    longer = chain(audio, sample_rate=RATE, tail_seconds=more / RATE, start_sample=start)
    assert longer.shape[1] == short.shape[1] + tails[1]
    same(longer[:, : short.shape[1]], short, rule)
    # What leaves each stage, and a stream that gets silence instead of an end, say the same.
    kept = chain.intermediates(audio, sample_rate=RATE, tail_seconds=few / RATE, start_sample=start)
    if kept:
        same(list(kept.values())[-1], short, rule)
    stream = chain.stream(sample_rate=RATE, channels=2, start_sample=start)
    fed = np.concatenate([stream.process(audio), *(stream.process(np.zeros((2, 700))) for _ in range(9))], axis=1)
    heard = fed[:, stream.latency :][:, : longer.shape[1]]
    same(heard, longer[:, : heard.shape[1]], rule)


@every_processor
def test_latency_declared_is_latency_measured(processor: Processor) -> None:
    """A pulse of noise goes in; the whole-file call must return it where it was.

    The lag is read from the peak of the cross-correlation, which a random pulse makes sharp. With a speed
    error of 0.7 % sample 4000 has moved by 28 samples.
    """
    if "effect='Delay'" in repr(processor) or "effect='Chorus'" in repr(processor):
        pytest.skip("delays on purpose")
    pulse = np.random.default_rng(3).uniform(-0.1, 0.1, 1000)
    audio = np.zeros((1, 8000))
    audio[0, 3000:4000] = pulse
    lags = []
    # Flutter moves everything but the start of the tape, so the pulse starts there, on several tapes.
    for seed in range(24 if "utter" in repr(processor) else 1):
        tape = processor.with_seed(seed)
        result = answer(tape, audio, start_sample=-3000, tail_seconds=0.1)[0]
        lags.append(int(np.argmax(np.abs(np.correlate(result[:8000], pulse, "valid")))) - 3000)
    drift = 0.007 * 4000.0 if "speed_error_percent" in repr(processor) else 0.0
    within = (6.0 if len(lags) > 1 else 1.0) + drift
    assert np.max(np.abs(lags)) <= within, "the declared latency is the measured one: output is aligned with input"


@every_processor
def test_tail_declared_is_tail_measured(processor: Processor) -> None:
    """After the declared tail, the response to full-band noise has fallen by what was asked."""
    level_db = -60.0
    audio = noise(2, 4000)
    stream = processor.stream(sample_rate=RATE, channels=2)
    tail = stream.tail_samples(level_db)
    result = answer(processor, audio, tail_seconds=(tail + 4800) / RATE)
    heard = result[:, : round(4000 * stream.length_ratio)]
    rest = result[:, round(4000 * stream.length_ratio) + tail :]
    assert rest.shape[1] >= 4800
    allowed = 10 ** (level_db / 20.0) * np.sqrt(np.mean(heard**2))
    assert np.sqrt(np.mean(rest**2)) <= allowed, "after the declared tail the answer is below its level"


@every_processor
def test_settings_to_repr_to_settings(processor: Processor) -> None:
    names = {cls.__name__: cls for cls in (*processor_kinds().values(), *DUMMIES.values(), Chain, Stage)}
    for module in {type(processor).__module__, "tapeemu.processors.wow_flutter"}:
        names.update(vars(__import__(module, fromlist=["x"])))
    assert eval(repr(processor), names) == processor


@every_processor
def test_settings_to_toml_to_settings(processor: Processor) -> None:
    text = tomlkit.dumps(processor.to_dict())
    again = type(processor).from_dict(tomllib.loads(text))
    assert again == processor
    assert again.to_dict() == processor.to_dict()


@every_processor
def test_a_pickled_processor_is_the_same(processor: Processor) -> None:
    again = pickle.loads(pickle.dumps(processor))
    assert again == processor
    audio = noise(1, 500)
    same(again(audio, sample_rate=RATE), processor(audio, sample_rate=RATE), "a pickled processor sounds the same")


@every_processor
def test_schema_tells_every_setting(processor: Processor) -> None:
    schema = type(processor).model_json_schema(mode="validation")
    for name, field in type(processor).model_fields.items():
        assert field.description, f"{name} has no description"
        assert name in schema["properties"]


@every_processor
def test_settings_are_frozen_and_refuse_unknown_names(processor: Processor) -> None:
    with pytest.raises(Exception, match="frozen"):
        processor.extra = 1  # type: ignore[attr-defined]
    with pytest.raises(ParameterError, match="not a setting"):
        type(processor)(**{**{n: getattr(processor, n) for n in type(processor).model_fields}, "colour": 1})


@every_processor
def test_setting_names_do_not_hide_a_stage_key(processor: Processor) -> None:
    taken = {"kind", *STAGE_KEYS} & set(type(processor).model_fields)
    assert not taken, f"{taken} would hide a setting of the stage"


@every_processor
def test_help_tells_every_setting_and_nothing_of_how_it_is_checked(processor: Processor) -> None:
    made = type(processor)
    told = pydoc.render_doc(made, renderer=pydoc.plaintext)
    for name in made.model_fields:
        assert re.search(rf"^ \|  {name} : ", told, re.MULTILINE), f"help() has a line for the setting {name}"
    assert "pydantic" not in told.replace("pydantic.main.BaseModel", "", 1), "help() shows no member of pydantic"
    assert not any(name.startswith("model_") for name in dir(processor)), "completion offers no member of pydantic"
    assert not {"kernels", "kernel_file", "kernel_settings", "stream_type"} & set(dir(made)), (
        "nor how it is computed"
    )


@every_processor
def test_a_call_takes_the_rate_by_place_or_by_name(processor: Processor) -> None:
    audio = noise(2, 300)
    same(processor(audio, RATE), processor(audio, sample_rate=RATE), "the rate may be given by place or by name")


@every_processor
def test_a_stream_refuses_what_it_cannot_process(processor: Processor) -> None:
    stream = processor.stream(sample_rate=RATE, channels=2)
    bad = noise(2, 100)
    bad[1, 7] = np.nan
    with pytest.raises(AudioError, match=r"1 sample that is not a finite number.*sample 7 of channel 1"):
        stream.process(bad)
    with pytest.raises(AudioError, match="the stream was made for 2"):
        stream.process(noise(3, 100))
    with pytest.raises(AudioError, match="integer type int16"):
        stream.process(np.zeros((2, 10), np.int16))
    with pytest.raises(ParameterError, match="sample_rate"):
        processor.stream(sample_rate=1, channels=2)
    stream.process(noise(2, 100))  # a refused block leaves the stream usable
    stream.flush()
    with pytest.raises(AudioError, match="at its end"):
        stream.process(noise(2, 100))
    with pytest.raises(AudioError, match="whole numbers"):
        processor(np.full((2, 100), 3000.0), sample_rate=RATE)


@every_processor
@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000])
def test_output_is_finite_and_not_silent_at_any_rate(processor: Processor, rate: int) -> None:
    result = processor(noise(2, 3000), sample_rate=rate)
    assert np.all(np.isfinite(result)), "the output is finite at any rate"
    assert np.any(result), "sound comes out at any rate"


@every_processor
def test_silence_stays_silence_unless_the_trait_says_otherwise(processor: Processor) -> None:
    silence = np.zeros((2, 3000))
    heard = processor(silence, RATE)
    assert bool(np.any(heard)) is processor.traits.adds_sound, "silence stays silence, unless a trait adds sound"
    other = processor(silence, RATE, track=1)
    if processor.traits.adds_sound and processor.traits.tracks_differ:
        power = float(np.sqrt(np.mean(heard**2) * np.mean(other**2)))
        # Of 3000 independent values the correlation is 0.02 by chance; coloured noise has fewer.
        alike = abs(float(np.mean((heard - heard.mean()) * (other - other.mean())))) / power
        assert alike < 0.2, "what is added to two tracks is independent"
    same(other, processor(silence, RATE, track=1), "what is added to a track repeats")


@every_processor
def test_nothing_depends_on_the_track_unless_the_trait_says_so(processor: Processor) -> None:
    if processor.traits.tracks_differ:
        pytest.skip("tracks differ")
    audio = noise(2, 2000)
    same(processor(audio, RATE, track=7), processor(audio, RATE), "the tape moves all its tracks alike")


def test_an_object_belongs_to_one_stream_at_a_time() -> None:
    import pedalboard

    held = PluginObject(effect=pedalboard.Delay())
    first = held.stream(sample_rate=RATE, channels=1)
    with pytest.raises(ParameterError, match="another stream"):
        held.stream(sample_rate=RATE, channels=1)
    first.flush()
    held.stream(sample_rate=RATE, channels=1)
