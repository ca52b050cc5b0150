"""The rows of the standard set for what lies beside a track."""

import math

import pytest

import measure
import tapeemu
from measure.meanings import meaning_of
from measure.standard_set.rows import NEIGHBOURS

CHAIN = tapeemu.Chain(
    [
        tapeemu.PrintThrough(level_db=-50.0, asymmetry_db=2.0, hub_radius_mm=50.0, full_radius_mm=60.0),
        tapeemu.HeadAzimuth(azimuth_urad=600.0, wander_urad=150.0),
        tapeemu.Crosstalk(fringing_db=-30.0, coupling_db=-50.0),
    ]
)


def test_the_bench_reads_what_the_settings_ask_for() -> None:
    report = measure.bench(CHAIN, rows=NEIGHBOURS, neighbours=True, seeds=(1, 2))
    readings = report.readings
    assert readings["azimuth_delay_us"].value == pytest.approx(0.1 * 3.95 / 38.1 * math.tan(6e-4) * 1e6, abs=0.3)
    # Set as what is exceeded 5 % of the time; ten seconds hold few of its waves.
    assert readings["azimuth_wander_us"].value == pytest.approx(1e4 * 3.95 / 38.1 * 150e-5, rel=0.4)
    at_1000 = math.hypot(10.0**-1.5 * math.exp(-2.0 * math.pi * 1000.0 * 0.75e-3 / 0.381), 10.0**-2.5)
    assert readings["crosstalk_1000hz_db"].value == pytest.approx(20.0 * math.log10(at_1000), abs=0.1)
    assert readings["crosstalk_63hz_db"].value == pytest.approx(-30.0 - 54.575 * 63.0 * 0.75e-3 / 0.381, abs=0.1)
    # 1 kHz lies 0.1 dB beside the peak at 1141 Hz.
    assert readings["print_post_db"].value == pytest.approx(-50.1, abs=0.1)
    assert readings["print_pre_db"].value == pytest.approx(-52.1, abs=0.1)
    assert readings["print_post_seconds"].value == pytest.approx(2.0 * math.pi * 0.05 / 0.381, rel=0.01)
    assert {"azimuth", "crosstalk", "print_through"} <= set(report.curves)
    for key in readings:
        assert meaning_of(key)


def test_only_a_system_that_has_neighbours_is_asked_for_them() -> None:
    report = measure.bench(lambda audio, rate: audio, rows=NEIGHBOURS)
    assert not any(key.startswith(("azimuth", "crosstalk", "print")) for key in report.readings)
