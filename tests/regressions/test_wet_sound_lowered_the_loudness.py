"""Mixing dry and wet in straight shares lowered real stems by 3 to 4.7 LU."""

import numpy as np
import pytest
from reverb_readings import RATE, loudness_lufs

from tapeemu.processors.fdn_reverb import FdnReverb


@pytest.mark.parametrize("shares", [(30.0, 60.0), pytest.param((15.0, 45.0), marks=pytest.mark.long)])
def test_wet_and_dry_keep_the_loudness(stems, shares):
    # dry and late sound are not alike, so powers add; judged by libebur128 (BS.1770), 1.5 LU as required
    for settings_of_room in ({}, {"decay_seconds": 0.5, "size_percent": 60.0}, {"decay_seconds": 4.0}):
        for name, sound in stems.items():
            dry = loudness_lufs(sound)
            for wet in shares:
                reverb = FdnReverb(wet_percent=wet, **settings_of_room)
                changed = loudness_lufs(reverb(sound, sample_rate=RATE)) - dry
                assert abs(changed) < 1.5, (name, reverb, changed)


def test_rooms_that_stand_still_keep_the_loudness_of_what_has_no_tones(stems):
    """Single steady tones there differ by several LU (see FdnReverb); the mix is not at fault: within 0.7 LU."""
    rng = np.random.default_rng(9)
    for sound in stems.values():
        spectrum = np.abs(np.fft.rfft(sound[0]))
        smooth = np.sqrt(np.convolve(spectrum**2, np.full(601, 1.0 / 601.0), "same"))
        noise = np.fft.irfft(smooth * np.exp(2j * np.pi * rng.random((2, smooth.size))), sound.shape[1])
        for seed in range(2):
            reverb = FdnReverb(decay_seconds=1.2, modulation_percent=0.0, wet_percent=60.0, room_seed=seed)
            assert abs(loudness_lufs(reverb(noise, sample_rate=RATE)) - loudness_lufs(noise)) < 0.7


@pytest.fixture(scope="module")
def stems() -> dict[str, np.ndarray]:
    """Four stems like those of a piece: a plucked melody, a pulse of drums, and two sustained harmonic beds."""
    rng = np.random.default_rng(8)
    time = np.arange(6 * RATE) / RATE
    melody, pulse = np.zeros_like(time), np.zeros_like(time)
    for note, hz in enumerate(
        (220.0, 261.6, 329.6, 293.7, 246.9, 196.0, 220.0, 164.8, 329.6, 440.0, 392.0, 261.6)
    ):
        after = np.maximum(time - 0.5 * note, 0.0)
        for partial in range(1, 9):
            ring = np.exp(-after * (2.0 + 0.5 * partial)) * np.sin(2.0 * np.pi * hz * partial * after)
            melody += ring / partial**1.2
    for beat in range(24):
        after = time - 0.25 * beat
        struck = after >= 0.0
        fall = np.where(struck, np.exp(-30.0 * np.maximum(after, 0.0)), 0.0)
        pulse += fall * np.sin(2.0 * np.pi * (90.0 if beat % 2 else 180.0) * np.maximum(after, 0.0))
        pulse += 0.3 * fall**3 * rng.standard_normal(time.size)
    beds = []
    for root in (55.0, 110.0):
        bed = np.zeros_like(time)
        for partial in range(1, 16):
            swell = 1.0 + 0.5 * np.sin(2.0 * np.pi * (rng.uniform(0.05, 0.5) * time + rng.random()))
            bed += swell / partial * np.sin(2.0 * np.pi * (root * partial * time + rng.random()))
        beds.append(bed)
    found = {"melody": melody, "pulse": pulse, "low bed": beds[0], "bed": beds[1]}
    return {name: np.stack([sound, np.roll(sound, 37)]) * 0.1 for name, sound in found.items()}
