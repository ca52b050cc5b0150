"""The bench finds what was built into a system, and says what it could not know."""

import json
import math
import threading
from functools import partial

import numpy as np
import pytest

import measure
from measure.errors import MeasureError
from measure.report import Report, table_lines
from measure.results import Reading
from measure.standard_set import STANDARD_SET, bench

RATE = 48_000
# Rows of tapes are sent where their figures are looked at: they take a second.
COMMON = [row.name for row in STANDARD_SET if row.name not in ("slow sweep", "loud tones", "roughened tone")]


class Tape:
    """Speed and gain swing at 4 Hz and 7 Hz by known amounts that depend on the seed."""

    def __init__(self, seed=0):
        self.scale = 1.0 + 0.1 * seed

    def with_seed(self, seed):
        return Tape(seed)

    def __call__(self, audio, sample_rate):
        from scipy.ndimage import map_coordinates

        n = np.arange(len(audio))
        swing = self.scale * 0.001 * np.sin(2.0 * np.pi * 7.0 * n / sample_rate)
        # A delay of A sin(2 pi f t) deviates by 2 pi f A, here 0.1 % at 4 Hz.
        delay = self.scale * 0.001 / (2.0 * np.pi * 4.0) * np.sin(2.0 * np.pi * 4.0 * n / sample_rate)
        return (1.0 + swing) * map_coordinates(audio, [n - delay * sample_rate], order=5, mode="nearest")


@pytest.fixture(scope="module")
def tape():
    return bench(Tape(), seeds=(0, 1, 2), rows=COMMON)


@pytest.fixture(scope="module")
def tangent():
    return bench(lambda audio, _: np.tanh(audio), stages={"wire": lambda audio, _: audio})


@pytest.fixture(scope="module")
def hall():
    n = round(1.6 * RATE)
    h = np.random.default_rng(3).standard_normal(n) * 10.0 ** (-3.0 * np.arange(n) / RATE / 0.8)
    h /= np.sqrt(np.sum(h**2))

    def system(audio, _):
        size = 1 << (len(audio) + n).bit_length()
        return np.fft.irfft(np.fft.rfft(audio, size) * np.fft.rfft(h, size), size)[: len(audio)]

    return bench(system, rows=COMMON)


def test_tape_figures_are_those_built_in(tape):
    # Scales 1, 1.1 and 1.2 by seed: means 1.1, standard deviation 0.1 of them. 4 Hz has weight 0 dB.
    two_sigma = math.cos(0.025 * math.pi)  # of a sine, re its peak
    weighted = tape["weighted_flutter_percent"]
    assert weighted.value == pytest.approx(0.11 * two_sigma, rel=5e-3)
    assert weighted.uncertainty == pytest.approx(0.01 * two_sigma, rel=0.05)
    assert weighted.uncertainty_basis.startswith("repeats")
    assert weighted.conditions["repeats"] == 3
    assert tape["unweighted_flutter_rms_percent"].value == pytest.approx(0.11 / math.sqrt(2.0), rel=5e-3)
    assert tape["amplitude_fluctuation_rms_percent"].value == pytest.approx(0.11 / math.sqrt(2.0), rel=0.02)
    assert tape.seeds == (0, 1, 2)
    # The third harmonic of a clean tape is nothing, whatever it does to the speed.
    assert tape["thd_reference_percent"].value < 1e-3


def test_aliasing_of_an_unsteady_system_is_refused(tape):
    reading = tape["aliasing_to_signal_db"]
    assert math.isnan(reading.value)
    assert "not steady" in reading.warnings[0]


def test_tangent_figures_are_the_closed_forms(tangent):
    # tanh at a peak of -18 dBFS: third harmonic by QUADPACK; 3 % at an amplitude of 0.6287864.
    from scipy.integrate import quad

    a = 10.0 ** (-18 / 20)
    lines = [
        quad(lambda t, k=k: math.tanh(a * math.sin(t)) * math.sin(k * t), 0.0, 2.0 * math.pi)[0] / math.pi
        for k in (1, 3)
    ]
    assert tangent["thd_reference_percent"].value == pytest.approx(100.0 * abs(lines[1] / lines[0]), rel=1e-4)
    assert tangent["mol_3_percent_dbfs"].value == pytest.approx(20.0 * math.log10(0.6287864), abs=1e-3)
    assert tangent["mol_3_percent_db"].value == pytest.approx(20.0 * math.log10(0.6287864) + 18.0, abs=1e-3)
    # The highest output is a square wave's fundamental; at 3 % the fundamental has lost 0.795 dB.
    assert tangent["sol_10000hz_db"].agrees_with(20.0 * math.log10(4.0 / math.pi) + 18.0)
    assert tangent["sol_10000hz_db"].uncertainty < 0.5
    at_limit = 20.0 * math.log10(0.6287864) + 18.0
    assert tangent["mol_1000hz_output_db"].value == pytest.approx(at_limit - 0.795, abs=2e-3)
    assert tangent["mol_315hz_output_db"].value == pytest.approx(at_limit - 0.795, abs=2e-3)
    assert tangent["compression_1000hz_db"].value == pytest.approx(-0.79 + 0.01, abs=0.01)
    assert tangent["response_40hz_db"].value == pytest.approx(0.0, abs=0.01)
    assert "rises by no more" in tangent["bump_db"].warnings[0]
    assert not tangent["modulation_noise_db"].defined
    assert tangent["latency_samples"].value == pytest.approx(0.0, abs=1e-3)
    assert tangent["polarity"].value == 1.0
    assert tangent["weighted_flutter_percent"].value < 1e-6
    assert tangent["aliasing_to_signal_db"].value < -60.0
    assert "silent" in tangent["noise_a_weighted_db"].warnings[0]
    assert any("decay was not measured" in note for note in tangent.notes)


def test_edges_are_those_of_soft_sound_where_loud_treble_is_squeezed():
    """Treble raised by up to 18 dB, a tangent, and lowered again: flat for soft sound. Then one pole at 6 kHz."""
    corner_hz = 6_000.0

    def weighed(audio, gain):
        return np.fft.irfft(np.fft.rfft(audio) * gain(np.fft.rfftfreq(len(audio), 1.0 / RATE)), len(audio))

    def raised(f):
        return np.sqrt((1.0 + (f / 1_500.0) ** 2) / (1.0 + (f / 12_000.0) ** 2))

    def system(audio, _):
        squeezed = np.tanh(weighed(audio, raised))
        return weighed(squeezed, lambda f: 1.0 / (raised(f) * np.sqrt(1.0 + (f / corner_hz) ** 2)))

    truth = corner_hz * math.sqrt(2.0 * (1.0 + (1_000.0 / corner_hz) ** 2) - 1.0)
    read = partial(bench, system, reference_level_dbfs=-14.0, reverberates=False)
    assert read(rows=["slow sweep"])["high_edge_hz"].value == pytest.approx(truth, rel=0.005)
    assert read(rows=["sweep"])["high_edge_hz"].value < 0.98 * truth


def test_stages_are_measured_apart(tangent):
    wire = tangent.stages["wire"]
    assert wire["thd_reference_percent"].value < 1e-5
    assert math.isnan(wire["mol_3_percent_db"].value)
    assert wire["mol_3_percent_db"].warnings
    assert "stage wire:" in str(tangent)


def test_hall_decays_as_built_and_flags_what_it_spoils(hall):
    for band in ("broadband", "1000hz", "2000hz", "4000hz", "8000hz"):
        for name in ("decay", "t20", "t30"):
            reading = hall[f"{name}_{band}_seconds"]
            assert reading.value == pytest.approx(0.8, abs=5.0 * reading.uncertainty)
    for key in ("weighted_flutter_percent", "amplitude_fluctuation_rms_percent", "wow_percent"):
        assert any("beating counts as modulation" in warning for warning in hall[key].warnings)
    assert any("gain of the reverb" in warning for warning in hall["thd_reference_percent"].warnings)
    assert math.isnan(hall["low_edge_hz"].value)
    assert {"decay_1000hz", "decay_1000hz_fit", "decay_1000hz_floor"} <= set(hall.curves)


def test_report_goes_to_json_and_back(tape, tangent, hall):
    for report in (tape, tangent, hall):
        again = Report.from_dict(json.loads(json.dumps(report.to_dict())))
        assert again.to_dict() == report.to_dict()
        assert str(again) == str(report)


def test_report_prints_a_line_for_every_reading(hall):
    lines = str(hall).splitlines()
    for key, reading in hall.readings.items():
        line = next(line for line in lines if line.startswith(key + " "))
        assert ("undefined" in line) != reading.defined
    # What limits many readings is said once.
    assert sum("beating counts as modulation" in line for line in lines) == 1
    with pytest.raises(MeasureError, match="weighted_flutter_percent"):
        hall["no such figure"]


def test_keys_end_with_their_unit(tape, tangent, hall):
    units = {"percent": "%", "db": "dB", "dbfs": "dBFS", "seconds": "s", "hz": "Hz", "samples": "samples",
             "degrees": "degrees", "count": "", "polarity": ""}  # fmt: skip
    for report in (tape, tangent, hall):
        for key, reading in report.readings.items():
            assert units[key.rsplit("_", 1)[-1]] == reading.unit


def test_one_seed_is_enough_for_a_system_without_randomness():
    class Wire:
        def with_seed(self, seed):
            return self

        def __call__(self, audio, sample_rate):
            return audio

    report = bench(Wire(), sample_rate=8_000, seeds=(1, 2, 3))
    assert report.seeds == (1,)
    assert any("two seeds gave the same sound" in note for note in report.notes)


def test_a_system_that_may_hold_state_is_called_one_at_a_time():
    inside = threading.Lock()

    def stateful(audio, sample_rate):
        assert inside.acquire(blocking=False)
        try:
            return audio
        finally:
            inside.release()

    bench(stateful, sample_rate=8_000)


def test_low_rates_leave_out_what_does_not_fit():
    report = bench(lambda audio, _: audio, sample_rate=16_000)
    left_out = {note.split(" was left out")[0] for note in report.notes if "left out" in note}
    assert left_out == {"high tone", "difference pair", "silence"}
    assert report["weighted_flutter_percent"].defined


@pytest.mark.parametrize("broken", [lambda x, _: 0.0 * x, lambda x, _: x * np.nan])
def test_a_dead_system_has_no_figures(broken):
    report = bench(broken, sample_rate=8_000)
    for key, reading in report.readings.items():
        assert not reading.defined, key
        assert reading.warnings


def test_wrong_arguments_raise():
    with pytest.raises(MeasureError, match="8000"):
        bench(lambda x, _: x, sample_rate=4_000)
    with pytest.raises(MeasureError, match="reference_level_dbfs"):
        bench(lambda x, _: x, reference_level_dbfs=3.0)
    with pytest.raises(MeasureError, match="seeds"):
        bench(lambda x, _: x, seeds=())
    with pytest.raises(MeasureError, match="callable"):
        bench(3)


def test_the_standard_set_is_a_readable_table():
    assert len({row.name for row in STANDARD_SET}) == len(STANDARD_SET)
    for row in STANDARD_SET:
        assert row.seconds > 0.0
        assert row.gives


def test_names_at_the_top_are_what_they_are_at_home():
    assert measure.bench is bench
    assert measure.Report is Report
    assert measure.distortion is measure.harmonic_distortion
    assert measure.decay is measure.decay_from_impulse
    assert set(measure.__all__) <= set(dir(measure))
    for name in measure.__all__:
        assert getattr(measure, name) is not None
    with pytest.raises(AttributeError, match="nothing"):
        measure.nothing  # noqa: B018


def test_table_lines_of_nothing():
    assert table_lines({}) == []
    reading = Reading(quantity="a", value=math.nan, unit="", method="none")
    assert "no reason given" in table_lines({"a": reading})[0]
