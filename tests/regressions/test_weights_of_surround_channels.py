"""The loudness of 5.1 files left out the weights of BS.1770-5."""

import math

import numpy as np
import pyebur128
import pytest
from level_meters import meter_of

from tapeemu.rendering.loudness import channel_weights

RATE = 48_000


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
