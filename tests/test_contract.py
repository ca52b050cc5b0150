"""Every processor, every rule of the conventions. New processors are found and covered by themselves."""

import pickle
import threading
import tomllib
from typing import Any

import numpy as np
import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

import tapeemu
from tapeemu.chain import Chain, Stage
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
    "fdn_reverb": [{}, {"lines": 8}, {"lines": 32}],
}
NOT_SERIALISABLE = {"plugin_object"}
# A stereo field mixes its channels by definition; a plug-in may do so too.
MIXES_CHANNELS = {"fdn_reverb", "plugin_effect"}


def examples() -> list[Any]:
    found = []
    for kind, processor_class in processor_kinds().items():
        if kind in NOT_SERIALISABLE:
            continue
        for values in VARIANTS.get(kind, [{}]):
            found.append(pytest.param(processor_class(**values), id=f"{kind}-{len(found)}"))
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
    return found


every_processor = pytest.mark.parametrize("processor", examples())


def noise(channels: int, samples: int = SAMPLES, seed: int = 1) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.5, 0.5, (channels, samples))


def run_blocks(processor: Processor, audio: FloatArray, sizes: list[int], tail: int = 500) -> FloatArray:
    """Feed blocks of the given sizes, the last one repeated until the audio is used up."""
    stream = processor.stream(sample_rate=RATE, channels=audio.shape[0])
    parts, start, turn = [], 0, 0
    while start < audio.shape[1]:
        size = sizes[min(turn, len(sizes) - 1)]
        parts.append(stream.process(audio[:, start : start + size]))
        start += size
        turn += 1
    parts.append(stream.flush(tail))
    return np.concatenate(parts, axis=1)


SCHEDULES = {
    "growing": [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 2048, 4096],
    "shrinking": [5000, 2500, 800, 300, 77, 10, 3, 37],
    "zeros between": [0, 100, 0, 0, 1, 0, 3000, 0, 511],
    "primes": [2, 3, 5, 7, 11, 13, 8191, 101, 997],
}


@every_processor
@pytest.mark.parametrize("schedule", SCHEDULES)
def test_any_block_schedule_gives_the_samples_of_one_block(processor: Processor, schedule: str) -> None:
    audio = noise(2)
    whole = run_blocks(processor, audio, [SAMPLES])
    cut = run_blocks(processor, audio, SCHEDULES[schedule])
    assert np.any(whole)
    np.testing.assert_array_equal(cut, whole)


@every_processor
def test_single_samples_give_the_samples_of_one_block(processor: Processor) -> None:
    audio = noise(1, 700)
    np.testing.assert_array_equal(run_blocks(processor, audio, [1]), run_blocks(processor, audio, [700]))


@settings(deadline=None)
@given(sizes=st.lists(st.integers(0, 1500), min_size=1, max_size=12), start=st.integers(-(10**9), 10**9))
def test_any_schedule_at_any_place_on_the_tape(sizes: list[int], start: int) -> None:
    chain = Chain(stages=[tapeemu.WowFlutter(), tapeemu.AmplitudeFlutter(), tapeemu.PreampDrive()])
    audio = noise(2, 1200)
    stream = chain.stream(sample_rate=RATE, channels=2, start_sample=start)
    parts, position = [], 0
    for size in [*sizes, 1200]:
        parts.append(stream.process(audio[:, position : position + size]))
        position += size
    parts.append(stream.flush())
    late = np.concatenate(parts, axis=1)
    aligned = chain(audio, sample_rate=RATE, start_sample=start)
    np.testing.assert_array_equal(late[:, stream.latency :], aligned)


@every_processor
def test_each_channel_alone_equals_all_together(processor: Processor) -> None:
    if processor.kind in MIXES_CHANNELS:
        pytest.skip("mixes channels by definition")
    if (
        isinstance(processor, tapeemu.AmplitudeFlutter)
        and processor(np.ones((2, 400)), sample_rate=RATE).std(axis=0).any()
    ):
        pytest.skip("has different gain in each channel by definition")
    audio = noise(3)
    together = processor(audio, sample_rate=RATE)
    for channel in range(3):
        np.testing.assert_array_equal(processor(audio[channel], sample_rate=RATE), together[channel])
    assert not np.array_equal(together[0], together[1])


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
    assert np.all(np.isfinite(result))
    np.testing.assert_array_equal(audio, before)


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
        np.testing.assert_array_equal(processor(variant, sample_rate=RATE), expected)


@every_processor
def test_repeatable(processor: Processor) -> None:
    audio = noise(2)
    np.testing.assert_array_equal(processor(audio, sample_rate=RATE), processor(audio, sample_rate=RATE))


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
        np.testing.assert_array_equal(results[index], expected[index])


@every_processor
def test_output_length_is_as_stated(processor: Processor) -> None:
    for samples in (0, 1, 997):
        stream = processor.stream(sample_rate=RATE, channels=2)
        audio = noise(2, samples)
        total = stream.process(audio).shape[1] + stream.flush(123).shape[1]
        assert total == stream.latency + round(samples * stream.length_ratio) + 123


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
        result = tape(audio, sample_rate=RATE, start_sample=-3000, tail_seconds=0.1)[0]
        lags.append(int(np.argmax(np.abs(np.correlate(result[:8000], pulse, "valid")))) - 3000)
    drift = 0.007 * 4000.0 if "speed_error_percent" in repr(processor) else 0.0
    assert np.max(np.abs(lags)) <= (6.0 if len(lags) > 1 else 1.0) + drift


@every_processor
def test_tail_declared_is_tail_measured(processor: Processor) -> None:
    """After the declared tail, the response to full-band noise has fallen by what was asked."""
    level_db = -60.0
    audio = noise(2, 4000)
    stream = processor.stream(sample_rate=RATE, channels=2)
    tail = stream.tail_samples(level_db)
    result = processor(audio, sample_rate=RATE, tail_seconds=(tail + 4800) / RATE)
    heard = result[:, : round(4000 * stream.length_ratio)]
    rest = result[:, round(4000 * stream.length_ratio) + tail :]
    assert rest.shape[1] >= 4800
    assert np.sqrt(np.mean(rest**2)) <= 10 ** (level_db / 20.0) * np.sqrt(np.mean(heard**2))


@every_processor
def test_settings_to_repr_to_settings(processor: Processor) -> None:
    names = {cls.__name__: cls for cls in (*processor_kinds().values(), Chain, Stage)}
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
def test_pickle(processor: Processor) -> None:
    again = pickle.loads(pickle.dumps(processor))
    assert again == processor
    np.testing.assert_array_equal(
        again(noise(1, 500), sample_rate=RATE), processor(noise(1, 500), sample_rate=RATE)
    )


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
    assert not {"kind", "name", "bypass", "mix_percent"} & set(type(processor).model_fields)


@every_processor
def test_the_door(processor: Processor) -> None:
    stream = processor.stream(sample_rate=RATE, channels=2)
    bad = noise(2, 100)
    bad[1, 7] = np.nan
    with pytest.raises(AudioError, match=r"1 sample\(s\).*sample 7 of channel 1"):
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
def test_other_sample_rates(processor: Processor, rate: int) -> None:
    result = processor(noise(2, 3000), sample_rate=rate)
    assert np.all(np.isfinite(result))
    assert np.any(result)


@every_processor
def test_silence_stays_silence(processor: Processor) -> None:
    assert not np.any(processor(np.zeros((2, 3000)), sample_rate=RATE))


def test_an_object_belongs_to_one_stream_at_a_time() -> None:
    import pedalboard

    held = PluginObject(effect=pedalboard.Delay())
    first = held.stream(sample_rate=RATE, channels=1)
    with pytest.raises(ParameterError, match="another stream"):
        held.stream(sample_rate=RATE, channels=1)
    first.flush()
    held.stream(sample_rate=RATE, channels=1)
