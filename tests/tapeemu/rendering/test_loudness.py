"""The delivery meter against the recommendation's table, the EBU cases and other people's libraries."""

import csv
import math
from pathlib import Path

import numpy as np
import pyebur128
import pyloudnorm
import pytest

from tapeemu.rendering.loudness import LevelMeter, channel_weights, k_weighting

REFERENCE = Path(__file__).parents[2] / "reference"
RATE = 48_000


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def meter_of(audio: np.ndarray, rate: int = RATE, block: int = 7777, mask: int = 0) -> LevelMeter:
    meter = LevelMeter(sample_rate=rate, channels=audio.shape[0], channel_mask=mask)
    for start in range(0, audio.shape[1], block):
        meter.add(audio[:, start : start + block])
    return meter


def test_k_weighting_is_the_table_of_bs_1770_at_48_khz() -> None:
    """ITU-R BS.1770-5 tables 1 and 2."""
    shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585]
    high_pass = [1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621]
    np.testing.assert_allclose(k_weighting(48_000), [shelf, high_pass], atol=1e-10)


@pytest.mark.parametrize("case", ["1", "2", "3", "4", "5", "6"])
def test_ebu_tech_3341_loudness_cases(case: str) -> None:
    table = [row for row in rows("ebu_loudness_cases.csv") if row["case"] == case]
    time = {}
    channels: dict[str, list[np.ndarray]] = {}
    for row in table:
        seconds = float(row["duration_s"])
        time[row["segment"]] = seconds
        tone = 10 ** (float(row["level_dbfs_peak"]) / 20) * np.sin(
            2 * np.pi * float(row["freq_hz"]) * np.arange(round(seconds * RATE)) / RATE
        )
        for channel in ["L", "R"] if row["channel"] == "L+R" else [row["channel"]]:
            channels.setdefault(channel, []).append(tone)
    order = ["L", "R"] if set(channels) == {"L", "R"} else ["L", "R", "C", "Ls", "Rs"]
    audio = np.stack([np.concatenate(channels[name]) for name in order])
    expected = float(table[0]["expected_integrated_lufs"])
    assert meter_of(audio).integrated_lufs == pytest.approx(expected, abs=float(table[0]["tol_lu"]))


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


class TestGates:
    """Closed form: tones long enough that the blocks across their joints count for little."""

    SECONDS = 60.0

    def loudness_of(self, *levels_lufs: float) -> float:
        """Of a 997 Hz sine at each loudness in turn; of full scale it reads -3.01 LUFS (BS.1770-5)."""
        amplitude = np.repeat(
            [10.0 ** ((level + 3.01) / 20.0) for level in levels_lufs], round(self.SECONDS * RATE)
        )
        audio = amplitude * np.sin(2.0 * np.pi * 997.0 / RATE * np.arange(amplitude.size))
        return meter_of(audio[None]).integrated_lufs

    @pytest.mark.parametrize("below", [9.4, 9.6, 9.8, 9.9, 10.1, 10.2, 10.4, 10.6])
    def test_the_relative_gate_lies_10_lu_below_the_mean(self, below: float) -> None:
        """Two equal stretches whose lower one lies `below` the mean of both."""
        upper = -23.0
        # From lower = mean - below, where the mean is that of the two powers.
        share = 10.0 ** (-below / 10.0)
        lower = upper + 10.0 * math.log10(share / (2.0 - share))
        mean = lower + below
        expected = mean if below < 10.0 else upper
        assert abs(mean - upper) > 2.5
        assert self.loudness_of(upper, lower) == pytest.approx(expected, abs=0.03)

    @pytest.mark.parametrize(("level", "heard"), [(-69.8, True), (-70.2, False)])
    def test_the_absolute_gate_lies_at_minus_70(self, level: float, heard: bool) -> None:
        assert math.isfinite(self.loudness_of(level)) == heard


class TestChannels:
    """Weights of BS.1770-5: low frequencies left out, 1.41 at 60 to 120 degrees, 1 elsewhere."""

    def libebur128(self, audio: np.ndarray, places: list[str]) -> float:
        """By another library, told where each channel stands."""
        state = pyebur128.R128State(len(places), RATE, pyebur128.MeasurementMode.MODE_I)
        for number, place in enumerate(places):
            state.set_channel(number, pyebur128.ChannelType[place])
        frames = np.ascontiguousarray(audio.T)
        for start in range(0, len(frames), RATE):
            state.add_frames(frames[start : start + RATE].ravel(), len(frames[start : start + RATE]))
        return float(pyebur128.get_loudness_global(state))

    FRONT = ("LEFT", "RIGHT", "CENTER")
    SURROUND = ("LEFT_SURROUND", "RIGHT_SURROUND")

    @pytest.mark.parametrize(
        ("mask", "places"),
        [
            (0x3, FRONT[:2]),
            (0x7, FRONT),
            (0x33, (*FRONT[:2], *SURROUND)),
            (0x37, (*FRONT, *SURROUND)),
            (0x607, (*FRONT, "M_PLUS_090", "M_MINUS_090")),
            (0x3F, (*FRONT, "UNUSED", *SURROUND)),
            (0x60F, (*FRONT, "UNUSED", "M_PLUS_090", "M_MINUS_090")),
            (0xB, (*FRONT[:2], "UNUSED")),
            (0x107, (*FRONT, "M_PLUS_180")),
            (0x63F, (*FRONT, "UNUSED", "M_PLUS_135", "M_MINUS_135", "M_PLUS_090", "M_MINUS_090")),
        ],
    )
    def test_every_layout_reads_as_by_another_library(
        self, mask: int, places: tuple[str, ...], rng: np.random.Generator
    ) -> None:
        """Unlike levels in all channels, the low-frequency one the loudest."""
        levels = np.array([0.5, 0.3, 0.4, 0.9, 0.7, 0.6, 0.2, 0.8])[: len(places), None]
        audio = 0.1 * levels * rng.standard_normal((len(places), 2 * RATE))
        theirs = self.libebur128(audio, list(places))
        assert meter_of(audio, mask=mask).integrated_lufs == pytest.approx(theirs, abs=0.005)
        if mask in (0x3, 0x37, 0x3F):
            assert meter_of(audio).integrated_lufs == meter_of(audio, mask=mask).integrated_lufs

    def test_a_surround_counts_one_and_a_half_decibels_more(self) -> None:
        """10 lg 1.41 = 1.49 dB; a tone in the low-frequency channel counts nothing."""
        tone = 0.1 * np.sin(2.0 * np.pi * 997.0 / RATE * np.arange(RATE))
        alone = []
        for channel in range(6):
            audio = np.zeros((6, RATE))
            audio[channel] = tone
            alone.append(meter_of(audio).integrated_lufs)
        assert alone[:3] == [alone[0]] * 3
        assert alone[3] == -math.inf
        assert [level - alone[0] for level in alone[4:]] == pytest.approx([10.0 * math.log10(1.41)] * 2)

    @pytest.mark.parametrize(
        ("channels", "mask"), [(3, 0), (4, 0), (7, 0), (8, 0), (33, 0), (6, 0x1F), (20, 0x3FFFF)]
    )
    def test_channels_without_a_place_have_no_loudness(self, channels: int, mask: int) -> None:
        assert channel_weights(channels, mask) is None
        meter = meter_of(np.full((channels, RATE), 0.1), mask=mask)
        assert math.isnan(meter.integrated_lufs)
        assert math.isnan(meter.gain_to_reach(-23.0))
        assert f"which speakers its {channels} channels feed" in meter.undefined
        assert meter.peak == 0.1

    def test_a_reason_is_given_for_each_undefined_loudness(self) -> None:
        assert meter_of(np.ones((1, 100))).undefined == "shorter than 0.4 s"
        assert "-70 LUFS" in meter_of(np.zeros((2, RATE))).undefined
        assert meter_of(np.full((2, RATE), 0.1)).undefined == ""
