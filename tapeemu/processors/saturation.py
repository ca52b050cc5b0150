"""Saturation: a preamplifier driven too hard, and tape magnetised past its straight range."""

from collections.abc import Callable
from functools import lru_cache
from typing import Any, ClassVar, Self

from pydantic import model_validator

from tapeemu.dsp.driven_sine import LEAST_DRIVE_DB, MOST_DRIVE_DB, check_thd_percent, driven_thd_percent
from tapeemu.kernel_stream import ProcessorOfKernels
from tapeemu.processor import Traits, setting
from tapeemu.units import gain_to_db, ratio_to_percent

__all__ = ["PreampDrive", "TapeMagnetisation"]


@lru_cache(maxsize=1024)
def _solved(design: Callable[..., float], *arguments: Any) -> float:
    """A figure that a kernel finds for settings, cached, since some take milliseconds."""
    return float(design(*arguments))


class PreampDrive(ProcessorOfKernels):
    """Static saturation of a preamplifier stage: a hyperbolic tangent with a movable operating point.

    The curve is ``y = (tanh(g x + b) - tanh b) / (g (1 - tanh(b)^2))``: small signals keep their level
    whatever the drive `g`. With ``b = 0`` it is odd and makes odd harmonics only; a shifted operating
    point ``b`` adds even ones. The offset that even harmonics bring is taken out by a first-order
    high-pass filter, which is always there, so that no setting changes the phase at low frequencies.

    The curve runs at twelve times the sample rate (six times while ``g`` is at most 3; four times from 100 kHz,
    twice from 200 kHz) between linear-phase filters, see :mod:`tapeemu.dsp.kernels.oversampling`. Folded products
    are more than 90 dB below the signal for tones up to a sixth of the sample rate (8 kHz at 48 kHz) at
    ``g = 10`` and full scale, and at ``g = 3`` and 4.3 dB beyond full scale; they rise with more drive. Pass
    band of the filters: to 0.4535 of the sample rate (21.8 kHz at 48 kHz) within 0.001 dB.
    Latency: 100 samples below 100 kHz, 96 below 200 kHz, 88 above.

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
    kernel_file: ClassVar[str] = "drive"
    moves: ClassVar[tuple[str, ...]] = ("drive_db", "thd_percent", "reference_level_dbfs")
    stands: ClassVar[str] = "the operating point and the filter that takes its offset out are those of the circuit"

    drive_db: float | None = setting(
        None,
        "Gain into the curve; small signals keep their level. Leave out to set thd_percent instead; "
        "6 dB if both are left out.",
        unit="dB",
        ge=LEAST_DRIVE_DB,
        le=MOST_DRIVE_DB,
    )
    thd_percent: float | None = setting(
        None,
        "Total harmonic distortion wanted of a sine at the reference level; the drive is solved for.",
        unit="%",
        gt=0.0,
        lt=100.0,
    )
    reference_level_dbfs: float = setting(
        -18.0,
        "Level of the sine for which thd_percent and level_matched hold; nothing without one of them.",
        unit="dBFS",
        ge=-60.0,
        le=12.0,
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
            check_thd_percent(self.thd_percent, self.reference_level_dbfs, self.asymmetry_percent)
        return self

    def idle(self) -> dict[str, str]:
        if self.given("reference_level_dbfs") and self.thd_percent is None and not self.level_matched:
            return {"reference_level_dbfs": "neither thd_percent nor level_matched is set"}
        return {}

    @property
    def effective_drive_db(self) -> float:
        """Gain into the curve in dB: as set, or as solved for from `thd_percent`."""
        from tapeemu.dsp.kernels.drive import effective_drive_db

        return _solved(effective_drive_db, self.kernel_settings())

    @property
    def output_gain_db(self) -> float:
        """Gain after the curve in dB: zero, or what `level_matched` asks for."""
        from tapeemu.dsp.kernels.drive import output_gain

        return gain_to_db(_solved(output_gain, self.kernel_settings()))

    def expected_thd_percent(self, level_dbfs: float) -> float:
        """THD_F in percent of a sine at a level in dBFS, from the Fourier coefficients of the curve."""
        return driven_thd_percent(self.effective_drive_db, level_dbfs, self.asymmetry_percent)

    @property
    def traits(self) -> Traits:
        return Traits(drives=True, peak_gain_db=80.0)

    def oversampling(self, sample_rate: float) -> int:
        """How many times a sample rate the curve is followed at."""
        from tapeemu.dsp.kernels.drive import drive_factor

        return int(drive_factor(self.kernel_settings(), sample_rate))

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        from tapeemu.dsp.kernels.oversampling import MOST_OVERSAMPLING

        return self.kernels().settings_from(
            drive_db=self.drive_db or 0.0,
            drive_given=self.drive_db is not None,
            thd_percent=self.thd_percent or 0.0,
            thd_given=self.thd_percent is not None,
            reference_level_dbfs=self.reference_level_dbfs,
            asymmetry_percent=self.asymmetry_percent,
            level_matched=self.level_matched,
            high_pass_hz=self.high_pass_hz,
            most_oversampling=MOST_OVERSAMPLING,
        )


class TapeMagnetisation(ProcessorOfKernels):
    """Hysteresis of the magnetic layer, with a bias that narrows it: odd harmonics, third first.

    Model (Jiles & Atherton, J. Magn. Magn. Mater. 61, 1986), with field H, magnetisation M, anhysteretic
    curve ``Man = Ms (coth(He / a) - a / He)`` of the effective field ``He = H + alpha M``, and direction
    ``delta`` = sign of dH::

        M = (1 - c) Mirr + c Man
        dMirr/dH = (Man - Mirr) / (delta k - alpha (Man - Mirr)),  zero while delta (Man - Mirr) < 0

    which is the equation that Holters & Zoelzer (DAFx-16) and Chowdhury (DAFx-19) integrate in time.
    Material: Ms 350 kA/m, a 22 kA/m, alpha 0.0016, k 27 kA/m, c 0.17. The loop is integrated along the
    field instead, see :mod:`tapeemu.dsp.kernels.magnetisation`, at twelve times the sample rate (six
    times with a bias of 80 % or more and ``mol_db`` of 4 dB or more, or what comes to the same; four times from
    100 kHz, twice from 200 kHz). At six times folded products are more than 90 dB below the signal for tones up
    to a sixth of the sample rate and 4 dB beyond full scale. Latency: 101 samples below 100 kHz, 97 below
    200 kHz, 89 above.

    Bias is not simulated as the high-frequency field that it is: that would need a rate of megahertz.
    What it does is: each particle is shaken through ever smaller loops and ends near the anhysteretic
    curve, so the loop of the signal gets narrow. Here the irreversible share is scaled,
    ``1 - c = 0.83 (1 - bias)^2``: at 0 % the tape is unbiased, with the distortion at low levels
    (Rayleigh region: third-harmonic ratio proportional to level) that bias was invented to cure; at
    100 % only the anhysteretic curve is left, without memory, and third-harmonic ratio is proportional to
    level squared. The law of the square is our choice, no source. Loss of treble and of sensitivity by
    too much bias are not part of it.

    Level: a sine at the reference level comes out at its level (gain 1 for its fundamental, at any
    frequency: the equations contain no time). ``mol_db`` is the level of the *input* sine with 3 % third
    harmonic (h3 over h1, settled loop), in dB above the reference level.

    The tape starts demagnetised, so the first cycles are not yet the settled loop. It moves, so every moment
    brings demagnetised tape: what no field holds goes. With the time since the last sample the irreversible
    part loses ``dMirr = -Mirr dt / tau * w`` with ``w = 1 / (1 + K (H^2 + (s dH/dt)^2) / Mirr^2)`` (Mirr in
    units of Ms, H of a), tau 0.25 ms, K 64 and s 1.6 ms (one over the angular frequency of 100 Hz). While a
    sound lasts `w` is next to nothing: level and third harmonic of the settled loop hold within 0.15 and 0.5 dB
    at 20 Hz, 0.05 and 0.1 dB from 50 Hz. 6 ms after it stops less than a thousandth of its magnetisation is
    left, and gain and sound after a silence are those of the start. Real tape is renewed faster, in the
    time that it takes to pass the gap, which would leave no loop at all; the law is ours, no source. What
    is left of a stop is the answer of the high-pass filter, which is the tail.

    Input beyond a field of 880 kA/m is held there, so that output is bounded for any input.
    """

    kind: ClassVar[str] = "tape_magnetisation"
    kernel_file: ClassVar[str] = "magnetised"
    moves: ClassVar[tuple[str, ...]] = ("drive_db", "mol_db", "reference_level_dbfs")
    stands: ClassVar[str] = "the hysteresis loop is designed for its bias before the tape starts"

    drive_db: float | None = setting(
        None,
        "Field of a full-scale sine, in dB above a peak of 40 kA/m. Leave out to set mol_db instead; 6 dB "
        "if both are left out.",
        unit="dB",
        ge=-40.0,
        le=40.0,
    )
    mol_db: float | None = setting(
        None,
        "Level of the sine with 3 % third harmonic (MOL), in dB above the reference level; the drive is "
        "solved for.",
        unit="dB",
        ge=-20.0,
        le=40.0,
    )
    reference_level_dbfs: float = setting(
        -18.0, "Level from which mol_db counts, and whose level is kept.", unit="dBFS", ge=-60.0, le=12.0
    )
    bias_percent: float = setting(
        90.0,
        "How far bias narrows the hysteresis loop: 0 not at all, 100 until only the anhysteretic curve is left.",
        unit="%",
        ge=0.0,
        le=100.0,
    )
    high_pass_hz: float = setting(
        2.0, "Corner (-3 dB) of the filter that takes remanent offset out.", unit="Hz", ge=0.5, le=30.0
    )

    @model_validator(mode="after")
    def _one_way_to_set_drive(self) -> Self:
        if self.drive_db is not None and self.mol_db is not None:
            raise ValueError(
                f"drive_db is {self.drive_db:g} dB and mol_db is {self.mol_db:g} dB, but one follows from the "
                "other; leave one of them out"
            )
        return self

    @property
    def effective_drive_db(self) -> float:
        """Field of a full-scale sine in dB above 40 kA/m: as set, or as solved for from `mol_db`."""
        from tapeemu.dsp.kernels.magnetised import field_drive_db

        return _solved(field_drive_db, self.kernel_settings())

    @property
    def effective_mol_db(self) -> float:
        """Level of 3 % third harmonic in dB above the reference level: as set, or as it follows."""
        from tapeemu.dsp.kernels.magnetised import mol_db

        return _solved(mol_db, self.kernel_settings())

    @property
    def full_scale_field(self) -> float:
        """Peak field of a full-scale sine, in units of the shape field a (22 kA/m)."""
        from tapeemu.dsp.kernels.magnetised import full_scale_field

        return _solved(full_scale_field, self.kernel_settings())

    @property
    def output_gain(self) -> float:
        """Output per magnetisation M / Ms."""
        from tapeemu.dsp.kernels.magnetised import tape_gain

        return _solved(tape_gain, self.kernel_settings(), self.full_scale_field)

    def expected_third_harmonic_percent(self, level_dbfs: float) -> float:
        """Third harmonic in percent of the fundamental, of the settled loop of a sine at a level in dBFS."""
        from tapeemu.dsp.kernels.magnetised import third_harmonic_ratio

        return ratio_to_percent(_solved(third_harmonic_ratio, self.kernel_settings(), float(level_dbfs)))

    @property
    def traits(self) -> Traits:
        return Traits(drives=True, peak_gain_db=80.0)

    def oversampling(self, sample_rate: float) -> int:
        """How many times a sample rate the curve is followed at."""
        from tapeemu.dsp.kernels.magnetised import magnetised_factor

        return int(magnetised_factor(self.kernel_settings(), sample_rate))

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        from tapeemu.dsp.kernels.oversampling import MOST_OVERSAMPLING

        return self.kernels().settings_from(
            drive_db=self.drive_db or 0.0,
            drive_given=self.drive_db is not None,
            mol_db=self.mol_db or 0.0,
            mol_given=self.mol_db is not None,
            reference_level_dbfs=self.reference_level_dbfs,
            bias_percent=self.bias_percent,
            high_pass_hz=self.high_pass_hz,
            most_oversampling=MOST_OVERSAMPLING,
        )
