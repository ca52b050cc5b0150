"""Which figures a preset keeps, and how far a later one may lie from them."""

import pytest

from measure.results import Reading
from tapeemu.presets.kept_figures import KEPT, worth_keeping


@pytest.mark.parametrize(
    ("key", "value", "doubt", "worth"),
    [
        ("crosstalk_1000hz_db", -60.0, 10.0, False),  # half of -60 dB is no measure of a level
        ("crosstalk_1000hz_db", -60.0, 2.9, True),
        ("print_post_db", -50.0, 4.0, False),
        ("noise_a_weighted_db", -3.0, 2.9, True),  # a level near zero is no less known
        ("bump_db", 0.3, 0.2, False),  # a height is a size: half of it counts
        ("level_fluctuation_peak_db", 1.0, 0.6, False),
        ("level_fluctuation_peak_db", 8.0, 3.5, True),
        ("speed_error_percent", 0.0, 0.1, True),
        ("weighted_flutter_percent", 0.1, 0.06, False),
    ],
)
def test_what_noise_leaves_nothing_of_is_not_kept(key: str, value: float, doubt: float, worth: bool) -> None:
    reading = Reading(quantity=key, value=value, unit="", method="", uncertainty=doubt, uncertainty_basis="given")
    assert worth_keeping(key, reading) is worth


@pytest.mark.parametrize("key", KEPT)
def test_no_tolerance_hides_a_difference_that_a_musician_would_set(key: str) -> None:
    """By unit (own choice): a hundredth of a weak flutter, 0.2 dB, and so on."""
    most = {"percent": 0.001, "db": 0.2, "seconds": 0.005, "us": 0.02, "hz": 20.0}
    assert 0.0 < KEPT[key].floor <= most[key.rpartition("_")[2]]
    assert 0.0 <= KEPT[key].share <= 0.005
