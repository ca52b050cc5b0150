"""Which figures are told with a warning behind a system that reverberates."""

import pytest

from measure.results import Reading
from measure.standard_set.cautions import cautioned


def cautions(key: str, decay_seconds: float | None) -> str:
    reading = Reading(quantity=key, value=1.0, unit="", method="made up", uncertainty_basis="exact")
    return "; ".join(cautioned({key: reading}, decay_seconds)[key].warnings)


@pytest.mark.parametrize("key", ["gain_1000hz_db", "thd_reference_percent", "response_40hz_db", "mol_db"])
def test_a_line_behind_reverb_is_told_with_a_warning(key: str) -> None:
    assert "reverberates (1.5 s): each line has the gain of the reverb at its frequency" in cautions(key, 1.5)
    assert cautions(key, None) == ""


def test_what_reverb_does_nothing_to_is_told_without_one() -> None:
    assert cautions("latency_samples", 1.5) == ""
