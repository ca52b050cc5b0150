"""Transports are made of what real ones are made of."""

import math
from fractions import Fraction

import pytest

from tapeemu.dsp.transport_profiles import AS_SET, PROFILES

TAPE_SPEEDS_CM_S = (76.2, 38.1, 19.05, 9.525, 4.7625, 2.38125)  # IEC 60094-1


@pytest.mark.parametrize("name", PROFILES)
def test_a_profile_runs_at_a_speed_of_the_standard_and_rotates_more_than_it_wanders(name: str) -> None:
    """What turns outweighs chance, all is positive, and no part alone makes more than the typical figure."""
    profile = PROFILES[name]
    assert profile.tape_speed_cm_s in TAPE_SPEEDS_CM_S
    deviations = [part.peak_percent for part in profile.parts]
    assert min(deviations) > 0.0
    assert 0.5 * max(deviations) < profile.random_percent < max(deviations)
    assert max(deviations) <= profile.weighted_flutter_percent
    low_hz, high_hz = profile.random_band_hz
    assert 0.0 < low_hz < 1.0 < 1000.0 < high_hz
    diameters = [part.diameter_mm for part in profile.parts]
    assert diameters == sorted(diameters)
    assert min(diameters) > 1.0


@pytest.mark.parametrize("name", PROFILES)
def test_all_parts_return_to_where_they_were_only_after_long(name: str) -> None:
    """They do when the tape has passed whole turns of them all; a short period would be heard as one."""
    profile = PROFILES[name]
    diameters = [Fraction(str(part.diameter_mm)) for part in profile.parts]
    denominator = math.lcm(*(each.denominator for each in diameters))
    together_mm = math.pi * math.lcm(*(int(each * denominator) for each in diameters)) / denominator
    assert together_mm / (10.0 * profile.tape_speed_cm_s) > 20.0


def test_worse_machines_have_larger_figures() -> None:
    figures = [profile.weighted_flutter_percent for profile in PROFILES.values()]
    assert figures == sorted(figures)
    assert AS_SET.parts == PROFILES["studio"].parts
    assert AS_SET.random_percent < PROFILES["studio"].random_percent
