"""Saturation: closed forms, QUADPACK, and the Jiles-Atherton equation integrated by brute force."""

import csv
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fed_blocks import in_blocks
from folded_tones import aliasing_db
from hypothesis import given, settings
from hypothesis import strategies as st
from hysteresis_equation import solver

from tapeemu.errors import ParameterError
from tapeemu.processors.saturation import PreampDrive, TapeMagnetisation
from tapeemu.units import db_to_gain, gain_to_db

RATE = 48_000
REFERENCE = Path(__file__).parents[2] / "reference" / "waveshaper_harmonics.csv"

Saturation = PreampDrive | TapeMagnetisation


def sine(frequency: float, level_dbfs: float, samples: int = 2 * RATE) -> np.ndarray:
    return db_to_gain(level_dbfs) * np.sin(2.0 * np.pi * frequency * np.arange(samples) / RATE)


def harmonics(signal: np.ndarray, frequency: float, count: int = 10) -> np.ndarray:
    """Amplitudes of offset and harmonics by least squares: no window, no bins, no tapeemu."""
    phase = 2.0 * np.pi * frequency * np.arange(signal.size) / RATE
    columns = [np.ones_like(phase)]
    for order in range(1, count + 1):
        columns += [np.cos(order * phase), np.sin(order * phase)]
    fit = np.linalg.lstsq(np.column_stack(columns), signal, rcond=None)[0]
    return np.concatenate([[abs(fit[0])], np.hypot(fit[1::2], fit[2::2])])


def settled(
    processor: Saturation, frequency: float, level_dbfs: float, count: int = 10, start: int = RATE
) -> np.ndarray:
    """Harmonics of the output once transients of hysteresis and offset filter are over."""
    output = processor(sine(frequency, level_dbfs), sample_rate=RATE)
    return harmonics(output[start : start + RATE // 5], frequency, count)


def table() -> dict[str, dict[str, str]]:
    lines = [line for line in REFERENCE.read_text().splitlines() if not line.startswith("#")]
    return {row["shaper"]: row for row in csv.DictReader(lines)}


# --- preamplifier drive ------------------------------------------------------------------------------


@pytest.mark.parametrize("asymmetry_percent", [0.0, 30.0])
@pytest.mark.parametrize("frequency", [1245.0, 4186.0, 6000.0, 8000.0])
def test_drive_aliasing_below_90_db(frequency: float, asymmetry_percent: float) -> None:
    """Prime-length transform, tangent at gain 10, full-scale sine, the filters that users get."""
    size = 47_981
    place = round(frequency * size / RATE)
    tone = np.sin(2.0 * np.pi * place * np.arange(2 * size) / size + 0.1)
    drive = PreampDrive(drive_db=20.0, asymmetry_percent=asymmetry_percent, high_pass_hz=30.0)
    output = drive(tone, sample_rate=RATE)
    assert aliasing_db(output[size - 1000 : -1000], place) < -90.0


@pytest.mark.parametrize("asymmetry_percent", [0.0, 30.0, -60.0])
@pytest.mark.parametrize("level_db", [0.0, 4.3])
def test_little_drive_at_half_the_rate_folds_as_little(level_db: float, asymmetry_percent: float) -> None:
    """At the largest gain with six times, full scale and 4.3 dB beyond: the bound of twelve times at 10."""
    size = 47_981
    place = round(8000.0 * size / RATE)
    tone = db_to_gain(level_db) * np.sin(2.0 * np.pi * place * np.arange(2 * size) / size + 0.1)
    drive = PreampDrive(drive_db=gain_to_db(3.0) - 1e-9, asymmetry_percent=asymmetry_percent, high_pass_hz=30.0)
    output = drive(tone, sample_rate=RATE)
    assert aliasing_db(output[size - 1000 : -1000], place) < -90.0


def test_gain_decides_how_often_the_curve_is_sampled() -> None:
    from tapeemu.dsp.kernels.drive import drive_factor

    def factor(gain: float, sample_rate: float) -> int:
        return int(drive_factor(PreampDrive(drive_db=gain_to_db(gain)).kernel_settings(), sample_rate))

    assert [factor(gain, 48_000.0) for gain in (0.5, 2.8, 2.999, 3.001, 10.0)] == [6, 6, 6, 12, 12]
    assert [factor(2.8, rate) for rate in (8_000.0, 96_000.0, 192_000.0, 384_000.0)] == [6, 6, 4, 2]


@pytest.mark.parametrize("gain", [0.25, 0.5, 1.0, 2.0])
def test_drive_has_the_harmonics_of_the_tangent(gain: float) -> None:
    """Table of closed forms (six digits), for a full-scale sine."""
    row = table()[f"tanh({gain:g}x)"]
    found = settled(PreampDrive(drive_db=gain_to_db(gain)), 1000.0, 0.0, count=19) * gain
    for order in (1, 3, 5, 7):
        assert found[order] == pytest.approx(float(row[f"h{order}"]), rel=5e-5, abs=2e-9)
    thd = 100.0 * math.sqrt(np.sum(found[2:] ** 2)) / found[1]
    assert thd == pytest.approx(float(row["thd_f_percent"]), rel=5e-5)
    assert np.all(found[2::2] < 1e-9 * found[1])


def test_drive_series_of_the_tangent() -> None:
    """h_k = (4/g) sum a_n / sqrt(1 + a_n^2) q_n^k (partial fractions of tanh), at gain 3."""
    gain = 3.0
    a = 2.0 * gain / ((2.0 * np.arange(1, 200_000) - 1.0) * np.pi)
    q = (np.sqrt(1.0 + a * a) - 1.0) / a
    found = settled(PreampDrive(drive_db=gain_to_db(gain)), 500.0, 0.0, count=30) * gain
    for order in (3, 5, 9, 15):
        expected = 4.0 / gain * np.sum(a / np.sqrt(1.0 + a * a) * q**order)
        assert found[order] == pytest.approx(expected, rel=5e-5)


def test_drive_with_asymmetry_against_the_table() -> None:
    row = table()["tanh(0.63x+0.1)-tanh(0.1)"]
    rest = math.tanh(0.1)
    drive = PreampDrive(drive_db=gain_to_db(0.63), asymmetry_percent=100.0 * rest)
    found = settled(drive, 1000.0, 0.0) * 0.63 * (1.0 - rest * rest)
    for order in (1, 2, 3, 4, 5):
        assert found[order] == pytest.approx(float(row[f"h{order}"]), rel=2e-4)


@pytest.mark.parametrize("asymmetry_percent", [15.0, -50.0])
def test_drive_second_harmonic_against_quadpack(asymmetry_percent: float) -> None:
    from scipy.integrate import quad

    gain, rest = 2.0, asymmetry_percent / 100.0
    found = settled(PreampDrive(drive_db=gain_to_db(gain), asymmetry_percent=asymmetry_percent), 1000.0, 0.0)

    def curve(angle: float) -> float:
        return (math.tanh(gain * math.sin(angle) + math.atanh(rest)) - rest) / (gain * (1.0 - rest**2))

    for order in range(1, 6):
        cosine = quad(lambda t, k=order: curve(t) * math.cos(k * t) / math.pi, 0, 2 * math.pi, epsabs=1e-12)[0]
        sine_ = quad(lambda t, k=order: curve(t) * math.sin(k * t) / math.pi, 0, 2 * math.pi, epsabs=1e-12)[0]
        assert found[order] == pytest.approx(math.hypot(cosine, sine_), rel=1e-4, abs=1e-8)
    assert found[0] < 1e-6  # the offset is gone


def test_drive_third_harmonic_follows_the_cube_of_level() -> None:
    """Taylor: tanh x = x - x^3/3, so h3/h1 is u/(12 - 3u) with u = (gain A)^2 and rises 2 dB per dB."""
    drive = PreampDrive(drive_db=0.0)
    ratio = [found[3] / found[1] for found in (settled(drive, 1000.0, level) for level in (-40.0, -30.0))]
    assert gain_to_db(ratio[1] / ratio[0]) == pytest.approx(20.0, abs=0.02)
    u = db_to_gain(-40.0) ** 2
    assert ratio[0] == pytest.approx(u / 12.0 / (1.0 - u / 4.0), rel=1e-3)


@pytest.mark.parametrize(
    ("thd_percent", "level_dbfs", "asymmetry_percent"),
    [(0.1, -18.0, 0.0), (1.0, -18.0, 0.0), (1.0, -18.0, 25.0), (3.0, -6.0, -40.0), (10.0, 0.0, 10.0)],
)
def test_drive_thd_asked_for_is_thd_found(thd_percent: float, level_dbfs: float, asymmetry_percent: float) -> None:
    drive = PreampDrive(
        thd_percent=thd_percent, reference_level_dbfs=level_dbfs, asymmetry_percent=asymmetry_percent
    )
    found = settled(drive, 331.0, level_dbfs, count=60)
    assert 100.0 * np.sqrt(np.sum(found[2:] ** 2)) / found[1] == pytest.approx(thd_percent, rel=1e-4)
    assert drive.expected_thd_percent(level_dbfs) == pytest.approx(thd_percent, rel=1e-6)


def test_drive_thd_out_of_reach_names_the_range() -> None:
    with pytest.raises(ParameterError, match=r"thd_percent is 60 %, but this curve gives .* to 47\.7 %"):
        PreampDrive(thd_percent=60.0)


def test_only_one_way_to_set_the_drive() -> None:
    with pytest.raises(ParameterError, match="leave one of them out"):
        PreampDrive(drive_db=6.0, thd_percent=1.0)
    with pytest.raises(ParameterError, match="leave one of them out"):
        TapeMagnetisation(drive_db=6.0, mol_db=10.0)
    assert PreampDrive().effective_drive_db == 6.0
    assert TapeMagnetisation().effective_drive_db == 6.0


@pytest.mark.parametrize("asymmetry_percent", [0.0, 40.0])
def test_drive_level_matched_keeps_the_rms(asymmetry_percent: float) -> None:
    drive = PreampDrive(
        drive_db=24.0, asymmetry_percent=asymmetry_percent, level_matched=True, reference_level_dbfs=-12.0
    )
    found = settled(drive, 331.0, -12.0, count=60)
    assert gain_to_db(np.sqrt(np.sum(found[1:] ** 2)) / db_to_gain(-12.0)) == pytest.approx(0.0, abs=0.001)


def test_drive_leaves_small_signals_alone() -> None:
    """Unity gain and alignment to the sample: the difference is the phase of a 0.5 Hz high-pass."""
    dry = sine(5000.0, -100.0, 20_000)
    for asymmetry_percent in (0.0, 50.0):
        drive = PreampDrive(drive_db=6.0, high_pass_hz=0.5, asymmetry_percent=asymmetry_percent)
        wet = drive(dry, sample_rate=RATE)
        assert np.max(np.abs(wet - dry)[500:-500]) < 3e-4 * db_to_gain(-100.0)


@pytest.mark.parametrize("sample_rate", [8_000, 22_050, 44_100, 96_000, 192_000, 384_000])
def test_drive_aliasing_at_other_rates(sample_rate: int) -> None:
    """A tone at one sixth of the rate or 8 kHz, whichever is lower, folds below -90 dB everywhere."""
    size = 9973
    place = round(min(8000.0 / sample_rate, 1.0 / 6.0) * size) | 1
    tone = np.sin(2.0 * np.pi * place * np.arange(3 * size) / size + 0.1)
    output = PreampDrive(drive_db=20.0, high_pass_hz=30.0)(tone, sample_rate=sample_rate)[size : 2 * size]
    power = np.abs(np.fft.rfft(output)) ** 2
    power[0] = 0.0
    limit = int(size * min(20_000 / sample_rate, 0.4167))
    on = np.zeros(power.size, bool)
    on[place::place] = True
    assert 10.0 * np.log10(power[:limit][~on[:limit]].sum() / power[:limit][on[:limit]].sum()) < -90.0


def test_tangent_of_the_kernel() -> None:
    from tapeemu.dsp.kernels.drive import bend
    from tapeemu.dsp.kernels.oversampling import HISTORY_HIGH

    positive = np.concatenate([np.linspace(0.0, 15.0, 4001), [1e-30, 1e-9, 1e6]])
    x = np.concatenate([positive, -positive])
    for rest in (0.0, 0.3, -0.6):
        high = np.concatenate([np.zeros(HISTORY_HIGH), x])[None]
        bend(x.size, rest, high)
        out = high[0, HISTORY_HIGH:]
        wanted = np.tanh(x) / (1.0 + rest * np.tanh(x))
        np.testing.assert_allclose(out, wanted, rtol=1.4e-10 / (1.0 - abs(rest)))
        if rest == 0.0:
            np.testing.assert_array_equal(out[: positive.size], -out[positive.size :])


# --- tape magnetisation ------------------------------------------------------------------------------

UNBIASED = TapeMagnetisation(drive_db=0.0, bias_percent=0.0, high_pass_hz=0.5)
"""A full-scale sine is a field of 40 kA/m; the equation as published."""


@pytest.mark.parametrize(("frequency", "error_bound_db"), [(5000.0, -75.0), (9000.0, -75.0)])
def test_tape_solves_the_equation(frequency: float, error_bound_db: float) -> None:
    """Error and aliasing against 256 times the rate, ideally decimated; our own filters count."""
    size, factor = 4801, 256
    place = round(frequency * size / RATE)
    # The loop repeats from the second period of the tone on: a hundred of them go by before the one that is read.
    period = 4e4 * np.sin(2.0 * np.pi * place * np.arange(size * factor) / (size * factor))
    lead_in = round(100 / place * size) * factor
    field = np.concatenate([period[-lead_in:], period])
    magnetisation = np.empty_like(field)
    solver()(field, magnetisation, 4)
    spectrum = np.fft.rfft(magnetisation[-size * factor :])[: size // 2 + 1]
    reference = np.fft.irfft(spectrum, size) / factor
    tone = np.sin(2.0 * np.pi * place * np.arange(40 * size) / size)
    output = UNBIASED(tone, sample_rate=RATE)[38 * size : 39 * size] / UNBIASED.output_gain
    error = 10.0 * np.log10(np.sum((output - reference) ** 2) / np.sum(reference**2))
    assert error < error_bound_db
    assert aliasing_db(output, place) < -84.0


@pytest.mark.parametrize("bias_percent", [80.0, 100.0])
@pytest.mark.parametrize("level_db", [0.0, 4.0])
def test_calm_tape_at_half_the_rate_folds_little(level_db: float, bias_percent: float) -> None:
    """At the largest field with six times, full scale and 4 dB beyond."""
    size = 47_981
    place = round(8000.0 * size / RATE)
    tone = db_to_gain(level_db) * np.sin(2.0 * np.pi * place * np.arange(2 * size) / size + 0.1)
    tape = TapeMagnetisation(mol_db=4.0, bias_percent=bias_percent, high_pass_hz=30.0)
    output = tape(tone, sample_rate=RATE)
    assert aliasing_db(output[size - 1000 : -1000], place) < -90.0


def test_calm_tape_sounds_alike_at_six_and_twelve_times(
    rng: np.random.Generator,
) -> None:
    """Two tones and noise at the limits of six times: what twelve times gives, within -95 dB."""
    from tapeemu.dsp.kernels.magnetised import magnetised_factor

    time = np.arange(RATE // 2) / RATE
    audio = 0.4 * np.sin(2e3 * np.pi * 3.0 * time) + 0.4 * np.sin(2e3 * np.pi * 5.1 * time)
    audio += 0.05 * rng.standard_normal(time.size)
    tape = TapeMagnetisation(mol_db=4.0, bias_percent=80.0)
    six = tape(audio, sample_rate=RATE)
    assert magnetised_factor(tape.kernel_settings(), 48_000.0) == 6
    # A hair less bias runs at twelve times, and is another loop by far less than the bound.
    twelve = TapeMagnetisation(mol_db=4.0, bias_percent=79.9999)(audio, sample_rate=RATE)
    assert gain_to_db(np.sqrt(np.mean((six - twelve) ** 2) / np.mean(twelve**2))) < -95.0


@pytest.mark.parametrize("bias_percent", [80.0, 90.0, 100.0])
def test_decision_for_six_times_knows_the_field_of_three_percent(bias_percent: float) -> None:
    from tapeemu.dsp.kernels.hysteresis_loop import field_of_mol
    from tapeemu.dsp.kernels.magnetised import CALM_MOL_FIELD, reversible_share

    field = field_of_mol(reversible_share(TapeMagnetisation(bias_percent=bias_percent).kernel_settings()))
    assert 1.4 <= field <= CALM_MOL_FIELD


def test_tape_solves_the_equation_for_an_aperiodic_field() -> None:
    """Three tones, from the demagnetised state: minor loops included; the kernel alone, no filters."""
    from tapeemu.dsp.kernels import magnetisation as kernels

    def field(rate: float, seconds: float = 0.01) -> np.ndarray:
        t = np.arange(round(rate * seconds)) / rate
        fade = np.minimum(t / 0.001, 1.0)
        tones = 0.9 * np.sin(2 * np.pi * 700 * t) + 0.6 * np.sin(2 * np.pi * 3100 * t + 1)
        return fade * (tones + 0.2 * np.sin(2 * np.pi * 9300 * t))

    reference = np.empty(round(0.01 * 576_000 * 32))
    solver()(2.2e4 * field(576_000 * 32), reference, 4)
    out = field(576_000)[None, None]
    work = np.zeros((2, kernels.ROWS, kernels.SCRATCH))
    memory = kernels.TapeMemory(np.zeros((1, 2)), np.zeros((1, kernels.HISTORY_H)), work)
    law = kernels.Law(field=1.0, reversible=0.17, gain=1.0, release=0.0, swing=0.0)
    kernels.magnetise(out, 0, out.shape[2], 12, law, memory)
    expected = reference[::32][: out.shape[2] - 12]
    assert np.max(np.abs(out[0, 0, 12:] - expected)) < 1e-4 * np.max(np.abs(expected))


@pytest.mark.parametrize(
    ("mol_db", "reference_level_dbfs", "bias_percent"),
    [(10.0, -18.0, 90.0), (6.0, -20.0, 100.0), (14.0, -18.0, 60.0)],
)
def test_tape_mol_asked_for_is_mol_found(mol_db: float, reference_level_dbfs: float, bias_percent: float) -> None:
    """Level of 3 % third harmonic (DIN 45500, from the standards table) by a sweep of level at 1 kHz."""
    tape = TapeMagnetisation(mol_db=mol_db, reference_level_dbfs=reference_level_dbfs, bias_percent=bias_percent)
    levels = reference_level_dbfs + mol_db + np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    ratios = [found[3] / found[1] for found in (settled(tape, 1000.0, level) for level in levels)]
    assert np.all(np.diff(ratios) > 0.0)
    found_dbfs = np.interp(math.log(0.03), np.log(ratios), levels)
    assert found_dbfs - reference_level_dbfs == pytest.approx(mol_db, abs=0.02)
    again = TapeMagnetisation(
        drive_db=tape.effective_drive_db,
        reference_level_dbfs=reference_level_dbfs,
        bias_percent=bias_percent,
    )
    assert again.effective_mol_db == pytest.approx(mol_db, abs=1e-3)


def test_tape_third_harmonic_dominates_and_rises_two_db_per_db() -> None:
    tape = TapeMagnetisation(mol_db=10.0)
    levels = np.array([-20.0, -15.0, -10.0, -5.0, 0.0])
    sweep = [settled(tape, 1000.0, -8.0 + level) for level in levels]
    thirds = np.array([gain_to_db(found[3] / found[1]) for found in sweep])
    slopes = np.diff(thirds) / np.diff(levels)
    assert np.all((slopes > 1.8) & (slopes < 2.2))
    for found in sweep:
        others = np.concatenate([[found[2]], found[4:]])
        assert found[3] > 3.0 * np.max(others)


@pytest.mark.parametrize("bias_percent", [0.0, 90.0])
def test_tape_has_no_even_harmonics(bias_percent: float) -> None:
    tape = TapeMagnetisation(drive_db=6.0, bias_percent=bias_percent)
    for level in (-18.0, -6.0, 0.0):
        found = settled(tape, 1000.0, level)
        assert np.all(20.0 * np.log10(found[2::2] / found[1]) < -100.0)


def test_tape_without_bias_distorts_small_signals() -> None:
    """Rayleigh's law: without bias the third-harmonic ratio falls only 1 dB per dB."""
    tape = TapeMagnetisation(drive_db=-20.0, bias_percent=0.0)
    ratio = [found[3] / found[1] for found in (settled(tape, 1000.0, level) for level in (-30.0, -20.0))]
    assert gain_to_db(ratio[1] / ratio[0]) == pytest.approx(10.0, abs=0.5)


@pytest.mark.parametrize("bias_percent", [0.0, 90.0, 100.0])
@pytest.mark.parametrize("drive_db", [-10.0, 15.0])
def test_tape_keeps_the_reference_level(bias_percent: float, drive_db: float) -> None:
    tape = TapeMagnetisation(drive_db=drive_db, bias_percent=bias_percent)
    for frequency in (100.0, 1000.0, 7000.0):
        level = gain_to_db(settled(tape, frequency, -18.0, count=3)[1])
        assert level == pytest.approx(-18.0, abs=0.005)


def test_tape_lags_the_field() -> None:
    """The loop is run through anticlockwise: loss is positive."""
    dry = sine(200.0, 0.0, 24_000)
    wet = UNBIASED(dry, sample_rate=RATE)
    assert np.sum(wet[12_000:-1] * np.diff(dry[12_000:])) < 0.0 < np.sum(wet[12_000:] * dry[12_000:])


def test_a_tape_that_stands_still_remembers_a_pulse() -> None:
    """The kernel without the passage of tape: the remanence of the equation, integrated by brute force."""
    from tapeemu.dsp.kernels import magnetisation as kernels

    pulse = np.concatenate([np.zeros(100), 2.0 * np.hanning(4000), np.zeros(100)])
    fine = np.interp(np.arange(0.0, pulse.size, 1.0 / 16.0), np.arange(pulse.size), pulse)
    reference = np.empty(fine.size)
    solver()(2.2e4 * fine, reference, 4)
    out = pulse[None, None].copy()
    work = np.zeros((2, kernels.ROWS, kernels.SCRATCH))
    memory = kernels.TapeMemory(np.zeros((1, 2)), np.zeros((1, kernels.HISTORY_H)), work)
    law = kernels.Law(field=1.0, reversible=0.17, gain=1.0, release=0.0, swing=0.0)
    kernels.magnetise(out, 0, pulse.size, 12, law, memory)
    assert reference[-1] > 0.1
    assert out[0, 0, -1] == pytest.approx(reference[-1], rel=1e-3)


@pytest.mark.parametrize("bias_percent", [0.0, 50.0])
@pytest.mark.parametrize("drive_db", [-10.0, 6.0, 15.0])
def test_the_passage_of_tape_leaves_the_loops_of_low_tones_alone(bias_percent: float, drive_db: float) -> None:
    """The settled loop, which contains no time, at 20 and at 50 Hz: level and third harmonic."""
    tape = TapeMagnetisation(drive_db=drive_db, bias_percent=bias_percent, high_pass_hz=0.5)
    for frequency, level_db, third_db in ((20.0, 0.15, 0.5), (50.0, 0.05, 0.1)):
        for level in (-18.0, 0.0):
            found = settled(tape, frequency, level)
            third = 100.0 * found[3] / found[1]
            assert gain_to_db(third / tape.expected_third_harmonic_percent(level)) == pytest.approx(
                0.0, abs=third_db
            )
            high = settled(tape, 1000.0, level, count=3)
            assert gain_to_db(found[1] / high[1]) == pytest.approx(0.0, abs=level_db)


def test_langevin_of_the_kernel() -> None:
    """Extended precision where the closed form is good, the power series (Bernoulli numbers) below."""
    from tapeemu.dsp.kernels.magnetisation import tabulate

    x = np.concatenate([np.linspace(-40.0, 40.0, 4000), np.linspace(-0.1, 0.1, 101)])
    work = np.zeros((4, x.size))
    work[0] = x
    tabulate(0, x.size, work)
    _, value, slope, curve = work
    small = np.abs(x) <= 0.1
    wide = x[~small].astype(np.longdouble)
    np.testing.assert_allclose(value[~small], (1 / np.tanh(wide) - 1 / wide).astype(float), atol=1e-11)
    np.testing.assert_allclose(slope[~small], (1 / wide**2 - 1 / np.sinh(wide) ** 2).astype(float), atol=1e-11)
    exact = (np.cosh(wide) / np.sinh(wide) ** 3 - 1 / wide**3).astype(float)
    np.testing.assert_allclose(curve[~small], exact, atol=2e-9)
    s = x[small]
    np.testing.assert_allclose(value[small], s / 3 - s**3 / 45 + 2 * s**5 / 945 - s**7 / 4725, atol=1e-13)
    np.testing.assert_allclose(slope[small], 1 / 3 - s**2 / 15 + 2 * s**4 / 189 - s**6 / 675, atol=1e-11)
    np.testing.assert_allclose(curve[small], -s / 15 + 4 * s**3 / 189 - 3 * s**5 / 675, atol=1e-10)


# --- both --------------------------------------------------------------------------------------------

BOTH = (
    PreampDrive(drive_db=14.0, asymmetry_percent=30.0, level_matched=True),
    TapeMagnetisation(drive_db=10.0, bias_percent=40.0),
)


@pytest.mark.parametrize("processor", BOTH, ids=lambda processor: processor.kind)
@pytest.mark.parametrize("sample_rate", [48_000, 192_000, 384_000])
def test_blocks_and_channels_change_no_bit(
    processor: Saturation, sample_rate: int, rng: np.random.Generator
) -> None:
    audio = 0.5 * rng.standard_normal((3, 2600))
    whole = processor.stream(sample_rate=sample_rate, channels=3).process(audio)
    sizes = (1, 0, 2, 3, 5, 7, 11, 1, 600, 13, 1000, 17, 940)
    cut = in_blocks(processor.stream(sample_rate=sample_rate, channels=3), audio, sizes, tail=0)
    np.testing.assert_array_equal(cut[:, :2600], whole)
    for channel in range(3):
        alone = processor.stream(sample_rate=sample_rate, channels=1).process(audio[channel])
        np.testing.assert_array_equal(alone, whole[channel])


@pytest.mark.parametrize("processor", BOTH, ids=lambda processor: processor.kind)
def test_silence_ends_in_exact_zeros(processor: Saturation, rng: np.random.Generator) -> None:
    stream = processor.replace(high_pass_hz=30.0).stream(sample_rate=RATE, channels=2)
    stream.process(rng.standard_normal((2, 5000)))
    rest = stream.process(np.zeros((2, stream.tail_samples(-660.0))))
    assert np.any(rest[:, 1000] != 0.0)
    assert np.all(rest[:, -1] == 0.0)


@pytest.mark.parametrize("processor", BOTH, ids=lambda processor: processor.kind)
def test_tail_is_the_decay_of_the_offset_filter(processor: Saturation) -> None:
    """A long step leaves the largest offset there can be: exactly at the end of the tail it is 60 dB down."""
    stream = processor.replace(high_pass_hz=5.0).stream(sample_rate=RATE, channels=1)
    tail = stream.tail_samples(-60.0)
    output = stream.process(np.concatenate([np.full(2 * RATE, 0.4), np.zeros(tail + 2000)]))
    decay = output[2 * RATE + stream.latency + 500 :]
    assert abs(decay[tail - 500] / decay[0]) == pytest.approx(1e-3 * 10 ** (500 / tail * 3.0), rel=0.01)


@given(
    drive_db=st.floats(-40.0, 60.0),
    asymmetry_percent=st.floats(-60.0, 60.0),
    scale=st.sampled_from([1e-30, 1e-12, 1.0, 1e3, 1e6]),
    square=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=40, deadline=None)
def test_drive_is_finite_and_bounded(
    drive_db: float, asymmetry_percent: float, scale: float, square: bool, seed: int
) -> None:
    noise = np.random.default_rng(seed).standard_normal(700)
    audio = scale * (np.sign(noise) if square else noise)
    drive = PreampDrive(drive_db=drive_db, asymmetry_percent=asymmetry_percent)
    output = drive.stream(sample_rate=RATE, channels=1).process(audio)
    rest = abs(asymmetry_percent) / 100.0
    limit = (1.0 + rest) / (db_to_gain(drive_db) * (1.0 - rest * rest))
    assert np.all(np.isfinite(output))
    assert np.max(np.abs(output)) < 4.0 * limit  # the sum of the absolute taps on the way down, and the step


@given(
    drive_db=st.floats(-40.0, 40.0),
    bias_percent=st.floats(0.0, 100.0),
    scale=st.sampled_from([1e-30, 1e-12, 1.0, 1e3, 1e6]),
    square=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=25, deadline=None)
def test_tape_is_finite_and_bounded(
    drive_db: float, bias_percent: float, scale: float, square: bool, seed: int
) -> None:
    noise = np.random.default_rng(seed).standard_normal(400)
    audio = scale * (np.sign(noise) if square else noise)
    tape = TapeMagnetisation(drive_db=drive_db, bias_percent=bias_percent)
    output = tape.stream(sample_rate=RATE, channels=1).process(audio)
    assert np.all(np.isfinite(output))
    assert np.max(np.abs(output)) < 4.0 * tape.output_gain


# --- designs, against numpy and scipy ----------------------------------------------------------------


@pytest.mark.parametrize("asymmetry_percent", [0.0, 25.0, -60.0])
@pytest.mark.parametrize("level_dbfs", [-18.0, 0.0, 12.0])
def test_drive_that_gives_a_distortion_is_scipys(asymmetry_percent: float, level_dbfs: float) -> None:
    """Brent's method on numpy's Fourier integrals of 8,192 points."""
    from scipy.optimize import brentq

    from tapeemu.dsp.driven_sine import driven_thd_percent

    for thd_percent in (2.0, 5.0, 30.0):
        drive = PreampDrive(
            thd_percent=thd_percent, reference_level_dbfs=level_dbfs, asymmetry_percent=asymmetry_percent
        )
        expected = brentq(
            lambda db, wanted=thd_percent: driven_thd_percent(db, level_dbfs, asymmetry_percent) - wanted,
            -40.0,
            60.0,
            xtol=1e-12,
        )
        assert drive.effective_drive_db == pytest.approx(expected, abs=2e-9)


def test_drives_of_kernels_and_of_validation_end_alike() -> None:
    from tapeemu.dsp import driven_sine
    from tapeemu.dsp.kernels import driven_sine as kernels

    assert (driven_sine.LEAST_DRIVE_DB, driven_sine.MOST_DRIVE_DB) == (
        kernels.LEAST_DRIVE_DB,
        kernels.MOST_DRIVE_DB,
    )


@pytest.mark.parametrize("processor", BOTH, ids=lambda processor: processor.kind)
def test_output_may_take_the_place_of_the_input(processor: Saturation, rng: np.random.Generator) -> None:
    """And a stream that goes to a place is as one made there."""
    audio = rng.standard_normal((3, 700))
    stream: Any = processor.stream(sample_rate=RATE, channels=3)
    whole = stream.process(audio)
    stream.seek(48_000)
    stream.kernels.process(stream.memory, audio, audio)
    np.testing.assert_array_equal(audio, whole)
