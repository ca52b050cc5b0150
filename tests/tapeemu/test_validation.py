"""What is refused as audio, as a rate or as a count, and what the refusal says."""

from typing import Any

import numpy as np
import pytest

from tapeemu.errors import AudioError, ParameterError, TapeemuError
from tapeemu.validation import check_audio, check_block, check_channels, check_sample_rate


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000.0, np.int64(96_000), 384_000])
def test_usable_rates_pass(rate: float) -> None:
    assert check_sample_rate(rate) == float(rate)


@pytest.mark.parametrize("rate", [0, 1, 7_999, 768_000, -48_000, float("nan"), float("inf"), True, "48000", None])
def test_other_rates_are_refused_with_the_range(rate: Any) -> None:
    with pytest.raises(ParameterError, match=r"sample_rate is .* must"):
        check_sample_rate(rate)


@pytest.mark.parametrize("channels", [0, -1, 257, 2.0, True, "2"])
def test_other_channel_counts_are_refused(channels: Any) -> None:
    with pytest.raises(ParameterError, match=r"channels is .* must"):
        check_channels(channels)


@pytest.mark.parametrize(
    ("audio", "message"),
    [
        ([0.0, 1.0], "is a list, but must be a numpy array"),
        (np.zeros(4, np.int16), r"integer type int16; divide it by its full scale \(32,768\)"),
        (np.zeros(4, np.complex128), "type complex128"),
        (np.zeros(4, np.float16), "type float16"),
        (np.zeros((1, 2, 3)), "3 dimensions"),
        (np.float64(0.0), "is a float64"),
        (np.array(0.0), "0 dimensions"),
        (np.zeros((48_000, 2)), "transpose it"),
        (np.array([0.0, np.inf, np.nan]), "2 sample.* the first is sample 1 of channel 0"),
        (np.arange(100.0), "whole numbers and the peak is 99"),
        (np.array([[0.0], [-32768.0]]), "divide them by their full scale"),
    ],
)
def test_unusable_audio_is_refused_with_a_remedy(audio: Any, message: str) -> None:
    with pytest.raises(TapeemuError, match=message):
        check_audio(audio)


@pytest.mark.parametrize(
    "audio",
    [
        np.zeros(0),
        np.zeros((2, 0), np.float32),
        np.sign(np.sin(np.arange(100.0))),  # a square wave at full scale is no integer-scaled audio
        np.array([1e6, 0.5]),
        np.full(3, 1e-30),
    ],
)
def test_odd_but_sound_audio_passes_uncopied(audio: Any) -> None:
    assert check_audio(audio) is audio


def test_a_block_must_have_the_channels_of_its_stream() -> None:
    with pytest.raises(AudioError, match=r"has 1 channel.* made for 2"):
        check_block(np.zeros(5), channels=2)


@pytest.mark.parametrize("samples", [1, 64, 5_000])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 2e30])
def test_one_bad_sample_is_found_in_short_and_long_blocks(samples: int, kind: type, bad: float) -> None:
    """Short blocks are looked over by their power alone, which 1e30 in single precision overflows, rightly."""
    block = np.full((2, samples), 1e30, dtype=kind)
    assert check_block(block) is block
    block[1, -1] = bad
    with pytest.raises(AudioError):
        check_block(block)
