"""What arguments are where they are left out: one name, one meaning, one default, in both packages."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# A level to send at: alignment level (EBU R 68), 18 dB below full scale. A decay ends 60 dB below (ISO 3382). MOL
# is at 3 % of third harmonic (practice of IEC 60094). The reference is 1 kHz, and hearing reaches from 20 Hz to
# 20 kHz. What is counted from a beginning begins there.
SAME = {
    "bands": "octave",
    "channel": 0,
    "channel_mask": 0,
    "frequency_hz": 1_000.0,
    "high_hz": 20_000.0,
    "latency_seconds": 0.0,
    "lead_frames": 0,
    "lead_samples": 0,
    "lead_seconds": 0.0,
    "level_db": -60.0,
    "level_dbfs": -18.0,
    "limit_percent": 3.0,
    "low_hz": 20.0,
    "overwrite": False,
    "phase_radians": 0.0,
    "reference_dbfs": 0.0,
    "reference_hz": 1_000.0,
    "reference_level_dbfs": -18.0,
    "side_by_side": False,
    "start_sample": 0,
    "start_seconds": 0.0,
    "tail_samples": 0,
    "track": 0,
}
# Tones that a measurement of its own asks for, and the band in which one is read.
OTHERWISE = {
    ("measure/parts/signals.py", "tone", "level_dbfs"),
    ("measure/parts/signals.py", "modulated_tone", "level_dbfs"),
    ("measure/quantities/distortion/aliasing.py", "aliasing_to_signal", "level_dbfs"),
    ("measure/quantities/distortion/aliasing.py", "aliasing_to_signal", "frequency_hz"),
    ("measure/quantities/distortion/difference.py", "difference_frequency_distortion", "low_hz"),
    ("measure/quantities/distortion/modulation.py", "modulation_distortion", "low_hz"),
    ("measure/quantities/distortion/modulation.py", "modulation_distortion", "high_hz"),
    ("measure/quantities/decay/evenness.py", "colouration", "low_hz"),
    ("measure/quantities/decay/evenness.py", "colouration", "high_hz"),
}


def left_out(node: ast.AST) -> Iterator[tuple[str, ast.expr]]:
    """Arguments of a function, and fields of a class, each with its default."""
    if isinstance(node, ast.FunctionDef):
        places = [*node.args.posonlyargs, *node.args.args]
        behind = places[len(places) - len(node.args.defaults) :]
        named = zip(node.args.kwonlyargs, node.args.kw_defaults, strict=True)
        yield from ((argument.arg, value) for argument, value in zip(behind, node.args.defaults, strict=True))
        yield from ((argument.arg, value) for argument, value in named if value is not None)
    elif isinstance(node, ast.ClassDef):
        fields = [each for each in node.body if isinstance(each, ast.AnnAssign)]
        yield from ((ast.unparse(each.target), each.value) for each in fields if each.value is not None)


def defaults() -> Iterator[tuple[str, str, str, object]]:
    """File, function or class, name and default, where that is written as a number, a word or a truth."""
    for package in ("tapeemu", "measure"):
        for path in sorted((ROOT / package).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                for name, default in left_out(node):
                    try:
                        value = ast.literal_eval(default)
                    except ValueError:
                        continue
                    if value is not None:
                        yield str(path.relative_to(ROOT)), getattr(node, "name", ""), name, value


@pytest.fixture(scope="module")
def found() -> list[tuple[str, str, str, object]]:
    return list(defaults())


@pytest.mark.parametrize("name", SAME)
def test_what_is_called_the_same_is_left_out_alike(name: str, found: list[tuple[str, str, str, object]]) -> None:
    of_name = [(file, function, value) for file, function, argument, value in found if argument == name]
    others = [each for each in of_name if each[2] != SAME[name] or type(each[2]) is not type(SAME[name])]
    assert len(of_name) - len(others) >= 2
    assert {(file, function, name) for file, function, _ in others} <= OTHERWISE


def test_exceptions_are_none_without_a_cause(found: list[tuple[str, str, str, object]]) -> None:
    other = {(file, function, name) for file, function, name, value in found if SAME.get(name, value) != value}
    assert other == OTHERWISE
