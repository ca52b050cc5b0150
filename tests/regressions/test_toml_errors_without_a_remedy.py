"""Mistakes in TOML were told in the parser's words, and '2 %' or '1.8s' were refused without saying how to write
them.
"""

import pickle
import tomllib

import pytest

from tapeemu import AmplitudeFlutter, Chain, FdnReverb, PreampDrive, Stage, WowFlutter
from tapeemu.errors import PresetError
from tapeemu.presets import parse_preset
from tapeemu.presets.syntax import explain_syntax
from tapeemu.processor import Processor


@pytest.mark.parametrize(
    ("kind", "name", "text", "value"),
    [
        (FdnReverb, "decay_seconds", "1.8s", 1.8),
        (FdnReverb, "decay_seconds", " 1800 ms ", 1.8),
        (FdnReverb, "wet_percent", "40%", 40.0),
        (FdnReverb, "modulation_hz", "0.0005 kHz", 0.5),
        (PreampDrive, "reference_level_dbfs", "-18 dBFS", -18.0),
        (PreampDrive, "drive_db", "+6 dB", 6.0),
        (AmplitudeFlutter, "dropout_longest_ms", "0.07 s", 70.0),
        (AmplitudeFlutter, "dropouts_per_minute", "4/min", 4.0),
        (WowFlutter, "tape_speed_cm_s", "7.5 in/s", 19.05),  # an inch is 2.54 cm
        (WowFlutter, "tape_speed_cm_s", "3.75 ips", 9.525),
        (WowFlutter, "azimuth_skew_us", "0.02 ms", 20.0),
        (WowFlutter, "azimuth_skew_us", "20 μs", 20.0),
    ],
)
def test_a_number_may_stand_with_its_unit_everywhere(
    kind: type[Processor], name: str, text: str, value: float
) -> None:
    from tapeemu.cli.common import changed_chain

    made = kind(**{name: text})
    assert made == kind(**{name: value})
    assert getattr(made, name) == value
    assert pickle.loads(pickle.dumps(made)) == made
    assert kind.from_dict(made.to_dict()) == made
    # Where the setting is heard: the command line refuses a change of one that is not.
    heard = {"reference_level_dbfs": {"thd_percent": 1.0}, "dropout_longest_ms": {"dropouts_per_minute": 1.0}}
    chain = Chain(stages=[Stage(processor=kind(**heard.get(name, {})), name="x")])
    changed = changed_chain(chain, [f"x.{name}={text}"]).stages[0].processor
    assert getattr(changed, name) == value
    file = f'format = 1\npurpose = "A unit."\n[[stages]]\nkind = "{kind.kind}"\n{name} = "{text}"\n'
    assert parse_preset(file, name="unit").chain.stages[0].processor == made


SYNTAX = [
    ("a = 1\na = 2\nb = 3\n", 2, "a is set already; keep one of the two"),
    ("a = 2%", 1, "a is '2%'; a number with its unit stands in quotes: a = \"2%\""),
    ("x = 1\n a = 1.8s # c", 2, 'a number with its unit stands in quotes: a = "1.8s"'),
    ("a = -18 dBFS", 1, 'a = "-18 dBFS"'),
    ("a = { b = 440 Hz, c = 1 }", 1, 'b = "440 Hz"'),
    ("a = [{ b = 440 Hz }]", 1, 'b = "440 Hz"'),
    ("a = 1,8", 1, "decimals have a point: a = 1.8"),
    ("a = .5", 1, "write the number as 0.5"),
    ("a = 05", 1, "write the number as 5"),
    ("a = True", 1, "write a = true"),
    ("a = off", 1, "write a = false"),
    ("a = none", 1, "to leave a setting out, delete its line"),
    ("mode = spacing", 1, 'a text stands in quotes: mode = "spacing"'),
    ("a =\nb = 2", 1, "a has no value"),
    ("a = 1 b = 2", 1, "give each a line of its own"),
    ("a = 1;", 1, "semicolon"),
    ("a: 1", 1, "write 'a = 1'"),
    ("a", 1, "is neither a setting"),
    ("// a", 1, "put # before it"),
    ('a = "x', 1, "put the same quote at its end"),
    ("a = 'x\n", 1, "put the same quote at its end"),
    ('a = "x\ny"', 1, "put the same quote at its end"),
    ("a = “x”", 1, "use straight ones"),
    ('a = "C:\\music"', 1, "single backslash"),
    ("a = 1 # \x01", 1, "cannot be seen"),
    ("[[stages]\na = 1", 1, "write [[stages]] for a stage"),
    ("[[stages]]\n[stages]\n", 2, "write [[stages]] everywhere"),
    ("[a]\n[a]\n", 2, "[a] stands in the file already"),
    ("a = [1, 2\n", 1, "] at its end"),
    ("a = { b = 1\n", 1, "} at its end"),
    ("a = (1, 2)", 1, "which is no value"),
]


@pytest.mark.parametrize(("text", "line", "told"), SYNTAX)
def test_a_text_that_is_not_toml_is_told_by_its_line_and_remedy(text: str, line: int, told: str) -> None:
    with pytest.raises(tomllib.TOMLDecodeError) as caught:
        tomllib.loads(text)
    found, sentence = explain_syntax(text, caught.value)
    assert told in sentence
    assert found == line
    with pytest.raises(PresetError, match=f"^x, line {line}: ") as refused:
        parse_preset(text, name="x")
    assert str(caught.value) not in str(refused.value)
