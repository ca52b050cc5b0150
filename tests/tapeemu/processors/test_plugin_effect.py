"""Effects from elsewhere: pedalboard's own loss of state must not reach our users."""

import numpy as np
import pytest
from scipy import signal

from tapeemu.errors import ParameterError
from tapeemu.processors.plugin_effect import EFFECTS, PluginEffect, PluginObject, PluginStream

RATE = 48_000


def test_growing_blocks_break_pedalboard_itself_but_not_our_stream(rng: np.random.Generator) -> None:
    """The trap, shown on the library alone, then not on our stream."""
    import pedalboard

    audio = rng.standard_normal((1, 4608)).astype(np.float32) * 0.1
    alone = pedalboard.HighpassFilter(200.0)
    one_block = alone.process(audio, RATE, reset=True)
    alone.reset()
    fresh = pedalboard.HighpassFilter(200.0)
    pieces = [
        fresh.process(audio[:, start:stop], RATE, reset=False)
        for start, stop in ((0, 512), (512, 1536), (1536, 4608))
    ]
    assert np.abs(np.concatenate(pieces, axis=1) - one_block).max() > 1e-3

    stream = PluginEffect(effect="HighpassFilter", parameters={"cutoff_frequency_hz": 200.0}).stream(
        sample_rate=RATE, channels=1
    )
    parts = [stream.process(audio[:, :512]), stream.process(audio[:, 512:1536]), stream.process(audio[:, 1536:])]
    late = np.concatenate([*parts, stream.flush()], axis=1)
    np.testing.assert_allclose(late[:, stream.latency :], one_block, atol=1e-7)


def test_the_filter_is_the_one_on_paper(rng: np.random.Generator) -> None:
    """A first-order Butterworth high-pass from scipy, through the bilinear transform, at 300 Hz."""
    audio = rng.standard_normal(8000) * 0.1
    b, a = signal.butter(1, 300.0, "highpass", fs=RATE)
    effect = PluginEffect(effect="HighpassFilter", parameters={"cutoff_frequency_hz": 300.0})
    np.testing.assert_allclose(effect(audio, sample_rate=RATE), signal.lfilter(b, a, audio), atol=2e-6)


class Lagging:
    """Has latency the way pedalboard has it: returns fewer samples at first."""

    def __init__(self, lag: int) -> None:
        self.lag = lag
        self.reset()

    def reset(self) -> None:
        self.queue = np.zeros((1, 0), np.float32)
        self.owed = self.lag

    def __call__(self, audio: np.ndarray, sample_rate: float, *, reset: bool) -> np.ndarray:
        self.queue = np.concatenate([self.queue, audio], axis=1)
        ready = max(self.queue.shape[1] - self.owed, 0)
        given, self.queue = self.queue[:, :ready], self.queue[:, ready:]
        return given


@pytest.mark.parametrize("lag", [0, 1, 700, 5000])
def test_latency_of_an_object_is_found_and_taken_out(lag: int, rng: np.random.Generator) -> None:
    audio = rng.standard_normal(3000).astype(np.float32)
    np.testing.assert_array_equal(PluginObject(effect=Lagging(lag))(audio, sample_rate=RATE), audio)


def test_an_object_that_never_settles_is_refused() -> None:
    with pytest.raises(ParameterError, match="has not settled"):
        PluginObject(effect=Lagging(10**9)).stream(sample_rate=RATE, channels=1)


@pytest.mark.parametrize("name", EFFECTS)
def test_every_effect_that_a_preset_may_name_runs(name: str, rng: np.random.Generator) -> None:
    audio = rng.standard_normal((2, 1000)) * 0.1
    result = PluginEffect(effect=name)(audio, sample_rate=RATE)
    assert result.shape == audio.shape
    assert np.all(np.isfinite(result))


@pytest.mark.parametrize("name", ["VST3Plugin", "ExternalPlugin", "Convolution", "Pedalboard", "__class__", ""])
def test_effects_that_load_files_or_foreign_code_cannot_be_named(name: str) -> None:
    with pytest.raises(ParameterError, match="must be one of: Bitcrush"):
        PluginEffect(effect=name)


@pytest.mark.parametrize(
    ("effect", "parameters", "message"),
    [
        ("Gain", {"gain": 3.0}, "'gain' is not a parameter of Gain; it has: gain_db"),
        ("Gain", {"process": 3.0}, "'process' is not a parameter"),
        ("Delay", {"delay_seconds": 1e6}, "at most 30"),
        ("Delay", {"delay_seconds": 10_000}, "at most 30"),
        ("Delay", {"mix": 9.0}, "Delay refuses its parameters"),
        ("LadderFilter", {"mode": "steep"}, "must be one of: LPF12"),
        ("Gain", {"gain_db": "loud"}, "is 'loud', but must be a number, without unit or quotes"),
    ],
)
def test_parameters_are_checked(effect: str, parameters: dict[str, float | str], message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        PluginEffect(effect=effect, parameters=parameters)


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_what_is_kept_of_a_tail_is_what_a_stream_hears_by_itself(channels: int) -> None:
    """By name, parameters, rate and channels; another parameter has another tail."""
    tails = []
    for seconds in (0.1, 0.2, 0.1):
        effect = PluginEffect(effect="Delay", parameters={"delay_seconds": seconds, "feedback": 0.5})
        count = 1 if channels <= 2 else channels
        own = PluginStream([effect.make() for _ in range(count)], sample_rate=RATE, channels=channels)
        kept = effect.stream(sample_rate=RATE, channels=channels)
        assert kept.tail_samples(-60.0) == own.tail_samples(-60.0)
        tails.append(kept.tail_samples(-60.0))
    assert tails[0] == tails[2] < 0.6 * tails[1]
