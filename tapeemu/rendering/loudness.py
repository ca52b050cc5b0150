"""Loudness and peaks of audio that passes by in blocks, for the delivery of files.

A file of any length is measured in constant memory, which the loudness library cannot do. The laboratory
(`measure`) has its own, separate meters.
"""

import math
from array import array

import numpy as np

from tapeemu.units import gain_to_db, seconds_to_samples
from tapeemu.validation import FloatArray

__all__ = ["LevelMeter", "channel_weights", "k_weighting", "usual_mask"]

_HOP_SECONDS = 0.1
_GATE_BLOCK_HOPS = 4  # 400 ms blocks with 75 % overlap (BS.1770-5)
_OFFSET_LUFS = -0.691
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0
_SURROUND = 1.41  # 60 to 120 degrees from the front, below 30 degrees of height (BS.1770-5, annex 3)
_LOW = 0x8
_BACK = 0x10 | 0x20
_SIDE = 0x200 | 0x400
_USUAL_MASKS = {1: 0x4, 2: 0x3, 5: 0x37, 6: 0x3F}
_OVERSAMPLING = 4
_TAPS = 24


def usual_mask(channels: int) -> int:
    """Speakers of a file that does not name them, or 0 where there is no usual order.

    One channel is the centre, two are left and right, five and six are left, right, centre, (low frequencies,)
    left and right surround: the order of ITU-R BS.775 and BS.1770, and that of libebur128. Three, four, seven
    and more have no order that most files follow.
    """
    return _USUAL_MASKS.get(channels, 0)


def channel_weights(channels: int, channel_mask: int = 0) -> FloatArray | None:
    """Weight of each channel in the loudness of ITU-R BS.1770-5.

    Parameters
    ----------
    channels : int
        Channels.
    channel_mask : int
        Which speakers they feed, in the order of the bits of a WAVE_FORMAT_EXTENSIBLE header; 0 takes the usual
        order, see :func:`usual_mask`.

    Returns
    -------
    ndarray, shape (channels,), or None
        0 for low frequencies; 1.41 for side channels, and for back channels where there are no side channels,
        for these are then the surrounds of a 5.1 layout at 110 degrees; 1 for all others. None where some
        channel has no known place.
    """
    mask = channel_mask or usual_mask(channels)
    speakers = [1 << bit for bit in range(18) if mask & 1 << bit]
    if len(speakers) < channels:
        return None
    surrounds = _SIDE if mask & _SIDE else _BACK
    weights = [0.0 if each == _LOW else _SURROUND if each & surrounds else 1.0 for each in speakers[:channels]]
    return np.array(weights)


def k_weighting(sample_rate: float) -> FloatArray:
    """Two biquads of the K-weighting of ITU-R BS.1770 at any sample rate.

    The recommendation tabulates them at 48 kHz only; the analogue prototypes behind that table are
    transformed here (constants published by B. De Man, "Evaluation of implementations of the EBU R128
    loudness measurement", AES 145th convention, 2018; from memory, tested against the table).

    Returns
    -------
    ndarray, shape (2, 5)
        b0, b1, b2, a1, a2 of the shelf and of the high-pass.
    """
    gain_db, quality, corner_hz = 3.999843853973347, 0.7071752369554196, 1681.974450955533
    warped = math.tan(math.pi * corner_hz / sample_rate)
    high = 10.0 ** (gain_db / 20.0)
    band = high**0.4996667741545416
    norm = 1.0 + warped / quality + warped**2
    shelf = [
        (high + band * warped / quality + warped**2) / norm,
        2.0 * (warped**2 - high) / norm,
        (high - band * warped / quality + warped**2) / norm,
        2.0 * (warped**2 - 1.0) / norm,
        (1.0 - warped / quality + warped**2) / norm,
    ]
    quality, corner_hz = 0.5003270373238773, 38.13547087602444
    warped = math.tan(math.pi * corner_hz / sample_rate)
    norm = 1.0 + warped / quality + warped**2
    # The recommendation leaves the high-pass numerator at 1, -2, 1.
    high_pass = [1.0, -2.0, 1.0, 2.0 * (warped**2 - 1.0) / norm, (1.0 - warped / quality + warped**2) / norm]
    return np.array([shelf, high_pass])


def _interpolation_phases() -> FloatArray:
    """Kaiser-windowed sinc at four positions between samples (passband to about 0.45 of the rate)."""
    positions = np.arange(_OVERSAMPLING)[:, None] / _OVERSAMPLING
    distance = np.arange(_TAPS)[None, :] - (_TAPS // 2 - 1) - positions
    window = np.i0(7.0 * np.sqrt(np.maximum(1.0 - (2.0 * distance / _TAPS) ** 2, 0.0))) / np.i0(7.0)
    phases = np.sinc(distance) * window
    normalised: FloatArray = phases / phases.sum(axis=1, keepdims=True)
    return normalised


class LevelMeter:
    """Integrated loudness, sample peak and true peak of audio given in blocks.

    Parameters
    ----------
    sample_rate : float
        Samples per second.
    channels, channel_mask : int
        Channels and the speakers they feed, see :func:`channel_weights`. Where these are not known, the loudness
        is nan.

    Attributes
    ----------
    peak : float
        Largest sample magnitude.
    true_peak : float
        Largest magnitude at four times the rate.
    """

    def __init__(self, *, sample_rate: float, channels: int, channel_mask: int = 0) -> None:
        self._hop = seconds_to_samples(_HOP_SECONDS, sample_rate)
        self._coefficients = k_weighting(sample_rate)
        self._state = np.zeros((channels, 2, 2))
        weights = channel_weights(channels, channel_mask)
        self._weights = np.full(channels, math.nan) if weights is None else weights
        self._cells = array("d")  # weighted energy of each hop: 3 MB for ten hours
        self._open_cell = np.zeros(channels)
        self._filled = 0
        self._phases = _interpolation_phases()
        self._overshoot = float(np.max(np.sum(np.abs(self._phases), axis=1)))
        self._history = np.zeros((channels, _TAPS - 1))
        self.peak = 0.0
        self.true_peak = 0.0

    def add(self, block: FloatArray) -> None:
        """Take in a block of shape (channels, samples)."""
        from tapeemu.dsp.kernels.levels import interpolated_peak, weighted_energy

        if not block.shape[1]:
            return
        cells = (self._filled + block.shape[1]) // self._hop
        energy = np.zeros((block.shape[0], cells + 1))
        energy[:, 0] = self._open_cell
        work = np.ascontiguousarray(block)
        self._filled = weighted_energy(work, self._coefficients, self._state, energy, self._filled, self._hop)
        self._cells.extend(np.sum(self._weights[:, None] * energy[:, :cells], axis=0))
        self._open_cell = energy[:, cells]
        self.peak = max(self.peak, float(np.max(np.abs(block))))
        padded = np.concatenate([self._history, work], axis=1)
        self._history = padded[:, padded.shape[1] - (_TAPS - 1) :].copy()
        known = max(self.true_peak, self.peak)
        self.true_peak = float(interpolated_peak(padded, self._phases, self._overshoot, known))

    @property
    def integrated_lufs(self) -> float:
        """Gated loudness (BS.1770-5); minus infinity for silence, nan where it is undefined."""
        return self._integrated_lufs(0.0)

    @property
    def undefined(self) -> str:
        """Why there is no loudness; empty where there is."""
        if np.isnan(self._weights).any():
            return f"the file does not say which speakers its {self._weights.size} channels feed"
        if len(self._cells) < _GATE_BLOCK_HOPS:
            return "shorter than 0.4 s"
        return "" if math.isfinite(self.integrated_lufs) else "below the gate at -70 LUFS"

    def gain_to_reach(self, target_lufs: float) -> float:
        """Gain in decibels that brings the loudness to a target.

        Not simply the difference: a gain moves quiet blocks across the absolute gate. The loudness with
        gain is known from the blocks, so the gain is found by repetition; nan where loudness is undefined.
        """
        gain_db = 0.0
        for _ in range(20):
            missing_db = target_lufs - self._integrated_lufs(gain_db)
            if not math.isfinite(missing_db):
                return math.nan
            gain_db += missing_db
            if abs(missing_db) < 1e-3:
                break
        return gain_db

    def _integrated_lufs(self, gain_db: float) -> float:
        if len(self._cells) < _GATE_BLOCK_HOPS or np.isnan(self._weights).any():
            return math.nan
        cells = np.array(self._cells) * (10.0 ** (gain_db / 10.0) / self._hop)
        total = np.convolve(cells, np.ones(_GATE_BLOCK_HOPS) / _GATE_BLOCK_HOPS, "valid")
        with np.errstate(divide="ignore"):
            loudness = _OFFSET_LUFS + 10.0 * np.log10(total)
        heard = total[loudness > _ABSOLUTE_GATE_LUFS]
        if not heard.size:
            return -math.inf
        gate = _OFFSET_LUFS + 10.0 * math.log10(float(heard.mean())) + _RELATIVE_GATE_LU
        heard = total[(loudness > _ABSOLUTE_GATE_LUFS) & (loudness > gate)]
        return _OFFSET_LUFS + 10.0 * math.log10(float(heard.mean()))

    @property
    def peak_dbfs(self) -> float:
        """Sample peak."""
        return gain_to_db(self.peak)

    @property
    def true_peak_dbtp(self) -> float:
        """True peak."""
        return gain_to_db(self.true_peak)
