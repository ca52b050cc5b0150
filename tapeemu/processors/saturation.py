"""Saturation: a preamplifier driven too hard, and tape magnetised past its straight range."""

import math
from functools import lru_cache
from typing import ClassVar, Self

import numpy as np
from pydantic import model_validator

from tapeemu.dsp.oversampling import CHUNK, Oversampler, oversampling_factor
from tapeemu.errors import ParameterError
from tapeemu.processor import Processor, Stream, setting
from tapeemu.units import db_to_gain, gain_to_db, percent_to_ratio, ratio_to_percent
from tapeemu.validation import FloatArray

__all__ = ["PreampDrive"]

_DEFAULT_DRIVE_DB = 6.0
_MIN_DRIVE_DB, _MAX_DRIVE_DB = -40.0, 60.0
_PHASES = 8192
"""Points of a sine's period in the quadrature of a curve; exact to rounding up to a gain of about 300."""


def _decay_samples(level_db: float, high_pass_hz: float, sample_rate: float) -> int:
    """Samples that the offset filter takes to fall by `level_db`."""
    if level_db >= 0.0:
        return 0
    step = _blocker_step(high_pass_hz, sample_rate)
    return math.ceil(level_db / gain_to_db(1.0 - step))


def _blocker_step(high_pass_hz: float, sample_rate: float) -> float:
    return -math.expm1(-2.0 * math.pi * high_pass_hz / sample_rate)


def _driven_sine(drive_db: float, level_dbfs: float, asymmetry_percent: float) -> tuple[float, float]:
    """Fundamental amplitude, and rms of all harmonics, of a driven sine (unity small-signal gain).

    Fourier coefficients by the rule of equal steps over one period, which converges geometrically for an
    analytic periodic function.
    """
    gain = db_to_gain(drive_db)
    rest = percent_to_ratio(asymmetry_percent)
    sine = np.sin(2.0 * np.pi * (np.arange(_PHASES) + 0.5) / _PHASES)
    output = np.tanh(gain * db_to_gain(level_dbfs) * sine + math.atanh(rest)) - rest
    output /= gain * (1.0 - rest * rest)
    fundamental = float(2.0 * np.mean(output * sine))
    return fundamental, float(np.std(output - fundamental * sine))


def _driven_thd(drive_db: float, level_dbfs: float, asymmetry_percent: float) -> float:
    fundamental, harmonics = _driven_sine(drive_db, level_dbfs, asymmetry_percent)
    return ratio_to_percent(math.sqrt(2.0) * harmonics / fundamental)


@lru_cache(maxsize=256)
def _solve_drive(thd_percent: float, level_dbfs: float, asymmetry_percent: float) -> float:
    """Drive in dB at which a sine of that level has that distortion (bisection; it rises with drive)."""
    low, high = _MIN_DRIVE_DB, _MAX_DRIVE_DB
    ends = [_driven_thd(drive, level_dbfs, asymmetry_percent) for drive in (low, high)]
    if not ends[0] <= thd_percent <= ends[1]:
        raise ValueError(
            f"thd_percent is {thd_percent:g} %, but this curve gives {ends[0]:.3g} to {ends[1]:.4g} % at "
            f"{level_dbfs:g} dBFS; choose a value in that range, or another reference_level_dbfs"
        )
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        if _driven_thd(middle, level_dbfs, asymmetry_percent) < thd_percent:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


class _DriveStream(Stream):
    """Up, through the curve, down, and the offset taken out."""

    def __init__(
        self, *, sample_rate: float, channels: int, gain: float, bias: float, scale: float, high_pass_hz: float
    ) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        from tapeemu.dsp.kernels import saturation as kernels

        self._kernels = kernels
        self._oversampler = Oversampler(factor=oversampling_factor(self.sample_rate), channels=channels)
        self.latency = self._oversampler.latency
        self._gain, self._bias, self._scale = gain, bias, scale
        self._high_pass_hz = high_pass_hz
        self._step = _blocker_step(high_pass_hz, self.sample_rate)
        self._mean = np.zeros(channels)

    def advance(self, block: FloatArray) -> FloatArray:
        over = self._oversampler
        out = np.empty_like(block)
        for start in range(0, block.shape[1], CHUNK):
            count = min(CHUNK, block.shape[1] - start)
            over.rise(block, start, count)
            self._kernels.bend(
                over.high, over.bent, over.offset, count * over.per_base, self._gain, self._bias, self._scale
            )
            over.fall(out, start, count)
        self._kernels.block_offset(out, self._step, self._mean)
        return out

    def tail_samples(self, level_db: float = -60.0) -> int:
        return _decay_samples(level_db, self._high_pass_hz, self.sample_rate)


class PreampDrive(Processor):
    """Static saturation of a preamplifier stage: a hyperbolic tangent with a movable operating point.

    The curve is ``y = (tanh(g x + b) - tanh b) / (g (1 - tanh(b)^2))``: small signals keep their level
    whatever the drive `g`. With ``b = 0`` it is odd and makes odd harmonics only; a shifted operating
    point ``b`` adds even ones. The offset that even harmonics bring is taken out by a first-order
    high-pass filter, which is always there, so that no setting changes the phase at low frequencies.

    The curve runs at twelve times the sample rate (four times from 100 kHz, twice from 200 kHz) between
    linear-phase filters, see :mod:`tapeemu.dsp.oversampling`. Folded products are more than 90 dB below
    the signal for tones up to a sixth of the sample rate (8 kHz at 48 kHz) at ``g = 10`` and full scale;
    they rise with more drive. Pass band of the filters: to 0.4535 of the sample rate (21.8 kHz at 48 kHz)
    within 0.001 dB. Latency: 100 samples below 100 kHz, 96 below 200 kHz, 88 above.

    Distortion is THD_F (IEC 60268-3, 14.12): rms of the harmonics over the fundamental, of the curve
    itself, before the pass band ends. It is solved for by bisection over exact Fourier coefficients.

    Notes
    -----
    Method: oversampling of a naive curve, chosen by measurement over antiderivative antialiasing (Parker,
    Zavalishin & Le Bivic, DAFx-16; Bilbao et al., IEEE SPL 24(7), 2017): at equal aliasing it costs less,
    because the tangent is a short rational function and the second antiderivative is a dilogarithm; see
    ``benchmarks/speed_saturation.py``. Harmonics of the tangent: Fourier analysis.
    """

    kind: ClassVar[str] = "preamp_drive"

    drive_db: float | None = setting(
        None,
        "Gain into the curve; small signals keep their level. Leave out to set thd_percent instead; "
        "6 dB if both are left out.",
        unit="dB",
        ge=_MIN_DRIVE_DB,
        le=_MAX_DRIVE_DB,
    )
    thd_percent: float | None = setting(
        None,
        "Total harmonic distortion wanted of a sine at the reference level; the drive is solved for.",
        unit="%",
        gt=0.0,
        lt=100.0,
    )
    reference_level_dbfs: float = setting(
        -18.0, "Level of the sine for which thd_percent and level_matched hold.", unit="dBFS", ge=-60.0, le=12.0
    )
    asymmetry_percent: float = setting(
        0.0,
        "Output at rest, in percent of the saturated level, before the offset is taken out: even harmonics.",
        unit="%",
        ge=-60.0,
        le=60.0,
    )
    level_matched: bool = setting(
        False, "Give a sine at the reference level the same rms at the output, harmonics included."
    )
    high_pass_hz: float = setting(
        2.0, "Corner (-3 dB) of the filter that takes the offset out.", unit="Hz", ge=0.5, le=30.0
    )

    @model_validator(mode="after")
    def _one_way_to_set_drive(self) -> Self:
        if self.drive_db is not None and self.thd_percent is not None:
            raise ValueError(
                f"drive_db is {self.drive_db:g} dB and thd_percent is {self.thd_percent:g} %, but one follows "
                "from the other; leave one of them out"
            )
        if self.thd_percent is not None:
            _solve_drive(self.thd_percent, self.reference_level_dbfs, self.asymmetry_percent)
        return self

    @property
    def effective_drive_db(self) -> float:
        """Gain into the curve in dB: as set, or as solved for from `thd_percent`."""
        if self.thd_percent is not None:
            return _solve_drive(self.thd_percent, self.reference_level_dbfs, self.asymmetry_percent)
        return _DEFAULT_DRIVE_DB if self.drive_db is None else self.drive_db

    @property
    def output_gain_db(self) -> float:
        """Gain after the curve in dB: zero, or what `level_matched` asks for."""
        if not self.level_matched:
            return 0.0
        fundamental, harmonics = _driven_sine(
            self.effective_drive_db, self.reference_level_dbfs, self.asymmetry_percent
        )
        rms = math.hypot(fundamental / math.sqrt(2.0), harmonics)
        return gain_to_db(db_to_gain(self.reference_level_dbfs) / math.sqrt(2.0) / rms)

    def expected_thd_percent(self, level_dbfs: float) -> float:
        """THD_F in percent of a sine at a level in dBFS, from the Fourier coefficients of the curve."""
        return _driven_thd(self.effective_drive_db, level_dbfs, self.asymmetry_percent)

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0) -> Stream:
        gain = db_to_gain(self.effective_drive_db)
        rest = percent_to_ratio(self.asymmetry_percent)
        return _DriveStream(
            sample_rate=sample_rate,
            channels=channels,
            gain=gain,
            bias=math.atanh(rest),
            scale=db_to_gain(self.output_gain_db) / (gain * (1.0 - rest * rest)),
            high_pass_hz=self.high_pass_hz,
        )
