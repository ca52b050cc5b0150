"""Chains of processors: order, nesting, bypass, mixing, intermediate signals, what they declare."""

from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
import soundfile

import tapeemu
from tapeemu.chain import Chain, Stage
from tapeemu.errors import ParameterError
from tapeemu.processor import DelayStream, Processor, Stream, setting
from tapeemu.processors.plugin_effect import PluginEffect, PluginObject
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.render import render_file
from tapeemu.validation import FloatArray

RATE = 48_000


class Late(Processor):
    """Delays by a declared latency and multiplies by a gain that depends on the place on the tape."""

    kind: ClassVar[str] = "late"
    by_samples: int = setting(0, "Latency", unit="samples", ge=0)
    seed: int = setting(0, "Seed")

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        return LateStream(self, sample_rate=sample_rate, channels=channels, start_sample=start_sample)


class LateStream(Stream):
    def __init__(self, settings: Late, *, sample_rate: float, channels: int, start_sample: int) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        self.latency = settings.by_samples
        self._queue = np.zeros((channels, self.latency))
        self._place = start_sample

    def advance(self, block: FloatArray) -> FloatArray:
        places = self._place + np.arange(block.shape[1])
        self._place += block.shape[1]
        both = np.concatenate([self._queue, block * ramp(places)], axis=1)
        self._queue = both[:, block.shape[1] :]
        return both[:, : block.shape[1]]

    def tail_samples(self, level_db: float = -60.0) -> int:
        return 10 * self.latency


class DelayProcessor(Processor):
    """Nothing but a delay that is declared."""

    kind: ClassVar[str] = "delay"
    by_samples: int = setting(0, "Latency", unit="samples", ge=0)

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        return DelayStream(self.by_samples, sample_rate=sample_rate, channels=channels)


def ramp(places: Any) -> Any:
    return 1.0 + places / 1000.0


def gain(db: float) -> PluginEffect:
    return PluginEffect(effect="Gain", parameters={"gain_db": db})


def test_every_stage_sees_the_place_that_belongs_to_its_sound(rng: np.random.Generator) -> None:
    """Three late stages, each with a gain that is known on paper for every place: the product must be it."""
    chain = Chain(stages=[Late(by_samples=7), Late(by_samples=100), Late(by_samples=3)])
    audio = rng.standard_normal((2, 500)) * 0.1
    result = chain(audio, sample_rate=RATE, start_sample=40)
    np.testing.assert_allclose(result, audio * ramp(40 + np.arange(500)) ** 3, rtol=1e-12)


def test_latencies_and_tails_add_up() -> None:
    stream = Chain(stages=[Late(by_samples=7), Late(by_samples=100)]).stream(sample_rate=RATE, channels=1)
    assert stream.latency == 107
    assert stream.tail_samples() == 1070


def test_an_empty_chain_is_a_wire(rng: np.random.Generator) -> None:
    audio = rng.standard_normal((2, 100))
    result = Chain()(audio, sample_rate=RATE, tail_seconds=0.001)
    np.testing.assert_array_equal(result[:, :100], audio)
    assert result.shape == (2, 148)
    assert not np.shares_memory(result, audio)


def test_bypass_leaves_out_sound_and_latency(rng: np.random.Generator) -> None:
    chain = Chain(stages=[Stage(processor=Late(by_samples=50), bypass=True), Late(by_samples=5)])
    audio = rng.standard_normal((1, 100))
    assert chain.stream(sample_rate=RATE, channels=1).latency == 5
    np.testing.assert_allclose(chain(audio, sample_rate=RATE), audio * ramp(np.arange(100)), rtol=1e-12)


@pytest.mark.parametrize("share", [0.0, 25.0, 50.0, 100.0])
def test_mixing_is_with_the_equally_late_input(share: float, rng: np.random.Generator) -> None:
    chain = Chain(stages=[Stage(processor=Late(by_samples=33), mix_percent=share)])
    audio = rng.standard_normal((1, 200))
    expected = audio * (1.0 - share / 100.0 + share / 100.0 * ramp(np.arange(200)))
    np.testing.assert_allclose(chain(audio, sample_rate=RATE), expected, rtol=1e-12)


STILL = {"weighted_flutter_percent": 0.0}


@pytest.mark.parametrize("percent", [-3.0, -0.7, 0.4, 3.0])
@pytest.mark.parametrize("start", [0, 12_345, -(10**9)])
def test_a_tape_at_the_wrong_speed_is_mixed_with_its_input_at_that_speed(
    percent: float, start: int, rng: np.random.Generator
) -> None:
    """Without wow and flutter both sides are the same signal, so any share of it is that signal."""
    tape = tapeemu.WowFlutter(speed_error_percent=percent, **STILL)
    audio = rng.standard_normal((2, 3000)) * 0.1
    mixed = Chain(stages=[Stage(processor=tape, mix_percent=30.0)])
    arguments = {"sample_rate": RATE, "tail_seconds": 0.01, "start_sample": start}
    np.testing.assert_allclose(mixed(audio, **arguments), tape(audio, **arguments), atol=1e-15)


def test_a_chain_with_speed_errors_inside_is_mixed_with_its_input_at_its_speed(rng: np.random.Generator) -> None:
    """Two tapes and late stages between them: the input passes both tapes, as late, and none of the rest."""
    tapes = [tapeemu.WowFlutter(speed_error_percent=percent, **STILL) for percent in (2.0, -1.1)]
    inner = Chain(stages=[Late(by_samples=7), tapes[0], Late(by_samples=100), tapes[1]])
    stages = [Stage(processor=Late(by_samples=5)), Stage(processor=inner, mix_percent=0.0), Late(by_samples=3)]
    audio = rng.standard_normal((1, 4000)) * 0.1
    mixed = Chain(stages=stages)(audio, sample_rate=RATE)
    delayed = [DelayProcessor(by_samples=count) for count in (7, 100)]
    plain = Chain(stages=[delayed[0], tapes[0], delayed[1], tapes[1]])
    expected = Chain(stages=[stages[0], plain, stages[2]])(audio, sample_rate=RATE)
    np.testing.assert_allclose(mixed, expected, atol=1e-14)


def test_what_changes_length_in_a_way_of_its_own_cannot_be_mixed() -> None:
    class Shorter(LateStream):
        length_ratio = 0.5

    class Shortening(Late):
        kind: ClassVar[str] = "shortening"

        def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
            return Shorter(self, sample_rate=sample_rate, channels=channels, start_sample=start_sample)

    chain = Chain(stages=[Stage(processor=Shortening(), mix_percent=50.0)])
    with pytest.raises(ParameterError, match=r"by the factor 0\.5, .* set its mix_percent to 100"):
        chain.stream(sample_rate=RATE, channels=1)


def test_a_late_stage_is_flushed_with_what_the_earlier_ones_go_on_sounding() -> None:
    """An echo rings into a late stage: the end of the input is heard as if silence had followed it."""
    echo = PluginEffect(effect="Delay", parameters={"delay_seconds": 0.01, "feedback": 0.6, "mix": 0.5})
    chain = Chain(stages=[Stage(processor=echo, mix_percent=60.0), tapeemu.PreampDrive(), Late(by_samples=300)])
    audio = np.random.default_rng(3).uniform(-0.5, 0.5, (2, 2000))
    padded = np.concatenate([audio, np.zeros((2, 5000))], axis=1)
    np.testing.assert_array_equal(
        chain(audio, sample_rate=RATE, tail_seconds=0.05), chain(padded, sample_rate=RATE)[:, : 2000 + 2400]
    )


def test_a_file_gets_the_samples_of_the_call_however_its_tail_is_fed(tmp_path: Path) -> None:
    """A reverb before a late drive, and mixed tapes at wrong speeds; tails shorter and longer than a block."""
    slow = Stage(processor=tapeemu.WowFlutter(speed_error_percent=-1.0), mix_percent=50.0, name="slow")
    chain = Chain(stages=[tapeemu.FdnReverb(decay_seconds=2.4), slow, tapeemu.PreampDrive(thd_percent=1.0)])
    audio = np.random.default_rng(4).uniform(-0.1, 0.1, (2, 20_000))
    soundfile.write(tmp_path / "a.wav", audio.T, RATE, "DOUBLE")
    for tail in (0.0, 0.5, 3.0):
        delivery = Delivery(tail_seconds=tail, overwrite=True)
        render_file(tmp_path / "a.wav", chain, tmp_path / "b.wav", delivery=delivery)
        expected = chain(audio, sample_rate=RATE, tail_seconds=tail)
        np.testing.assert_array_equal(soundfile.read(tmp_path / "b.wav")[0].T, expected)


def test_nested_chains_equal_flat_ones(rng: np.random.Generator) -> None:
    a, b, c = Late(by_samples=4), gain(-3.0), Late(by_samples=11)
    audio = rng.standard_normal((2, 1500)) * 0.1
    flat = Chain(stages=[a, b, c])(audio, sample_rate=RATE)
    nested = Chain(stages=[Chain(stages=[a, Chain(stages=[b])]), c])(audio, sample_rate=RATE)
    np.testing.assert_array_equal(nested, flat)


def test_intermediate_signals_are_aligned_and_end_in_the_output(rng: np.random.Generator) -> None:
    chain = Chain(stages=[Late(by_samples=7), gain(6.0), Stage(processor=Late(by_samples=5), name="last")])
    audio = rng.standard_normal(400) * 0.1
    signals = chain.intermediates(audio, sample_rate=RATE, tail_seconds=0.01)
    assert list(signals) == ["late", "plugin_effect", "last"]
    np.testing.assert_allclose(signals["late"][:400], audio * ramp(np.arange(400)), rtol=1e-12)
    np.testing.assert_allclose(
        signals["plugin_effect"], signals["late"] * 10 ** (6.0 / 20.0), rtol=1e-6, atol=1e-9
    )
    np.testing.assert_array_equal(signals["last"], chain(audio, sample_rate=RATE, tail_seconds=0.01))
    with pytest.raises(ParameterError, match="tail_seconds is -1"):
        chain.intermediates(audio, sample_rate=RATE, tail_seconds=-1.0)


def test_order_matters_and_can_be_changed() -> None:
    chain = Chain(
        stages=[
            Stage(processor=gain(20.0), name="up"),
            Stage(processor=PluginEffect(effect="Clipping"), name="clip"),
        ]
    )
    audio = np.full(600, 0.5)
    before = chain(audio, sample_rate=RATE)
    after = chain.reordered(["clip", "up"])(audio, sample_rate=RATE)
    assert after.max() > 3.0 > 1.0 > before.max()


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["up"], "order is 'up', which moves nothing; name two or more of the stages: up, clip"),
        ([], "order is '', which moves nothing"),
        (["up", "up"], "order is 'up, up', but names 'up' more than once"),
        (["up", "down"], "but 'down' is not a stage; the stages are: up, clip"),
    ],
)
def test_an_order_that_moves_nothing_or_is_none_is_refused(names: list[str], words: str) -> None:
    chain = Chain(stages=[Stage(processor=gain(1.0), name="up"), Stage(processor=gain(2.0), name="clip")])
    with pytest.raises(ParameterError, match=words):
        chain.reordered(names)


def test_names_are_made_unique_and_doubles_refused() -> None:
    assert Chain(stages=[gain(1.0), gain(1.0), Late()]).names == ("plugin_effect", "plugin_effect_2", "late")
    named = Stage(processor=gain(1.0), name="plugin_effect")
    assert Chain(stages=[gain(1.0), named]).names == ("plugin_effect_2", "plugin_effect")
    with pytest.raises(ParameterError, match="names must differ, but 'plugin_effect' stands 2 times"):
        Chain(stages=[named, named])


def test_one_setting_of_one_stage_can_be_changed() -> None:
    chain = Chain(stages=[Stage(processor=Chain(stages=[Late()]), name="inner"), gain(1.0)])
    assert (
        chain.with_setting("inner.late", "by_samples", 9).stages[0].processor.stages[0].processor.by_samples == 9
    )  # type: ignore[attr-defined]
    assert chain.with_setting("inner", "bypass", True).stages[0].bypass
    with pytest.raises(ParameterError, match="there is no stage 'outer'; the stages are: inner, plugin_effect"):
        chain.with_setting("outer", "by_samples", 9)
    with pytest.raises(ParameterError, match="'plugin_effect' is not a chain"):
        chain.with_setting("plugin_effect.late", "by_samples", 9)
    with pytest.raises(ParameterError, match="did you mean 'by_samples'"):
        chain.with_setting("inner.late", "by_sample", 9)


def test_another_tape_reaches_every_stage_and_survives_reordering() -> None:
    chain = Chain(stages=[Stage(processor=Late(seed=1), name="a"), Stage(processor=Late(seed=2), name="b")])
    seeds = {s.name: s.processor.seed for s in chain.with_seed(5).stages}  # type: ignore[attr-defined]
    assert seeds["a"] != seeds["b"]
    swapped = chain.reordered(["b", "a"]).with_seed(5)
    assert {s.name: s.processor.seed for s in swapped.stages} == seeds  # type: ignore[attr-defined]
    assert chain.with_seed(6) != chain.with_seed(5)


def test_objects_with_the_plugin_convention_are_stages(rng: np.random.Generator) -> None:
    import pedalboard

    chain = Chain(stages=[pedalboard.Gain(6.0), gain(-6.0)])
    assert isinstance(chain.stages[0].processor, PluginObject)
    audio = rng.standard_normal((2, 2000)) * 0.1
    np.testing.assert_allclose(chain(audio, sample_rate=RATE), audio, atol=1e-6)
    with pytest.raises(ParameterError, match="cannot be written to a preset"):
        chain.to_dict()


@pytest.mark.parametrize(
    ("stages", "message"),
    [
        ("reverb", "sequence of stages"),
        ([3], "stage 1 is of type int"),
        ([gain(1.0), None], "stage 2 is of type NoneType"),
    ],
)
def test_what_is_no_stage_is_refused(stages: Any, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        Chain(stages=stages)


@pytest.mark.parametrize("table", [{"stages": [{"kind": "valve"}]}, {"stages": [{}]}])
def test_unknown_kinds_are_refused_with_those_there_are(table: dict[str, Any]) -> None:
    with pytest.raises(ParameterError, match=r"must be one of: .*wow_flutter.*chain"):
        Chain.from_dict(table)


def test_a_chain_is_a_sequence_of_its_stages() -> None:
    chain = Chain(
        [
            Late(by_samples=7),
            Stage(processor=Late(by_samples=9), name="second", bypass=True),
            tapeemu.PreampDrive(),
        ]
    )
    assert len(chain) == 3
    assert list(chain) == list(chain.stages)
    assert chain[0] is chain.stages[0]
    assert chain[-1].processor == tapeemu.PreampDrive()
    assert chain["second"].processor == Late(by_samples=9)
    assert chain[1:] == Chain(chain.stages[1:])
    assert chain[::-1].names == tuple(reversed(chain.names))
    assert Chain(chain) == chain == Chain(stages=chain.stages)
    with pytest.raises(KeyError, match=r"no stage 'third'; the stages are: late, second, preamp_drive"):
        chain["third"]
    assert "second" in chain
    assert "third" not in chain
    assert chain[2] in chain
    assert tapeemu.PreampDrive() not in chain, "stages are in a chain, not processors"
    for number in (3, -4):
        with pytest.raises(IndexError, match=rf"no stage {number}; the chain has 3, counted from 0"):
            chain[number]
    assert Chain(), "an empty chain is a chain, and not nothing"
    assert len(Chain()) == 0
    with pytest.raises(ParameterError, match="must be a sequence of stages"):
        Chain(tapeemu.PreampDrive())
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (2, 500)).astype(np.float32)
    np.testing.assert_array_equal(chain(audio, RATE), chain(audio, sample_rate=RATE))


def test_intermediates_may_begin_as_early_as_the_chain() -> None:
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, 500)
    chain = Chain([Late(by_samples=7), Late(by_samples=40)])
    kept = chain.intermediates(audio, RATE, lead_seconds=30 / RATE)
    np.testing.assert_array_equal(kept["late_2"], chain(audio, RATE, lead_seconds=30 / RATE))
    # The first stage is late by 7 samples only, so it has nothing to tell before.
    np.testing.assert_array_equal(kept["late"][:23], 0.0)
    np.testing.assert_array_equal(kept["late"][30:], chain[:1](audio, RATE))
