"""Harmonics against closed forms, QUADPACK, and files distorted by programs that others wrote."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.errors import MeasureError
from measure.quantities.distortion import harmonic_distortion

RATE = 48_000
REFERENCE = Path(__file__).parents[3] / "reference"
NOISE = 10.0 ** (-96 / 20) / math.sqrt(2.0)  # RMS of a floor 96 dB below a tone of amplitude 1


def db(ratio):
    return 20.0 * math.log10(ratio)


def angle_of(frequency_hz, *, seconds=2.0, phase=0.2):
    return 2.0 * np.pi * frequency_hz / RATE * np.arange(round(seconds * RATE)) + phase


def noise(n, seed=0):
    return NOISE * np.random.default_rng(seed).standard_normal(n)


def hard_clip_harmonics(a, last):
    # Fourier series of a clipped sine of amplitude a > 1 (standards of the field, computed there).
    t = math.asin(1.0 / a)
    found = {1: 2.0 / math.pi * (a * t + math.cos(t))}
    for k in range(3, last + 1, 2):
        inner = a / 2.0 * (math.sin((k - 1) * t) / (k - 1) - math.sin((k + 1) * t) / (k + 1)) + math.cos(k * t) / k
        found[k] = 4.0 / math.pi * inner
    return found


def half_wave_harmonics(last):
    return {1: 0.5} | {k: -2.0 / (math.pi * (k**2 - 1)) for k in range(2, last + 1, 2)}


def series(harmonics, angle):
    """Sum of what lies below half the rate; odd orders are sines and even ones cosines for these shapers."""
    step = float(angle[1] - angle[0])
    y = np.zeros(len(angle))
    for k, h in harmonics.items():
        if k * step < 0.98 * np.pi:
            y += h * (np.sin(k * angle) if k % 2 else np.cos(k * angle))
    return y


# One period each of the shapers of waveshaper_harmonics.csv that fold nothing at 1 kHz.
SHAPERS = {
    "cubic x-0.1x^3": lambda x: x - 0.1 * x**3,
    "cubic 1.5x-0.5x^3": lambda x: 1.5 * x - 0.5 * x**3,
    "quadratic x+0.1x^2": lambda x: x + 0.1 * x**2,
    "tanh(0.25x)": lambda x: np.tanh(0.25 * x),
    "tanh(0.5x)": lambda x: np.tanh(0.5 * x),
    "tanh(0.628786x)": lambda x: np.tanh(0.628786 * x),
    "tanh(1x)": np.tanh,
    "arctan(0.5x)": lambda x: np.arctan(0.5 * x),
    "arctan(0.659341x)": lambda x: np.arctan(0.659341 * x),
    "arctan(1x)": np.arctan,
    "x/sqrt(1+x^2)": lambda x: x / np.sqrt(1.0 + x**2),
    "tanh(0.63x+0.1)-tanh(0.1)": lambda x: np.tanh(0.63 * x + 0.1) - np.tanh(0.1),
}


def table():
    lines = (REFERENCE / "waveshaper_harmonics.csv").read_text().splitlines()
    return {row["shaper"]: row for row in csv.DictReader(line for line in lines if not line.startswith("#"))}


@pytest.mark.parametrize("name", SHAPERS)
def test_table_of_waveshapers(name):
    # waveshaper_harmonics.csv: Fourier analysis of y(sin t), six digits, THD over harmonics 2 to 3999.
    row = table()[name]
    y = SHAPERS[name](np.sin(angle_of(997.3)))
    result = harmonic_distortion(y + float(row["h1"]) * noise(len(y)), RATE)
    # 0.001 dB are 0.0115 %; the table's last digit may add a few parts in a million.
    assert result.thd_f.value == pytest.approx(float(row["thd_f_percent"]), rel=1.15e-4)
    assert result.thd_r.value == pytest.approx(float(row["thd_r_percent"]), rel=1.15e-4)
    for k in range(2, 8):
        expected = float(row[f"h{k}"]) / float(row["h1"])
        reading = result.harmonic(k)
        if expected > 3e-3:  # above -50 dB, where 2 s of this noise allow 0.001 dB at 4 sigma
            assert reading.value == pytest.approx(db(expected), abs=1e-3)
        elif expected > 1e-6:
            assert reading.value == pytest.approx(db(expected), abs=max(4.5 * reading.uncertainty, 1e-3))
        elif expected == 0.0:
            assert not reading.defined or reading.value < -120.0


@settings(max_examples=6, deadline=None)
@given(frequency=st.floats(120.0, 2_200.0), phase=st.floats(-3.0, 3.0), seed=st.integers(0, 2**31))
def test_closed_forms_hold_at_any_frequency(frequency, phase, seed):
    angle = angle_of(frequency, phase=phase)
    floor = noise(len(angle), seed)
    # Cubic: h3 / h1 = (u / 4) / (1 - 3 u / 4), u = a A^2. 3 % at u = 0.11009.
    u = 0.12 / 1.09
    result = harmonic_distortion(np.sin(angle) - u * np.sin(angle) ** 3 + floor, RATE, frequency_hz=frequency)
    assert db(result.thd_f.value / 3.0) == pytest.approx(0.0, abs=1e-3)
    assert result.harmonic(3).value == pytest.approx(db(0.03), abs=1e-3)
    # Clipped by 1, 3 and 12 dB, and half-wave rectified: band-limited series, THD over the harmonics present.
    for harmonics in (
        hard_clip_harmonics(10**0.05, 399),
        hard_clip_harmonics(10**0.6, 399),
        half_wave_harmonics(398),
    ):
        present = [h for k, h in harmonics.items() if 2 <= k <= 10]
        result = harmonic_distortion(series(harmonics, angle) + floor, RATE, frequency_hz=frequency)
        expected = 100.0 * math.sqrt(sum(h**2 for h in present)) / harmonics[1]
        assert db(result.thd_f.value / expected) == pytest.approx(0.0, abs=1e-3)
        assert result.thd_r.value == pytest.approx(
            expected / math.sqrt(1.0 + (expected / 100.0) ** 2), rel=1.15e-4
        )


@pytest.mark.parametrize("gain", [0.5, 0.6287864, 1.0])
def test_tangent_and_arctangent_against_their_series(gain):
    # atan(g sin): h_k = 2 q^k / k; tanh(g sin): sums of such terms over its poles (closed forms, computed).
    q = (math.sqrt(1.0 + gain**2) - 1.0) / gain
    arctan = {k: 2.0 * q**k / k for k in range(1, 12, 2)}
    poles = [2.0 * gain / ((2 * n - 1) * math.pi) for n in range(1, 20_000)]

    def term(a, k):
        return a / math.sqrt(1.0 + a**2) * ((math.sqrt(1.0 + a**2) - 1.0) / a) ** k

    tanh = {k: 4.0 / gain * sum(term(a, k) for a in poles) for k in (3, 5, 7)}
    from scipy.integrate import quad

    tanh[1] = quad(lambda t: math.tanh(gain * math.sin(t)) * math.sin(t), 0.0, 2.0 * math.pi)[0] / math.pi
    x = np.sin(angle_of(443.7))
    for shape, harmonics in ((np.arctan, arctan), (np.tanh, tanh)):
        y = shape(gain * x)
        result = harmonic_distortion(y + harmonics[1] * noise(len(y)), RATE)
        assert result.harmonic(3).value == pytest.approx(db(harmonics[3] / harmonics[1]), abs=1e-3)
        fifth = result.harmonic(5)
        assert fifth.value == pytest.approx(
            db(harmonics[5] / harmonics[1]), abs=max(1e-3, 4.5 * fifth.uncertainty)
        )


@pytest.mark.parametrize("gain", [0.4, 1.0, 2.5])
def test_harmonics_are_those_of_quadpack(gain):
    # Fourier coefficients of a lopsided tangent by QUADPACK: no formula of ours.
    from scipy.integrate import quad

    def shape(x):
        return np.tanh(gain * x + 0.2)

    lines = []
    for k in range(1, 11):
        cosine = quad(lambda t, k=k: shape(np.cos(t)) * math.cos(k * t), 0.0, math.pi)[0] * 2.0 / math.pi
        lines.append(cosine)
    result = harmonic_distortion(shape(np.cos(angle_of(311.1))), RATE)
    for k in range(2, 11):
        # Taken from a cosine, all phases are 0 or 180 degrees at the crest.
        assert result.harmonic(k).value == pytest.approx(db(abs(lines[k - 1] / lines[0])), abs=1e-3)
        turn = result.phases[k - 2].value - (180.0 if lines[k - 1] / lines[0] < 0.0 else 0.0)
        assert abs(math.remainder(turn, 360.0)) < 0.05


@pytest.mark.parametrize("wow_hz", [0.5, 4.0, 30.0])
def test_flutter_does_not_count(wow_hz):
    # The case at which meters of single bins fail: a 3 % cubic with 0.2 % flutter reads 1.6 to 1.8 % there.
    t = np.arange(2 * RATE) / RATE
    angle = 2.0 * np.pi * 1000.0 * t + 0.002 * 1000.0 / wow_hz * np.sin(2.0 * np.pi * wow_hz * t)
    u = 0.12 / 1.09
    x = np.sin(angle)
    reading = harmonic_distortion(x - u * x**3 + noise(len(x)), RATE).harmonic(3)
    assert reading.value == pytest.approx(db(0.03), abs=1e-3)
    # Noise at -40 dB, where 80 Hz wide bands read 0.25 % too much.
    loud = harmonic_distortion(x - u * x**3 + 10.0 ** (56 / 20) * noise(len(x)), RATE).thd_f
    assert loud.value == pytest.approx(3.0, rel=0.01)


@pytest.mark.parametrize("name", ["tanh", "atan", "cubic"])
def test_files_from_ffmpeg_have_the_harmonics_of_their_formulas(name):
    # asoftclip on 0.8 sin(t), 997.3 Hz: formulas of its source text; see tests/reference/make_distorted_files.sh.
    import soundfile
    from scipy.integrate import quad

    shape = {
        "tanh": lambda x: math.tanh(2.0 * x),
        "atan": lambda x: 2.0 / math.pi * math.atan(2.0 * x),
        "cubic": lambda x: x - 0.1481 * x**3,
    }[name]
    lines = [
        quad(lambda t, k=k: shape(0.8 * math.sin(t)) * math.sin(k * t), 0.0, 2.0 * math.pi)[0] / math.pi
        for k in (1, 3, 5, 7, 9)
    ]
    samples, rate = soundfile.read(REFERENCE / f"asoftclip_{name}.flac")
    result = harmonic_distortion(samples, rate)
    assert result.thd_f.value == pytest.approx(100.0 * math.hypot(*lines[1:]) / lines[0], rel=2e-6)
    assert result.level.value == pytest.approx(db(lines[0]), abs=1e-5)


def test_a_file_from_sox_has_the_harmonics_of_its_formula():
    # overdrive 6 dB, colour 0: 0.5 x + 0.75 highpass(d - d^3 / 3), d = g x; formula of its source text.
    import soundfile

    samples, rate = soundfile.read(REFERENCE / "overdrive.flac")
    a = 0.5 * 10.0**0.3
    turn = [np.exp(-2j * np.pi * k * 997.3 / rate) for k in (1, 3)]
    high_pass = [(1.0 - z) / (1.0 - 0.995 * z) for z in turn]
    first = abs(0.25 + 0.75 * high_pass[0] * (a - a**3 / 4.0))
    third = 0.75 * abs(high_pass[1]) * a**3 / 12.0
    result = harmonic_distortion(samples[rate // 10 :], rate)  # its high-pass has settled by then
    assert result.harmonic(3).value == pytest.approx(db(third / first), abs=1e-5)
    assert result.level.value == pytest.approx(db(first), abs=1e-5)
    assert result.harmonic(2).value < -120.0 or not result.harmonic(2).defined


@pytest.mark.parametrize("drive_db", [0.0, 5.0, 10.0])
def test_pedalboards_distortion_has_the_harmonics_of_a_tangent(drive_db):
    # It is documented as tanh(gain x); computed in single precision.
    import pedalboard
    from scipy.integrate import quad

    gain = 0.25 * 10.0 ** (drive_db / 20.0)
    lines = [
        quad(lambda t, k=k: math.tanh(gain * math.sin(t)) * math.sin(k * t), 0.0, 2.0 * math.pi)[0] / math.pi
        for k in (1, 3, 5, 7, 9)
    ]
    x = (0.25 * np.sin(angle_of(997.3, seconds=1.0))).astype(np.float32)
    y = pedalboard.Distortion(drive_db=drive_db)(x, RATE).astype(np.float64)
    assert harmonic_distortion(y, RATE).thd_f.value == pytest.approx(
        100.0 * math.hypot(*lines[1:]) / lines[0], rel=1e-4
    )


BAD = {
    "silence": np.zeros(RATE),
    "one sample": np.ones(1),
    "constant": np.full(RATE, 0.25),
    "not a number": np.full(RATE, np.nan),
    "noise": np.random.default_rng(0).standard_normal(RATE),
    "two tones": np.sin(angle_of(1000.0)) + np.sin(angle_of(1410.0)),
    "too short": np.sin(angle_of(1000.0))[:150],
}


@pytest.mark.parametrize("name", BAD)
def test_no_figure_without_a_tone(name):
    result = harmonic_distortion(BAD[name], RATE)
    for reading in result.readings:
        assert math.isnan(reading.value)
        assert reading.warnings
        assert "undefined" in str(reading)


def test_harmonics_above_half_the_rate_are_said_to_be_missing():
    x = np.sin(angle_of(7_000.0))
    result = harmonic_distortion(x + 0.01 * x**2, RATE)
    assert result.harmonic(3).defined or "noise" in result.harmonic(3).warnings[0]
    assert "above half the rate" in result.harmonic(4).warnings[0]
    assert "from 4 up" in result.thd_f.warnings[0]
    with pytest.raises(MeasureError, match="order"):
        result.harmonic(11)


def test_noise_is_not_distortion():
    # A clean tone in noise of -40 dB: band power would read per cents, the debiased lines read what noise allows.
    readings = [
        harmonic_distortion(
            np.sin(angle_of(997.3, seconds=1.0)) + 0.01 * np.random.default_rng(k).standard_normal(RATE), RATE
        )
        for k in range(8)
    ]
    for result in readings:
        assert result.thd_f.value < 4.0 * result.thd_f.uncertainty
        assert result.thd_f.value < 0.05
    hidden = [harmonic for result in readings for harmonic in result.harmonics if not harmonic.defined]
    assert len(hidden) > 65  # of 72; a line stands out of noise alone once in a thousand


def test_uncertainty_of_thd_is_the_scatter():
    angle = angle_of(997.3, seconds=0.3)
    clean = np.cos(angle) + 0.01 * np.cos(2.0 * angle) + 0.005 * np.cos(3.0 * angle)
    results = [
        harmonic_distortion(clean + 0.005 * np.random.default_rng(k).standard_normal(len(angle)), RATE).thd_f
        for k in range(60)
    ]
    scatter = np.std([reading.value for reading in results], ddof=1)
    assert scatter / results[0].uncertainty == pytest.approx(1.0, abs=0.4)
    mean = np.mean([reading.value for reading in results])
    assert mean == pytest.approx(100.0 * math.hypot(0.01, 0.005), abs=4.0 * scatter / math.sqrt(60.0))


@pytest.mark.parametrize("second_db", [-37.0, -44.0])
def test_a_weak_second_tone_is_told_by_its_place_and_level(second_db):
    seconds = np.arange(RATE) / RATE
    tones = np.sin(2.0 * np.pi * 1_000.0 * seconds)
    tones += 10.0 ** (second_db / 20.0) * np.sin(2.0 * np.pi * 1_370.0 * seconds)
    found = harmonic_distortion(tones, RATE).level
    assert found.warnings == (f"there is a weak second tone at 1370 Hz, {second_db:.0f} dB re the first",)


def test_a_doubt_is_stated_with_what_it_rests_on_and_else_none_is(rng: np.random.Generator) -> None:
    """Of a tone in noise with a second harmonic: THD's doubt is theory, and what lies in the noise has none."""
    angle = angle_of(1000.0)
    sound = np.sin(angle) + 0.01 * np.sin(2.0 * angle) + NOISE * rng.standard_normal(angle.size)
    found = harmonic_distortion(sound, RATE, frequency_hz=1000.0)
    readings = list(found.readings)
    stated = [math.isfinite(reading.uncertainty) for reading in readings]
    assert any(stated)
    assert not all(stated)
    assert [reading.uncertainty_basis.startswith("theory") for reading in readings] == stated
    assert [reading.uncertainty_basis == "not stated" for reading in readings] == [not each for each in stated]
