"""What several tests read of a reverb: errors of its octaves, roughness of its late tail, loudness."""

from itertools import pairwise

import numpy as np
from rooms import plan_of

from tapeemu.processors.fdn_reverb import DecayByBand, FdnReverb

RATE = 48_000


BANDS_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)


def by_band(seconds: tuple[float, ...]) -> DecayByBand:
    return DecayByBand(**{f"at_{band}_hz_seconds": value for band, value in zip(BANDS_HZ, seconds, strict=True)})


def reading_error(reverb: FdnReverb, targets: tuple[float, ...], octave_t30, rate: float = RATE) -> float:
    """Largest error of the octaves from 125 Hz up, from the loop gain of all lines over frequency.

    Modes pass through all lines, so their rates of decay average, each over the length of its line.
    """
    where = np.geomspace(15.0, 0.4999 * rate, 700)
    designed = reverb.designed_decay_seconds(sample_rate=rate, frequencies_hz=where)
    delays = plan_of(reverb, float(rate), 1).line_delays
    decay = delays.sum() / np.sum(delays[:, None] / designed, axis=0)
    usable = [(band, target) for band, target in zip(BANDS_HZ, targets, strict=True) if band <= 0.45 * rate]
    return max(
        abs(octave_t30(where, decay, band, poles) / target - 1.0) for band, target in usable for poles in (7, 14)
    )


def roughness_db(reverb: FdnReverb, rate: int = RATE, *, start_seconds: float = 0.4) -> float:
    """Standard deviation of 20 lg |H| of the tail from 0.4 s to 60 dB down, in third octaves; noise: 5.57 dB.

    The decay is taken out and the ends are faded, so that every mode stands by itself if it can.
    """
    decay = reverb.decay_seconds
    samples = int(decay * rate)
    impulse = np.zeros((2, int(start_seconds * rate) + samples))
    impulse[0, 0] = 1.0
    tails = reverb.replace(wet_percent=100.0)(impulse, sample_rate=rate)[:, -samples:]
    window = np.hanning(samples) * 10.0 ** (3.0 * np.arange(samples) / samples)
    level = 20.0 * np.log10(np.abs(np.fft.rfft(tails * window)) + 1e-300)
    frequency = np.fft.rfftfreq(samples, 1.0 / rate)
    edges = np.geomspace(200.0, 0.4 * rate, 19)
    parts = [level[:, (frequency >= a) & (frequency < b)] for a, b in pairwise(edges)]
    return float(np.sqrt(np.mean([np.var(part, axis=1).max() for part in parts])))


def loudness_lufs(sound: np.ndarray, rate: int = RATE) -> float:
    """By libebur128."""
    import pyebur128

    meter = pyebur128.R128State(sound.shape[0], rate, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(sound.T).reshape(-1), sound.shape[1])
    return float(pyebur128.get_loudness_global(meter))
