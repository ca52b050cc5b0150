"""Where a slow sweep lies in a recording, and at which speed: a straight line of log frequency against time."""

import math

import numpy as np

from measure.parts.signals import SynchronisedSweep, synchronised_sweep
from measure.parts.tone_sequences import Placed
from measure.validation import FloatArray

__all__ = ["FILE_SWEEP_DB", "file_sweep", "place_sweep"]

FILE_SWEEP_DB = -20.0
"""Level of the sweep in a file re the reference level."""

_LOW_HZ, _HIGH_HZ, _SECONDS = 20.0 / 1.3, 19_600.0, 30.0  # the same sweep at every rate from 44.1 kHz on
_FRAME_SECONDS, _HOP_SECONDS = 0.06, 0.01
_FROM_HZ, _HIGHEST_SHARE = 150.0, 0.42
_BAND_SHARE = 0.06
_LEAST_SHARE = 0.5
_MOST_OFF = 0.03
_NEAR_SECONDS = 0.03
_LEAST_OCTAVES, _LEAST_INLIERS = 3.0, 0.6


def file_sweep(sample_rate: float, *, level_dbfs: float) -> SynchronisedSweep:
    """The slow sweep that is written to a file: read from 20 Hz to 18.5 kHz, 30 s, and a second of silence."""
    return synchronised_sweep(
        sample_rate, low_hz=_LOW_HZ, high_hz=_HIGH_HZ, seconds=_SECONDS, tail_seconds=1.0, level_dbfs=level_dbfs
    )


def place_sweep(recording: FloatArray, sample_rate: float, sweep: SynchronisedSweep) -> Placed | None:
    """Find a sweep in a recording.

    Parameters
    ----------
    recording : ndarray, shape (samples,)
        Finite.
    sample_rate : float
        Samples per second of the recording.
    sweep : SynchronisedSweep
        What was sent, at whatever rate.

    Returns
    -------
    Placed or None
        None where the strongest line does not run as the sweep does for three octaves or more. The place is exact
        to some milliseconds, the speed to a few hundredths of a per cent.
    """
    time, frequency = _ridge(recording, sample_rate)
    if len(time) < 50:
        return None
    length, along = sweep.rate_seconds, np.log(frequency)
    best, inliers = 0, np.zeros(len(time), dtype=bool)
    for speed in np.linspace(1.0 - _MOST_OFF, 1.0 + _MOST_OFF, 25):
        starts = time - length / speed * along
        # The densest stretch of starts: each sorted one counts those that follow it closely.
        order = np.sort(starts)
        counts = np.searchsorted(order, order + 2.0 * _NEAR_SECONDS, side="right") - np.arange(len(order))
        if np.max(counts) > best:
            best = int(np.max(counts))
            first = order[int(np.argmax(counts))]
            inliers = (starts >= first) & (starts <= first + 2.0 * _NEAR_SECONDS)
    for _ in range(3):
        if np.count_nonzero(inliers) < 50:
            return None
        slope, start = np.polyfit(along[inliers], time[inliers], 1)
        inliers = np.abs(time - start - slope * along) < _NEAR_SECONDS
    octaves = float(np.ptp(along[inliers])) / math.log(2.0) if np.any(inliers) else 0.0
    speed = length / float(slope)
    if octaves < _LEAST_OCTAVES or np.mean(inliers) < _LEAST_INLIERS or abs(speed - 1.0) > 1.2 * _MOST_OFF:
        return None
    return Placed(float(start + slope * math.log(speed * sweep.start_hz)), speed)


def _ridge(y: FloatArray, rate: float) -> tuple[FloatArray, FloatArray]:
    """Times and frequencies of frames that hold one strong line."""
    size, hop = round(_FRAME_SECONDS * rate), round(_HOP_SECONDS * rate)
    count = max((len(y) - size) // hop + 1, 0)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(size) + 0.5) / size)
    frequency = np.fft.rfftfreq(size, 1.0 / rate)
    scaled = y / max(float(np.max(np.abs(y), initial=0.0)), 1e-300)
    times, found = [], []
    for first in range(0, count, 500):
        stop = min(first + 500, count)
        frames = np.lib.stride_tricks.sliding_window_view(scaled, size)[first * hop : (stop - 1) * hop + 1 : hop]
        power = np.abs(np.fft.rfft(frames * window, axis=1)) ** 2
        # Sums up to each bin: those of a band are differences of two.
        whole = np.cumsum(power, axis=1)
        moments = np.cumsum(power * frequency, axis=1)
        top = np.argmax(power, axis=1)
        reach = np.ceil(np.maximum(_BAND_SHARE * frequency[top], 40.0) / frequency[1]).astype(int)
        low, high = np.maximum(top - reach - 1, 0), np.minimum(top + reach, frequency.size - 1)
        row = np.arange(stop - first)
        share = whole[row, high] - whole[row, low]
        middle = (moments[row, high] - moments[row, low]) / np.maximum(share, 1e-300)
        kept = (whole[:, -1] > 1e-8 * size**2) & (share > _LEAST_SHARE * whole[:, -1])
        kept &= (middle >= _FROM_HZ) & (middle <= _HIGHEST_SHARE * rate)
        times.append(((first + row[kept]) * hop + 0.5 * size) / rate)
        found.append(middle[kept])
    return np.concatenate([np.empty(0), *times]), np.concatenate([np.empty(0), *found])
