"""A short run of the fuzzing harness; the long one is described in its own file."""

import runpy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

HARNESS: dict[str, Any] = runpy.run_path(str(Path(__file__).with_name("harness.py")))
KEPT = settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("target", HARNESS["TARGETS"])
def test_good_inputs_and_their_mutations(tmp_path: Path, target: str) -> None:
    import random

    for seed in HARNESS["seeds"](target):
        HARNESS["TARGETS"][target](seed, tmp_path)

    @KEPT
    @given(number=st.integers(0, 2**63))
    def try_one(number: int) -> None:
        good = HARNESS["seeds"](target)
        chance = random.Random(number)
        HARNESS["TARGETS"][target](HARNESS["mutated"](chance.choice(good), chance, good), tmp_path)

    try_one()


@pytest.mark.parametrize("target", HARNESS["TARGETS"])
def test_any_bytes_end_in_an_error_of_our_own(tmp_path: Path, target: str) -> None:
    @KEPT
    @given(data=st.binary(max_size=300))
    def try_one(data: bytes) -> None:
        HARNESS["TARGETS"][target](data, tmp_path)

    try_one()


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(text=st.text(st.characters(exclude_categories=("Cs",)), max_size=120))
def test_any_text_as_a_value(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    """Text in every place where a preset may hold one."""
    import tomlkit

    made = {
        "format": 1,
        "purpose": text,
        "tags": [text],
        "stages": [{"kind": "plugin_effect", "name": text, "effect": text, "parameters": {text: text}}],
    }
    try:
        data = tomlkit.dumps(made).encode("utf-8")
    except (ValueError, UnicodeEncodeError):
        return
    HARNESS["one_preset"](data, tmp_path_factory.getbasetemp())
