"""What octave filters with wide skirts read of a room: three poles a side barely meet class 1 of IEC 61260-1."""

import numpy as np
import pytest
from pyroomacoustics.experimental import measure_rt60
from rooms import plan_of
from scipy.signal import butter, sosfilt

from tapeemu import FdnReverb
from tapeemu.presets import load_preset

RATE = 48_000
BANDS_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
ROOMS = ("bed-slow-wow", "hall-into-drive", "drive-into-hall", "loop-echo-after-drive", "small-room-on-tape")


@pytest.mark.parametrize("name", ROOMS)
def test_shipped_rooms_read_the_same_behind_the_simplest_filter(name, octave_t30):
    """Within 4 % of what filters of seven poles read: 2.8 % in the halls, 0.7 % in the others."""
    room = next(
        stage.processor for stage in load_preset(name).chain.stages if isinstance(stage.processor, FdnReverb)
    )
    where = np.geomspace(15.0, 0.4999 * RATE, 400)
    designed = room.designed_decay_seconds(sample_rate=RATE, frequencies_hz=where)
    delays = plan_of(room, float(RATE), 1).line_delays
    decay = delays.sum() / np.sum(delays[:, None] / designed, axis=0)
    for band in BANDS_HZ:
        assert octave_t30(where, decay, band, 3) == pytest.approx(octave_t30(where, decay, band, 7), rel=0.04)


def rising_decay(rng: np.random.Generator, rate: int) -> np.ndarray:
    """Noise that decays in 0.4 s at 250 Hz and in twice the time an octave higher, every 24th of an octave."""
    spectrum = np.fft.rfft(rng.choice([-1.0, 1.0], 4 * rate))
    frequency = np.fft.rfftfreq(4 * rate, 1.0 / rate)
    time = np.arange(4 * rate) / rate
    total = np.zeros(4 * rate)
    for low in 62.5 * 2.0 ** (np.arange(24 * 5) / 24.0):
        inside = (frequency >= low) & (frequency < low * 2.0 ** (1.0 / 24.0))
        seconds = 0.4 * low / 250.0
        total += np.fft.irfft(spectrum * inside, 4 * rate) * 10.0 ** (-3.0 * time / seconds)
    return total


def test_what_a_simple_filter_reads_too_long_is_its_skirts_not_its_ringing(rng):
    """Where octaves double upwards, three poles read a fifth more than seven; run backwards they read the same."""
    rate = 8_000
    read = {}
    for poles in (3, 7):
        band = butter(poles, [250.0 * 10**-0.15, 250.0 * 10**0.15], "bandpass", fs=rate, output="sos")
        for way in (1, -1):
            energy = np.zeros(4 * rate)
            for _ in range(6):
                energy += sosfilt(band, rising_decay(rng, rate)[::way])[::way] ** 2
            read[poles, way] = measure_rt60(np.sqrt(energy), rate, decay_db=30)
    assert read[3, -1] == pytest.approx(read[3, 1], rel=0.03)
    assert read[3, 1] > 1.1 * read[7, 1]
    assert read[3, -1] > 1.1 * read[7, -1]
