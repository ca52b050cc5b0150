"""What is said about a wrong setting: name, value, rule and remedy, in words a user knows."""

import math
from typing import Any

import pytest

from tapeemu import AmplitudeFlutter, Chain, FdnReverb, PreampDrive, Stage, WowFlutter
from tapeemu.errors import ParameterError, PresetError
from tapeemu.presets import parse_preset
from tapeemu.processors.fdn_reverb import DecayByBand
from tapeemu.processors.plugin_effect import PluginEffect


@pytest.mark.parametrize(
    ("kind", "values", "told"),
    [
        (FdnReverb, {"decay_seconds": 0.01}, "decay_seconds is 0.01, but must be 0.1 to 60 s"),
        (PreampDrive, {"thd_percent": 0}, "thd_percent is 0, but must be above 0 and below 100 %"),
        (FdnReverb, {"lines": 5}, "lines is 5, but must be one of: 8, 16, 32"),
        (
            FdnReverb,
            {"decay_seconds": "much"},
            "decay_seconds is 'much', but must be a number in s, such as 1",
        ),
        (
            FdnReverb,
            {"decay_seconds": "-18 dB"},
            "decay_seconds is '-18 dB', but must be a number in a unit that fits: this is set in s, and 'dB' "
            "does not convert into it",
        ),
        (
            FdnReverb,
            {"decay_seconds": "1,8"},
            "decay_seconds is '1,8', but must be a number with a point, such as 1.8",
        ),
        (
            FdnReverb,
            {"decay_by_band_seconds": 3},
            "decay_by_band_seconds is 3, but must be a table of settings, such as",
        ),
        (
            FdnReverb,
            {"decay_by_band_seconds": {"at_100": 3}},
            "decay_by_band_seconds: 'at_100' is not a setting here",
        ),
        (
            WowFlutter,
            {"random_band_hz": [1, 2, 3]},
            "random_band_hz is [1, 2, 3], but must be a list of 2 numbers, such as",
        ),
        (
            WowFlutter,
            {"random_band_hz": 3},
            "random_band_hz is 3, but must be a list of 2 numbers, such as [1, 2]",
        ),
        (WowFlutter, {"random_band_hz": ["1 Hz", "x"]}, "random_band_hz 2 is 'x', but must be a number in Hz"),
        (WowFlutter, {"rotating_parts": 3}, "rotating_parts is 3, but must be a list of tables"),
        (
            WowFlutter,
            {"rotating_parts": [{}, {}]},
            "rotating_parts 2: 'peak_percent' is required: peak speed deviation",
        ),
        (WowFlutter, {"seed": -1}, "seed is -1, but must be 0 to 2^63 - 1"),
        (WowFlutter, {"seed": 1.5}, "seed is 1.5, but must be a whole number"),
        (AmplitudeFlutter, {"dropouts_on_all_channels": "maybe"}, "is 'maybe', but must be true or false"),
        (PreampDrive, {"thd_percent": math.nan}, "thd_percent is nan, but must be a finite number"),
        (PluginEffect, {}, "'effect' is required: name of one of pedalboard's own effects"),
        (PluginEffect, {"effect": "Dela"}, "effect is 'Dela', but must be one of: Bitcrush, Chorus"),
        (
            PluginEffect,
            {"effect": "Delay", "parameters": {"mix": [1]}},
            "parameters, mix is [1], but must be a number or",
        ),
        (PluginEffect, {"effect": "Delay", "parameters": 3}, "parameters is 3, but must be a table of settings"),
        (Stage, {"processor": FdnReverb(), "mix_percent": 140}, "mix_percent is 140, but must be 0 to 100 %"),
        (Chain, {"stages": 3}, "stages is 3, but must be a sequence of stages"),
    ],
)
def test_a_wrong_value_is_told_with_name_value_and_rule(kind: Any, values: dict[str, Any], told: str) -> None:
    with pytest.raises(ParameterError) as caught:
        kind(**values)
    sentence = str(caught.value)
    assert told in sentence
    # No word of the library that checks, or of Python.
    for foreign in ("Input", "instance of", "dictionary", "DecayByBand", "tuple", "literal", "NoneType", "valid"):
        assert foreign not in sentence


@pytest.mark.parametrize("text", ["6 dBFS", "6 %", "6 V", "6", "six dB", "6 dB 7", "1e999 dB", "1_0 dB", "dB", ""])
def test_a_unit_that_does_not_fit_is_refused_in_a_file(text: str) -> None:
    file = f'format = 1\npurpose = "A unit."\n[[stages]]\nkind = "preamp_drive"\ndrive_db = "{text}"\n'
    with pytest.raises(PresetError, match=r"line 5, stage 1: drive_db is |line 5, stage 1, drive_db: is "):
        parse_preset(file, name="unit")


def test_inner_tables_and_lists_take_units_too() -> None:
    assert WowFlutter(random_band_hz=("0.4 Hz", "0.005 kHz")).random_band_hz == (0.4, 5.0)
    reverb = FdnReverb(decay_by_band_seconds={"at_1000_hz_seconds": "900 ms"})
    assert reverb.decay_by_band_seconds == DecayByBand(at_1000_hz_seconds=0.9)


def test_the_advice_for_a_unit_is_right() -> None:
    """What the message says to write is then accepted."""
    head = 'format = 1\npurpose = "A unit."\n[[stages]]\nkind = "fdn_reverb"\n'
    with pytest.raises(PresetError, match=r'decay_seconds = "1.8 s"'):
        parse_preset(head + "decay_seconds = 1.8 s\n", name="unit")
    reverb = parse_preset(head + 'decay_seconds = "1.8 s"\n', name="unit").chain.stages[0].processor
    assert reverb == FdnReverb(decay_seconds=1.8)
