"""Reverberation: decay by design and as independent readers find it, density, colour, level, stability.

Figures to hold and their protocols are published baselines of a plain network (primes of 800 to 4000 samples,
Hadamard mixing); each check names its own.
"""

import pickle
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyroomacoustics.experimental import measure_rt60
from reverb_readings import BANDS_HZ, RATE, by_band, loudness_lufs, reading_error, roughness_db
from rooms import plan_of
from scipy.signal import butter, sosfilt, sosfiltfilt
from scipy.special import erfc

from tapeemu.dsp.kernels import network
from tapeemu.dsp.kernels.room import DEEPEST_ANGLE
from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream
from tapeemu.processors.fdn_reverb import DecayByBand, FdnReverb

SLOPE_SECONDS = (2.2, 2.1, 2.0, 1.9, 1.7, 1.3, 0.8)  # the slope of the requirement
FLAT = {"low_decay_ratio": 1.0, "high_decay_ratio": 1.0}


def impulse_response(
    reverb: FdnReverb, seconds: float, *, channels: int = 2, driven: int | slice = 0
) -> np.ndarray:
    impulse = np.zeros((channels, int(seconds * RATE)))
    impulse[driven, 0] = 1.0
    return reverb.replace(wet_percent=100.0)(impulse, sample_rate=RATE)


# --- decay -------------------------------------------------------------------------------------------------


TABLES = [(value,) * 7 for value in (0.2, 0.5, 1.0, 2.0, 5.0, 12.0)] + [SLOPE_SECONDS, SLOPE_SECONDS[::-1]]


@pytest.mark.parametrize(
    ("targets", "lines"),
    [
        # The shortest, a slope and its reverse are the hardest for any number of lines.
        pytest.param(
            targets,
            lines,
            marks=() if lines == 16 or targets in (TABLES[0], *TABLES[-2:]) else pytest.mark.long,
            id=f"{targets}-{lines}",
        )
        for targets in TABLES
        for lines in (8, 16, 32)
    ],
)
def test_octaves_read_the_decay_that_was_set_within_one_percent(targets, lines, octave_t30):
    reverb = FdnReverb(decay_by_band_seconds=by_band(targets), lines=lines)
    assert reading_error(reverb, targets, octave_t30) < 0.01


@pytest.mark.parametrize("lines", [8, 32])
@pytest.mark.parametrize("targets", [(0.2,) * 7, (12.0,) * 7], ids=str)
def test_flat_decay_is_exact_for_every_line(targets, lines):
    # -3 M / (fs log10 |H|) with all gains of the loop, at the octave centres
    reverb = FdnReverb(decay_by_band_seconds=by_band(targets), lines=lines)
    designed = reverb.designed_decay_seconds(sample_rate=RATE, frequencies_hz=BANDS_HZ)
    assert designed.shape == (lines, 7)
    np.testing.assert_allclose(designed, targets[0], rtol=1e-9)


@pytest.mark.parametrize(
    "changes", [{}, {"high_decay_ratio": 0.25}, {"decay_seconds": 0.4, "low_decay_ratio": 1.8}]
)
def test_octaves_read_simple_settings_within_one_percent(changes, octave_t30):
    reverb = FdnReverb(**changes)
    assert reading_error(reverb, tuple(reverb.target_decay_seconds()[1:8]), octave_t30) < 0.01


HALL_SECONDS = (4.2, 3.89, 3.6, 3.0, 1.97, 1.3, 0.7)  # the steepest shipped table


@cache
def responses(reverb: FdnReverb, seconds: float, seeds: int) -> np.ndarray:
    """Responses from each input to each output over several rooms."""
    found = []
    for seed in range(seeds):
        for driven in (0, 1):
            found.extend(impulse_response(reverb.replace(room_seed=seed), seconds, driven=driven))
    return np.array(found)


def octave_decay_seconds(found: np.ndarray, band_hz: float) -> float:
    """T30 of the mean energy decay by pyroomacoustics, in a zero-phase octave (Butterworth, three octave sides).

    One response scatters by several percent at 125 Hz; the mean energy of many does not. Zero phase because a
    causal octave filter of order 14 rings on for longer than 0.2 s at 125 Hz.
    """
    octave = butter(3, [band_hz / 2**0.5, band_hz * 2**0.5], "band", fs=RATE, output="sos")
    filtered = sosfiltfilt(octave, np.pad(found, ((0, 0), (4_000, 0))), axis=1)
    energy = np.mean(filtered**2 / np.sum(filtered**2, axis=1, keepdims=True), axis=0)
    return float(measure_rt60(np.sqrt(energy), RATE, decay_db=30))


@pytest.mark.parametrize(
    ("targets", "seeds"),
    [
        pytest.param((0.2,) * 7, 40, id="0.2 s"),
        pytest.param((0.5,) * 7, 24, id="0.5 s", marks=pytest.mark.long),
        pytest.param((2.0,) * 7, 6, id="2 s", marks=pytest.mark.long),
        pytest.param((12.0,) * 7, 1, id="12 s", marks=pytest.mark.long),
        pytest.param(SLOPE_SECONDS, 6, id="slope", marks=pytest.mark.long),
        pytest.param(HALL_SECONDS, 5, id="hall"),
    ],
)
def test_measured_decay_is_within_four_percent_in_every_octave(targets, seeds):
    reverb = FdnReverb(decay_by_band_seconds=by_band(targets))
    found = responses(reverb, 0.8 * max(targets) + 0.2, seeds)
    measured = [octave_decay_seconds(found, band) for band in BANDS_HZ]
    np.testing.assert_allclose(measured, targets, rtol=0.04)


def test_small_networks_keep_steep_tables():
    # Turning spreads the few modes of a small network over its octaves: lines that were as short as the size says
    # read 250 Hz a quarter too long. Bounds: 4 %, and the scatter of the mean of 24 responses.
    targets = (1.6, 0.8, 0.4, 0.2, 0.2, 0.2, 0.2)
    reverb = FdnReverb(decay_by_band_seconds=by_band(targets), size_percent=10.0, lines=8)
    found = responses(reverb, 1.5, 6)
    for band, target, within in zip(BANDS_HZ[:3], targets[:3], (0.06, 0.06, 0.05), strict=True):
        assert octave_decay_seconds(found, band) == pytest.approx(target, rel=within)


def test_turning_leaves_steep_octaves_their_decay():
    """T30 by pyroomacoustics of 16 rooms' mean energy, behind scipy's class 1 octave run backwards: within 3 %.

    By the jackknife the standard error is 0.7 %. Turns as wide as in other rooms carry sound from the slow octave
    into the next one: with the same filters they read -4.7 and +1.3 %, and within 0.5 % where nothing turns.
    """
    rate = 8_000
    table = DecayByBand(
        at_125_hz_seconds=9.6, at_250_hz_seconds=4.8, at_500_hz_seconds=2.4, at_1000_hz_seconds=1.2
    )
    reverb = FdnReverb(decay_by_band_seconds=table, size_percent=30.0, wet_percent=100.0)
    impulse = np.zeros((2, 9 * rate))
    impulse[0, 0] = 1.0
    energies: dict[float, np.ndarray] = {}
    for seed in range(16):
        heard = reverb.replace(room_seed=seed)(impulse, sample_rate=rate)
        for centre_hz in (125.89, 251.19):
            edges = [centre_hz * 10.0**-0.15, centre_hz * 10.0**0.15]
            octave = butter(7, edges, "bandpass", fs=rate, output="sos")
            energy = np.sum(sosfilt(octave, heard[:, ::-1])[:, ::-1] ** 2, axis=0)
            energies[centre_hz] = energies.get(centre_hz, 0.0) + energy
    for centre_hz, seconds in ((125.89, 9.6), (251.19, 4.8)):
        assert measure_rt60(np.sqrt(energies[centre_hz]), rate, decay_db=30) == pytest.approx(seconds, rel=0.03)


def test_turning_is_held_back_only_where_low_octaves_differ_much():
    for table, hertz in ((SLOPE_SECONDS, 2.0), (HALL_SECONDS, 2.0), (SLOPE_SECONDS[::-1], 0.5), ((2.0,) * 7, 5.0)):
        room = FdnReverb(decay_by_band_seconds=by_band(table), modulation_hz=hertz)
        assert plan_of(room, float(RATE), 2).depths[0] == DEEPEST_ANGLE
    falling = 6.4 * 0.5 ** np.arange(7.0)
    steep = FdnReverb(decay_by_band_seconds=by_band(falling))
    held = plan_of(steep, float(RATE), 2).depths[0]
    assert held < 0.6 * DEEPEST_ANGLE
    # What is set still counts, and fast turns are narrower ones.
    assert plan_of(steep.replace(modulation_percent=50.0), float(RATE), 2).depths[0] == pytest.approx(0.5 * held)
    assert plan_of(steep.replace(modulation_hz=1.0), float(RATE), 2).depths[0] == pytest.approx(0.5 * held)


@pytest.mark.parametrize(
    "targets",
    [pytest.param(SLOPE_SECONDS, id="slope"), pytest.param(HALL_SECONDS, id="hall", marks=pytest.mark.long)],
)
def test_measured_decay_by_pyfar_octaves(targets):
    # fourteen poles a side
    import pyfar

    found = responses(FdnReverb(decay_by_band_seconds=by_band(targets)), 0.8 * targets[0] + 0.2, 6)
    for band, target in zip(BANDS_HZ, targets, strict=True):
        filtered = pyfar.dsp.filter.fractional_octave_bands(
            pyfar.Signal(found, RATE), 1, frequency_range=(0.9 * band, 1.1 * band)
        ).time.reshape(len(found), -1)
        energy = np.mean(filtered**2 / np.sum(filtered**2, axis=1, keepdims=True), axis=0)
        assert measure_rt60(np.sqrt(energy), RATE, decay_db=30) == pytest.approx(target, rel=0.04)


def test_modulation_does_not_change_the_decay():
    # A quantity that is the same for still and moving networks: Schlecht & Habets 2015
    still = FdnReverb(decay_seconds=2.0, lines=32, modulation_percent=0.0, **FLAT)
    assert not plan_of(still, float(RATE), 2).depths.any()
    moving = still.replace(modulation_percent=100.0, modulation_hz=2.0)
    for reverb in (still, moving):
        found = responses(reverb, 1.8, 3)
        energy = np.mean(found**2, axis=0)
        assert measure_rt60(np.sqrt(energy), RATE, decay_db=30) == pytest.approx(2.0, rel=0.01)


@pytest.mark.parametrize("rate", [8_000, 48_000])
def test_fast_turns_of_short_lines_do_not_change_the_decay(rate):
    # 400 passes in 4 s: what interpolating the angle lost at every pass would add up
    reverb = FdnReverb(decay_seconds=4.0, size_percent=10.0, modulation_percent=100.0, modulation_hz=5.0, **FLAT)
    impulse = np.zeros((2, 4 * rate))
    impulse[:, 0] = 1.0
    found = reverb.replace(wet_percent=100.0)(impulse, sample_rate=rate)
    energy = np.mean(found**2, axis=0)
    assert measure_rt60(np.sqrt(energy), rate, decay_db=30) == pytest.approx(4.0, rel=0.01)


# --- density, colour, channels -------------------------------------------------------------------------------


def echo_density_reached_seconds(response: np.ndarray, level: float = 0.9) -> float:
    """First time at which the normalised echo density (Abel & Huang, AES 121st) reaches a level; 20 ms Hann."""
    width = RATE // 50
    window = np.hanning(width)
    window /= window.sum()
    for centre in range(width // 2, response.size - width // 2, 48):
        part = response[centre - width // 2 : centre + width // 2]
        spread = np.sqrt(np.sum(window * part**2))
        if np.sum(window * (np.abs(part) > spread)) / erfc(1.0 / np.sqrt(2.0)) > level:
            return centre / RATE
    return float("inf")


@pytest.mark.parametrize("size_percent", [30.0, 100.0])
@pytest.mark.parametrize("driven", [0, slice(None)], ids=["one side", "both"])
def test_echo_density_is_reached_in_half_the_time_of_the_plain_network(driven, size_percent):
    # plain network, 16 lines: 205 ms; to beat: 103 ms
    for seed in range(4):
        reverb = FdnReverb(decay_seconds=60.0, room_seed=seed, size_percent=size_percent, **FLAT)
        for response in impulse_response(reverb, 0.2, driven=driven):
            assert echo_density_reached_seconds(response) < 0.103


def colour(response: np.ndarray) -> tuple[float, float]:
    """Standard deviation of the level in dB, and spectral flatness in dB, 100 Hz to 20 kHz."""
    spectrum = np.abs(np.fft.rfft(response, 2**19))
    frequency = np.fft.rfftfreq(2**19, 1.0 / RATE)
    power = spectrum[(frequency > 100.0) & (frequency < 20_000.0)] ** 2
    return float(np.std(10.0 * np.log10(power))), float(
        10.0 * np.log10(np.exp(np.mean(np.log(power))) / power.mean())
    )


def test_colour_is_that_of_four_times_as_many_plain_lines():
    # Gaussian ideal 5.57 dB and -2.51 dB; plain network of 16 lines 6.47 and -4.0, of 64 lines 5.94 and -3.0
    reverb = FdnReverb(decay_seconds=2.0, **FLAT)
    for seed in range(3):
        for response in impulse_response(reverb.replace(room_seed=seed), 4.0):
            deviation, flatness = colour(response)
            assert deviation <= 5.8
            assert flatness >= -3.0


@pytest.mark.long
def test_late_tails_are_smooth_over_the_whole_range():
    for lines in (8, 16, 32):
        for decay in (0.5, 0.8, 2.0, 5.0, 15.0, 60.0):
            for size in (10.0, 20.0, 50.0, 100.0, 200.0, 400.0):
                for modulation, swing in ((0.0, 0.25), (100.0, 0.01), (20.0, 5.0), (100.0, 0.25)):
                    reverb = FdnReverb(
                        decay_seconds=decay,
                        size_percent=size,
                        lines=lines,
                        modulation_percent=modulation,
                        modulation_hz=swing,
                        **FLAT,
                    )
                    assert roughness_db(reverb, 16_000) < 7.0, reverb


@pytest.mark.parametrize("driven", [0, slice(None)], ids=["one side", "both"])
def test_tails_of_the_channels_are_not_alike(driven):
    for seed in range(6):
        tail = impulse_response(FdnReverb(room_seed=seed), 2.5, driven=driven)[:, RATE // 10 :]
        assert abs(np.corrcoef(tail)[0, 1]) < 0.1


def test_width_goes_from_one_sound_in_all_channels_to_unlike_ones(rng):
    sound = rng.standard_normal((2, 3 * RATE))
    alike = {}
    for width in (0.0, 50.0, 100.0):
        wet = FdnReverb(width_percent=width, wet_percent=100.0)(sound, sample_rate=RATE)[:, RATE:]
        alike[width] = np.corrcoef(wet)[0, 1]
        if width == 0.0:
            np.testing.assert_allclose(wet[0], wet[1], atol=1e-12)
    assert abs(alike[100.0]) < 0.1 < alike[50.0] < alike[0.0]


# --- level, timing ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "channels", "seconds"),
    [
        ({}, 2, 6.0),
        ({"decay_seconds": 0.3}, 1, 6.0),
        ({"decay_seconds": 6.0, "size_percent": 40.0}, 2, 6.0),
        ({"lines": 8, "width_percent": 30.0}, 2, 6.0),
        ({"lines": 32, "diffusion_percent": 0.0}, 3, 6.0),
        ({}, 33, 0.5),  # many channels average sooner
        pytest.param({}, 33, 6.0, marks=pytest.mark.long),
    ],
)
def test_noise_keeps_its_level_at_one_kilohertz(changes, channels, seconds, rng):
    # stated in the docstring; half a decibel for the randomness of rooms and noise
    reverb = FdnReverb(wet_percent=100.0, **changes)
    build_up = 2.0 * reverb.target_decay_seconds()[4]
    sound = rng.standard_normal((channels, int((build_up + seconds) * RATE)))
    octave = butter(3, [1000 / 2**0.5, 1000 * 2**0.5], "band", fs=RATE, output="sos")
    levels = []
    for signal in (sound, reverb(sound, sample_rate=RATE)):
        levels.append(10.0 * np.log10(np.mean(sosfilt(octave, signal)[:, int(build_up * RATE) :] ** 2)))
    assert levels[1] - levels[0] == pytest.approx(0.0, abs=0.5)


def test_dry_sound_is_neither_delayed_nor_changed(rng):
    sound = rng.standard_normal((2, 5_000))
    np.testing.assert_array_equal(FdnReverb(wet_percent=0.0)(sound, sample_rate=RATE), sound)
    stream = FdnReverb().stream(sample_rate=RATE, channels=2)
    assert stream.latency == 0
    late = FdnReverb(wet_percent=30.0, pre_delay_seconds=0.2)(sound, sample_rate=RATE)
    np.testing.assert_allclose(late, 0.7 / np.hypot(0.7, 0.3) * sound, rtol=1e-14)


def test_steady_tones_keep_their_loudness_in_every_small_room():
    # Single tones meet single modes: only turning averages that. 1.5 LU is required; the docstring says 1.1.
    # Turns of half a circle, of which a third stands still, leave 1.3 LU here.
    rate = 16_000
    time = np.arange(8 * rate) / rate
    hum = np.sum(
        [0.1 / n * np.sin(2.0 * np.pi * hz * time) for n, hz in enumerate((98.0, 147.0, 196.0), 1)], axis=0
    )
    sound = np.stack([hum, hum])
    dry = loudness_lufs(sound, rate)
    for room in range(8):
        for wet in (30.0, 60.0):
            reverb = FdnReverb(decay_seconds=0.5, size_percent=60.0, wet_percent=wet, room_seed=room)
            assert abs(loudness_lufs(reverb(sound, sample_rate=rate), rate) - dry) < 1.1, (room, wet)


def test_the_deepest_turn_leaves_nothing_standing():
    # the mean of cos(a sin x) is J0(a) (Bessel); scipy's zeros of it
    from scipy.special import jn_zeros

    assert pytest.approx(jn_zeros(0, 3)[2], abs=1e-6) == DEEPEST_ANGLE


def test_all_wet_holds_nothing_dry_and_a_share_of_nothing_is_none(rng):
    sound = rng.standard_normal((2, 500))
    late = FdnReverb(wet_percent=100.0, pre_delay_seconds=0.1)(sound, sample_rate=RATE)
    np.testing.assert_array_equal(late, 0.0)
    for width in (100.0, 50.0):
        # what is silence inside is silence outside: no tail of 1e-180 that sounds for minutes
        faint = FdnReverb(wet_percent=3.37e-124, width_percent=width)
        np.testing.assert_array_equal(faint(sound, sample_rate=RATE), sound)
        assert faint.stream(sample_rate=RATE, channels=2).tail_samples(-2300.0) == 0


def test_pre_delay_moves_the_reverberation_and_nothing_else():
    still = FdnReverb(decay_seconds=1.0, lines=32, modulation_percent=0.0, **FLAT)
    now = impulse_response(still, 0.5)
    later = impulse_response(still.replace(pre_delay_seconds=0.1), 0.5)
    np.testing.assert_array_equal(later[:, : RATE // 10], 0.0)
    np.testing.assert_allclose(later[:, RATE // 10 :], now[:, : -RATE // 10], atol=1e-15)


@pytest.mark.parametrize(
    "changes",
    [{"decay_seconds": 0.4}, {"decay_by_band_seconds": by_band(SLOPE_SECONDS)}, {"decay_seconds": 1.0, **FLAT}],
)
def test_tail_is_below_its_level_once_declared_over(changes, rng):
    for reverb in (FdnReverb(wet_percent=100.0, **changes), FdnReverb(wet_percent=20.0, **changes)):
        tail = reverb.stream(sample_rate=RATE, channels=1).tail_samples(-60.0)
        time = np.arange(int(1.5 * RATE)) / RATE
        for sound in (np.sin(2 * np.pi * 110.0 * time), rng.uniform(-1.0, 1.0, time.size), np.eye(1, 1000)[0]):
            after = reverb(sound, sample_rate=RATE, tail_seconds=tail / RATE + 0.5)[sound.size + tail :]
            assert np.max(np.abs(after)) < 1e-3 * np.max(np.abs(sound))
    assert FdnReverb(wet_percent=0.0).stream(sample_rate=RATE, channels=1).tail_samples() == 0


def test_modulation_belongs_to_the_tape(rng):
    # The rotation depends on the place on the tape alone: the same sound at other places differs, at the
    # same place it does not, whatever went before (here: an hour of tape).
    sound = rng.standard_normal(4_000)
    reverb = FdnReverb(wet_percent=100.0, modulation_percent=100.0, size_percent=20.0)
    hour = 3600 * RATE + 77
    there = reverb(sound, sample_rate=RATE, start_sample=hour)
    led_in = reverb(np.concatenate([np.zeros(1_001), sound]), sample_rate=RATE, start_sample=hour - 1_001)
    np.testing.assert_allclose(led_in[1_001:], there, atol=1e-13)
    assert np.max(np.abs(reverb(sound, sample_rate=RATE) - there)) > 1e-3


# --- the network against a slow one ----------------------------------------------------------------------------


def slow_network(reverb: FdnReverb, sound: np.ndarray, depths: np.ndarray | None = None) -> np.ndarray:
    """The network of the docstring with matrices and sample by sample; scipy filters the lines' delays."""
    plan = plan_of(reverb, float(RATE), sound.shape[0])
    depths = plan.depths if depths is None else depths
    channels, length = sound.shape
    lines = plan.line_delays.size
    plain = np.array([[(-1.0) ** bin(i & j).count("1") for j in range(lines)] for i in range(lines)])

    def past(signal: np.ndarray, n: int, delay: int) -> float:
        return signal[n - delay] if n >= delay else 0.0

    c, d, e, f = np.moveaxis(plan.absorption.coefficients, 1, 0)
    filters = [
        np.stack(
            [np.ones_like(c[:, i]), (c + e)[:, i], (d + f)[:, i], np.ones_like(c[:, i]), e[:, i], f[:, i]], axis=1
        )
        for i in range(lines)
    ]
    memory = [np.zeros((c.shape[0], 2)) for _ in range(lines)]
    first, nodes = np.zeros((lines, length)), np.zeros((lines, length))
    wet = np.zeros_like(sound)
    for n in range(length):
        fed = [
            plan.input_gains[i]
            * sum(past(sound[k], n, plan.input_delays[i]) for k in range(i % channels, channels, lines))
            for i in range(lines)
        ]
        first[:, n] = plan.diffuser_gains * (plain @ fed)[plan.diffuser_order]
        leaving = np.empty(lines)
        for i in range(lines):
            x = plan.scale * plan.absorption.gains[i] * past(nodes[i], n, plan.line_delays[i])
            if len(filters[i]):
                (x,), memory[i] = sosfilt(filters[i], [x], zi=memory[i])
            leaving[i] = x + past(first[i], n, plan.diffuser_delays[i])
        half = lines // 2
        angle = depths @ np.sin(2.0 * np.pi * (plan.rates * n + plan.phases))
        turned = np.concatenate(
            [
                np.cos(angle) * leaving[:half] - np.sin(angle) * leaving[half:],
                np.sin(angle) * leaving[:half] + np.cos(angle) * leaving[half:],
            ]
        )
        nodes[:, n] = plan.mixing_gains * (plain @ turned)[plan.line_order]
        for k in range(channels):
            rows = range(half) if k % 2 == 0 else range(half, lines)
            for tap, i in enumerate(rows):
                wet[k, n] += plan.tap_gains[k, tap] * past(nodes[i], n, plan.tap_delays[k, tap])
    return plan.dry_gain * sound + wet


@pytest.mark.parametrize(
    ("changes", "channels"),
    [
        ({"lines": 8}, 1),
        ({"lines": 8, "decay_by_band_seconds": by_band(SLOPE_SECONDS)}, 3),
        ({"lines": 16, **FLAT}, 2),
    ],
)
def test_output_is_that_of_a_slow_network_of_matrices(changes, channels, rng):
    reverb = FdnReverb(size_percent=10.0, modulation_percent=50.0, modulation_hz=3.0, **changes)
    sound = rng.standard_normal((channels, 900))
    expected = slow_network(reverb, sound)
    for curved, within in ((True, 2e-5), (False, 1e-4)):
        # the fast one interpolates angles between exact values; here often enough to be nearly exact
        exacter = reverb.stream(sample_rate=RATE, channels=channels)
        counters, ramp = exacter.memory.state.counters, exacter.memory.network.ramp
        counters[network.CELL], counters[network.CURVED] = 16, curved
        ramp[0, :16] = np.arange(16) / 16
        ramp[1, :16] = ramp[0, :16] * (1.0 - ramp[0, :16])
        np.testing.assert_allclose(exacter.process(sound), expected, atol=within)
    # no setting stops so sparse a network from turning
    still = reverb.stream(sample_rate=RATE, channels=channels)
    still.memory.state.counters[network.MOVING] = 0
    expected = slow_network(reverb, sound, depths=np.zeros(2))
    np.testing.assert_allclose(still.process(sound), expected, atol=1e-12)


@pytest.mark.parametrize("width", [100.0, 40.0])
@pytest.mark.parametrize("table", [None, SLOPE_SECONDS], ids=["one section", "cascade"])
def test_a_block_may_be_its_own_output_and_be_cut_anywhere(width, table, rng):
    given = {} if table is None else {"decay_by_band_seconds": by_band(table)}
    reverb = FdnReverb(width_percent=width, modulation_hz=3.0, modulation_percent=50.0, **given)
    sound = rng.standard_normal((2, 4_000))
    whole = reverb.stream(sample_rate=RATE, channels=2).process(sound)
    cut = reverb.stream(sample_rate=RATE, channels=2)
    places = [0, 1, 1, 64, 65, 300, 1_000, 1_001, 3_999, 4_000]
    for start, stop in pairwise(places):
        block = np.ascontiguousarray(sound[:, start:stop])
        cut.kernels.process(cut.memory, block, block)
        np.testing.assert_array_equal(block, whole[:, start:stop])


def test_a_stream_that_went_elsewhere_is_as_if_made_there(rng):
    reverb = FdnReverb(modulation_percent=100.0, modulation_hz=2.0)
    sound = rng.standard_normal((2, 3_000))
    stream = reverb.stream(sample_rate=RATE, channels=2, start_sample=5)
    assert isinstance(stream, KernelStream)
    stream.process(sound)
    for place in (10**10 + 3, -7):
        stream.seek(place)
        made_there = reverb.stream(sample_rate=RATE, channels=2, start_sample=place)
        np.testing.assert_array_equal(stream.process(sound), made_there.process(sound))


@pytest.mark.parametrize("rate", [8_000, 48_000])
def test_rings_hold_all_delays(rate):
    for size in (10.0, 400.0):
        for seed in range(8):
            reverb = FdnReverb(size_percent=size, room_seed=seed, pre_delay_seconds=0.01, lines=8)
            stream = reverb.stream(sample_rate=rate, channels=3)
            plan = plan_of(reverb, float(rate), 3)
            state = stream.memory.state
            for ring, delays in (
                (state.input_ring, plan.input_delays),
                (state.diffuser_ring, plan.diffuser_delays),
                (state.line_ring, plan.line_delays),
            ):
                assert ring.shape[1] - network.CHUNK >= delays.max() + network.CHUNK
            assert plan.tap_delays.max() < plan.line_delays.max()
            longest = plan.input_delays.max() + plan.diffuser_delays.max() + plan.line_delays.max()
            assert stream.tail_samples(100.0) >= longest + plan.tap_delays.max()


# --- hygiene -----------------------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    decay=st.floats(0.1, 60.0),
    low=st.floats(0.25, 2.0),
    high=st.floats(0.2, 1.5),
    size=st.floats(10.0, 400.0),
    modulation=st.floats(0.0, 100.0),
    swing=st.floats(0.01, 5.0),
    lines=st.sampled_from([8, 16, 32]),
    channels=st.sampled_from([1, 2, 5]),
    rate=st.sampled_from([8_000, 48_000]),
    seed=st.integers(0, 2**64 - 1),
)
def test_any_network_decays(decay, low, high, size, modulation, swing, lines, channels, rate, seed):
    reverb = FdnReverb(
        decay_seconds=decay,
        low_decay_ratio=low,
        high_decay_ratio=high,
        size_percent=size,
        modulation_percent=modulation,
        modulation_hz=swing,
        lines=lines,
        wet_percent=100.0,
        room_seed=seed,
    )
    stream = reverb.stream(sample_rate=rate, channels=channels)
    square = np.where(np.arange(rate // 2) // 50 % 2, -1.0, 1.0) * np.ones((channels, 1))
    loud = stream.process(square)
    assert np.max(np.abs(loud)) < 10.0
    stream.process(np.zeros((channels, 2 * rate)))  # the diffuser is empty then
    before = energy_in_lines(stream)
    stream.process(np.zeros((channels, 2 * rate)))
    # Lossless mixing and filters with losses; the slowest decay that validates loses 16 % of it in 2 s.
    assert energy_in_lines(stream) <= 0.9 * before


def energy_in_lines(stream) -> float:
    """Sum of the squares of the samples that are on their way through the lines."""
    state = stream.memory.state
    ring = state.line_ring
    length = ring.shape[1] - network.CHUNK
    now = state.counters[network.FED]
    return sum(
        float(np.sum(row[(now - np.arange(1, delay + 1)) % length] ** 2))
        for row, delay in zip(ring, stream.memory.network.delays[network.LINE_DELAY], strict=True)
    )


def test_silence_ends_in_exact_zeros():
    reverb = FdnReverb(decay_seconds=0.1, size_percent=50.0, wet_percent=100.0)
    stream = reverb.stream(sample_rate=RATE, channels=2)
    stream.process(np.ones((2, 1_000)))
    stream.process(np.zeros((2, 3 * RATE)))
    np.testing.assert_array_equal(stream.process(np.zeros((2, RATE))), 0.0)
    state = stream.memory.state
    assert not any(ring.any() for ring in (state.input_ring, state.diffuser_ring, state.line_ring))
    assert not state.filter_state.any()


def test_thirty_three_channels_share_a_network_and_differ(rng):
    sound = np.zeros((33, RATE))
    sound[0, 0] = 1.0
    wet = FdnReverb(wet_percent=100.0)(sound, sample_rate=RATE)
    alike = np.corrcoef(wet[:, RATE // 10 :]) - np.eye(33)
    assert np.all(np.sum(wet**2, axis=1) > 0.0)
    assert np.max(np.abs(alike)) < 0.2


# --- settings ----------------------------------------------------------------------------------------------------


def test_bands_left_out_are_filled_in():
    seconds = DecayByBand(at_250_hz_seconds=2.0, at_1000_hz_seconds=0.5).seconds()
    np.testing.assert_allclose(seconds, [2.0, 2.0, 2.0, 1.0, 0.5, 0.5, 0.5, 0.5, 0.5])


def test_tables_that_cannot_be_realised_are_refused():
    with pytest.raises(ParameterError, match="at least one band"):
        DecayByBand()
    with pytest.raises(ParameterError, match=r"from 1 s at 1000 Hz to 3 s.*factor of 2\.5"):
        DecayByBand(at_1000_hz_seconds=1.0, at_2000_hz_seconds=3.0)
    with pytest.raises(ParameterError, match="at_1000_hz_seconds"):
        FdnReverb(decay_by_band_seconds={"at_1000_hz_seconds": 0.0})
    with pytest.raises(ParameterError, match="lines"):
        FdnReverb(lines=12)


def test_tables_survive_text_pickle_and_plain_values():
    reverb = FdnReverb(decay_by_band_seconds=by_band(SLOPE_SECONDS), lines=32)
    assert eval(repr(reverb)) == reverb  # the repr is the constructor call
    assert FdnReverb.from_dict(reverb.to_dict()) == reverb
    assert pickle.loads(pickle.dumps(reverb)) == reverb


def test_another_seed_is_another_room():
    one = impulse_response(FdnReverb(room_seed=1), 0.5)
    np.testing.assert_array_equal(one, impulse_response(FdnReverb(room_seed=1), 0.5))
    assert abs(np.corrcoef(one[0], impulse_response(FdnReverb(room_seed=2), 0.5)[0])[0, 1]) < 0.1


def test_a_table_is_scaled_by_its_octave_at_1_khz_to_the_limits_of_a_band() -> None:
    """3 s at 1 kHz and 4.2 s at 125 Hz: the longest band reaches 60 s where 1 kHz is set to 42.86 s."""
    table = DecayByBand(at_125_hz_seconds=4.2, at_1000_hz_seconds=3.0, at_2000_hz_seconds=1.5)
    just = 60.0 * 3.0 / 4.2
    assert FdnReverb(decay_seconds=0.999 * just, decay_by_band_seconds=table).decay_seconds == 0.999 * just
    with pytest.raises(ParameterError, match=r"every band must stay within 0\.05 to 60 s"):
        FdnReverb(decay_seconds=1.001 * just, decay_by_band_seconds=table)


def test_each_line_hears_every_channel_that_falls_to_it() -> None:
    """Five channels on two lines: the first hears 1, 3 and 5, the second 2 and 4, each late by its delay."""
    fed, samples = 3 * network.CHUNK, 8
    ring = np.random.default_rng(3).standard_normal((5, 4 * network.CHUNK + network.CHUNK))
    delays, gains = np.array([5, 9]), np.array([0.5, -2.0])
    rows = np.zeros((2, network.CHUNK))
    network.spread(ring, delays, gains, rows, np.int64(fed), np.uintp(samples))
    for row, channels in enumerate(([0, 2, 4], [1, 3])):
        heard = gains[row] * ring[channels, fed - delays[row] : fed - delays[row] + samples].sum(axis=0)
        np.testing.assert_allclose(rows[row, :samples], heard, rtol=1e-12)


def test_lines_are_as_short_as_the_bend_of_the_table_asks() -> None:
    """A fifth of the shortest decay over the square of the bend in octaves, and a little for the slope."""
    table = {125: 1.0, 250: 1.0, 500: 1.0, 1000: 2.5, 2000: 1.0, 4000: 1.0, 8000: 1.0}
    bands = DecayByBand(**{f"at_{band}_hz_seconds": seconds for band, seconds in table.items()})
    room = FdnReverb(decay_by_band_seconds=bands, lines=32)
    bend = 2.0 * np.log2(2.5)
    assert room.seconds_in_lines(RATE) / 32 == pytest.approx(0.2 / bend**2, rel=0.02)
