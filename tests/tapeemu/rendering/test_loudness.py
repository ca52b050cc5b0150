"""The delivery meter against the recommendation's table, the EBU cases and other people's libraries."""

import csv
import math
from pathlib import Path

import numpy as np
import pyebur128
import pyloudnorm
import pytest
from level_meters import meter_of

from tapeemu.rendering.loudness import LevelMeter, k_weighting

REFERENCE = Path(__file__).parents[2] / "reference"
RATE = 48_000


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_k_weighting_is_the_table_of_bs_1770_at_48_khz() -> None:
    """ITU-R BS.1770-5 tables 1 and 2."""
    shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585]
    high_pass = [1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621]
    np.testing.assert_allclose(k_weighting(48_000), [shelf, high_pass], atol=1e-10)


# Minutes of 1 kHz: a third of the samples say the same.
@pytest.mark.parametrize("rate", [16_000, pytest.param(RATE, marks=pytest.mark.long)])
@pytest.mark.parametrize("case", ["1", "2", "3", "4", "5", "6"])
def test_ebu_tech_3341_loudness_cases(case: str, rate: int) -> None:
    table = [row for row in rows("ebu_loudness_cases.csv") if row["case"] == case]
    time = {}
    channels: dict[str, list[np.ndarray]] = {}
    for row in table:
        seconds = float(row["duration_s"])
        time[row["segment"]] = seconds
        tone = 10 ** (float(row["level_dbfs_peak"]) / 20) * np.sin(
            2 * np.pi * float(row["freq_hz"]) * np.arange(round(seconds * rate)) / rate
        )
        for channel in ["L", "R"] if row["channel"] == "L+R" else [row["channel"]]:
            channels.setdefault(channel, []).append(tone)
    order = ["L", "R"] if set(channels) == {"L", "R"} else ["L", "R", "C", "Ls", "Rs"]
    audio = np.stack([np.concatenate(channels[name]) for name in order])
    expected = float(table[0]["expected_integrated_lufs"])
    assert meter_of(audio, rate).integrated_lufs == pytest.approx(expected, abs=float(table[0]["tol_lu"]))


@pytest.mark.parametrize("row", rows("ebu_true_peak_cases.csv"), ids=lambda row: row["case"])
def test_ebu_tech_3341_true_peak_cases(row: dict[str, str]) -> None:
    count = np.arange(RATE)
    fade = np.clip(np.minimum(count, RATE - 1 - count) / (0.01 * RATE), 0.0, 1.0)
    tone = float(row["amplitude_ffs"]) * np.sin(
        2 * np.pi * float(row["freq_over_fs"]) * count + np.radians(float(row["phase_deg"]))
    )
    reading = meter_of((tone * fade)[None]).true_peak_dbtp
    expected = float(row["expected_dbtp"])
    assert expected + float(row["tol_minus_db"]) <= reading <= expected + float(row["tol_plus_db"])


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_other_libraries_agree_on_gated_noise(rate: int, rng: np.random.Generator) -> None:
    """libebur128, and pyloudnorm with the same filter design; pyloudnorm rounds its blocks differently."""
    envelope = np.repeat([0.001, 0.3, 0.05, 0.2], 2 * rate)
    audio = rng.standard_normal((2, envelope.size)) * envelope * 0.2
    reading = meter_of(audio, rate).integrated_lufs
    state = pyebur128.R128State(2, rate, pyebur128.MeasurementMode.MODE_I)
    frames = np.ascontiguousarray(audio.T)
    for start in range(0, len(frames), rate):  # the binding wants short pieces
        state.add_frames(frames[start : start + rate].ravel(), len(frames[start : start + rate]))
    assert reading == pytest.approx(pyebur128.get_loudness_global(state), abs=0.005)
    assert reading == pytest.approx(
        pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(frames), abs=0.05
    )


def test_blocks_do_not_matter(rng: np.random.Generator) -> None:
    audio = rng.standard_normal((2, 60_000)) * 0.1
    one, many = meter_of(audio, block=60_000), meter_of(audio, block=137)
    assert one.integrated_lufs == many.integrated_lufs
    assert one.true_peak == pytest.approx(many.true_peak, rel=1e-12)
    assert one.peak == np.abs(audio).max()


def test_silence_and_too_little_have_no_loudness() -> None:
    assert meter_of(np.zeros((1, RATE))).integrated_lufs == -math.inf
    assert math.isnan(meter_of(np.ones((1, 1000)) * 0.1).integrated_lufs)
    assert LevelMeter(sample_rate=RATE, channels=1).true_peak_dbtp == -math.inf


def test_the_gain_to_a_target_counts_blocks_that_cross_the_gate(rng: np.random.Generator) -> None:
    """Noise near -57 LUFS, then nine times as long a stretch that only a gain lifts over -70 LUFS."""
    envelope = np.repeat([10 ** (-58 / 20), *[10 ** (-74 / 20)] * 9], 2 * RATE)
    audio = rng.standard_normal((1, envelope.size)) * envelope
    meter = meter_of(audio)
    gain_db = meter.gain_to_reach(-23.0)
    assert abs(gain_db - (-23.0 - meter.integrated_lufs)) > 0.01
    assert meter_of(audio * 10 ** (gain_db / 20)).integrated_lufs == pytest.approx(-23.0, abs=2e-3)
    assert math.isnan(meter_of(np.zeros((1, RATE))).gain_to_reach(-23.0))
