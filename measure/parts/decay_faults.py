"""What is wrong with a recorded response: it stops before its end, is clipped, or stands on an offset."""

import math
from dataclasses import dataclass

import numpy as np

from measure.validation import FloatArray

__all__ = ["Examined", "examine", "recording_end"]

# A stop is a fall by this much at once, beyond three times what the decay itself does in that time.
_STOP_DB = 6.0
_BLOCK_SECONDS = 0.002
_FADES_SECONDS = (0.08, 0.04, 0.02, 0.01, 0.005)
_STUCK = 32  # equal samples at the end that no sound has
# Beside the flat top of a clipped wave the next sample lies this far below, as a share of the peak; beside the
# rounded top of a slow wave in 16 bits it lies one step of 3e-5 below.
_SHOULDER = 1e-3
_FINE = 2_000.0


@dataclass(frozen=True, eq=False)
class Examined:
    """A response without what does not belong to it.

    Attributes
    ----------
    signal : ndarray, shape (samples,)
        Up to the recording's end, the offset taken out.
    stops : bool
        Whether it ends before the recording does.
    clipped_until : float
        Sample after the last that stands at the ceiling; minus infinity if none does.
    offset : float
        What was taken out.
    """

    signal: FloatArray
    stops: bool
    clipped_until: float
    offset: float


def examine(h: FloatArray, rate: float) -> Examined:
    """Find the end, the ceiling and the offset of a recorded response of finite samples."""
    end = recording_end(h, rate)
    kept = h[:end]
    offset = _offset(kept)
    return Examined(signal=kept - offset, stops=end < len(h), clipped_until=_clipped(kept), offset=offset)


def recording_end(h: FloatArray, rate: float) -> int:
    """Number of samples until a response stops: at padding, a cut to noise, or the closing of a gate.

    Padding is a run of equal samples at the end. Of a cut or a gate, all that follows is steady and lies far
    below what came just before, further than the decay could have brought it.
    """
    end = len(h)
    different = np.flatnonzero(h != h[-1])
    if not len(different):
        return end
    if end - different[-1] - 1 >= _STUCK:
        end = int(different[-1]) + 1
    block = _block(h, rate)
    first = int(np.argmax(np.abs(h))) // block
    powers = _powers(h[:end], block)
    cut = _last_fall(powers, first)
    if cut:
        end = _sharpened(h, cut * block, block)
    elif end == len(h):
        return end
    return _before_fade(h[:end], rate, block, first * block)


def _block(h: FloatArray, rate: float) -> int:
    """Return a block that holds some thirty independent values of the power."""
    from scipy.fft import next_fast_len

    # A length with large prime factors would take several times as long.
    size = next_fast_len(len(h), real=True)
    power = np.abs(np.fft.rfft(h, size)) ** 2
    spread = 2.0 * float(np.sum(power)) ** 2 / max(float(np.sum(power**2)), 1e-300) * rate / size
    return max(8, round(rate * max(_BLOCK_SECONDS, 30.0 / max(spread, 1.0))))


def _powers(h: FloatArray, block: int) -> FloatArray:
    count = len(h) // block
    return np.asarray(np.mean(h[: count * block].reshape(count, block) ** 2, axis=1))


def _last_fall(powers: FloatArray, first: int) -> int:
    """Block in which the response falls to steady noise at once; 0 if none does."""
    if len(powers) < first + 20:
        return 0
    later = np.maximum.accumulate(powers[::-1])[::-1]
    # Five blocks of decay before, ten of noise after.
    candidates = np.arange(first + 5, len(powers) - 12)
    falls = 10.0 * np.log10(np.maximum(powers[candidates], 1e-300) / np.maximum(later[candidates + 2], 1e-300))
    k = int(candidates[np.argmax(falls)])
    before = powers[max(first, k - 8) : k + 1]
    half = len(before) // 2
    natural = 10.0 * math.log10(
        max(float(np.mean(before[:half])), 1e-300) / max(float(np.mean(before[half:])), 1e-300)
    )
    natural = max(natural, 0.0) * 2.0 / max(half, 1)
    if float(np.max(falls)) < _STOP_DB + 3.0 * natural:
        return 0
    after = powers[k + 2 :]
    tenth = max(5, len(after) // 10)
    steady = float(np.mean(after[:tenth])) < 1.5 * float(np.mean(after[tenth:])) + 1e-300
    return k + 1 if steady else 0


def _sharpened(h: FloatArray, near: int, block: int) -> int:
    """Sample of a fall known to within a block to either side."""
    low, high = max(near - block, 0), min(near + block, len(h))
    noise = 1.5 * float(np.max(np.abs(h[high : high + 10 * block])))
    loud = np.flatnonzero(np.abs(h[low:high]) > noise)
    return low + int(loud[-1]) + 1 if len(loud) else near


def _before_fade(h: FloatArray, rate: float, block: int, first: int) -> int:
    """Where a fade begins that leads to the end."""
    end = len(h)
    for seconds in _FADES_SECONDS:
        size = max(block, round(seconds * rate))
        if end - 6 * size < first:
            continue
        parts = [float(np.mean(h[end - (k + 1) * size : end - k * size] ** 2)) for k in range(5)]
        if min(parts[1:]) <= 0.0:
            continue
        # From the last part but two to the last, against what the three before do.
        natural = max(5.0 * math.log10(parts[4] / parts[2]), 0.0)
        fall = 10.0 * math.log10(parts[2] / max(parts[0], 1e-300))
        if fall > _STOP_DB + 3.0 * 2.0 * natural:
            return end - 2 * size
    return end


def _clipped(h: FloatArray) -> float:
    """Sample after the last flat top at the greatest or the least value; minus infinity if there is none."""
    last = -math.inf
    peak = float(np.max(np.abs(h)))
    for ceiling in (float(np.max(h)), float(np.min(h))):
        if abs(ceiling) < 0.01 * peak:
            continue  # the rest of a response that has but one sign
        at = np.concatenate([[False], h == ceiling, [False]])
        change = np.flatnonzero(at[1:] != at[:-1])
        starts, stops = change[::2], change[1::2]
        runs = 0
        longest = 0
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            if stop - start < 2:
                continue
            beside = [h[k] for k in (start - 1, stop) if 0 <= k < len(h)]
            if all(abs(ceiling - value) > _SHOULDER * peak for value in beside):
                runs += 1
                longest = max(longest, stop - start)
        if runs >= 2 or longest >= 3 or (np.count_nonzero(at) >= 3 and _fine(h, peak)):
            last = max(last, float(np.flatnonzero(h == ceiling)[-1] + 1))
    return last


def _fine(h: FloatArray, peak: float) -> bool:
    """Whether a response has so many levels that three samples do not meet at its greatest value by chance."""
    steps = np.diff(np.unique(h))
    return bool(len(steps)) and peak > _FINE * float(np.min(steps))


def _offset(h: FloatArray) -> float:
    """Constant that the last tenth stands on, where it is no part of the decay: steady, and above the noise."""
    tenth = len(h) // 10
    if tenth < 64:
        return 0.0
    early, late = h[-tenth : -(tenth // 2)], h[-(tenth // 2) :]
    first, second = float(np.mean(early)), float(np.mean(late))
    spread = float(np.std(h[-tenth:]))
    steady = abs(first - second) < 0.05 * abs(first + second) * 0.5
    return 0.5 * (first + second) if steady and abs(first + second) > 4.0 * spread else 0.0
