"""Print-through: the turns of a reel magnetise each other, and are heard before and after their time."""

import math
from typing import Any, ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream, ProcessorOfKernels
from tapeemu.processor import Traits, setting
from tapeemu.validation import FloatArray, check_sample_rate

__all__ = ["PrintThrough"]

_LONGEST_SECONDS = 12.0
_FAINT_DB = -35.0


class _PrintThroughStream(KernelStream):
    """A stream that hears ahead."""

    def lead_of(self, settings: Any, level_db: float) -> int:
        from tapeemu.dsp.kernels.print_through import print_through_lead

        return int(print_through_lead(settings, self.sample_rate, float(level_db)))


class PrintThrough(ProcessorOfKernels):
    """Faint echoes a turn of the reel before and after each sound.

    A turn prints on those beside it. Its echo has the spectrum ``(1 - exp(-k d))^2 / (k d) exp(-k b)`` with the
    wave number ``k = 2 pi f / v``, coatings of thickness ``d`` and a base of thickness ``b`` between them: its
    peak, where the level is told, lies near a wave of 2 pi times the thickness of the tape. The field across the
    tape adds to that along it on one side and takes from it on the other, so one echo is weaker by
    `asymmetry_db`, ``20 lg((1 + q) / (1 - q))`` for a ratio ``q`` of the two fields: with ``stored="tails_out"``,
    as the tape leaves the take-up reel, the pre-echo is, with ``"heads_out"`` the post-echo.

    A turn at radius ``r`` lasts ``2 pi r / v``. Stored tails out the tape begins at the hub and its turns grow, by
    ``2 pi (d + b) / v`` each; stored heads out it begins at the full reel and they shrink. So the delay is a
    function of the place on the tape, and an echo is out of tune by ``(d + b) / r``. Before the first turn and
    behind the last the radius stays what it is there.

    To hear ahead, a pre-echo costs the longest turn in latency; without it, that is 66 ms. The spectrum is within
    0.05 dB of the law from an eighth to eight times the peak, where that is from 20 Hz to 0.4 of the sample rate;
    so the peak lies within 1 % of its frequency. Delays are exact. A level that follows a curve is that of the
    place where the echo is heard, to the sample, also ahead of its sound.

    Notes
    -----
    Spectrum: the field of one coating, averaged over the other (closed form, ours). Which echo is stronger:
    published advice to store tails out. Levels: from memory, 45 to 60 dB down after a day; the default is in
    between. Only turns that touch print here; by the same law those behind them would be 6 dB weaker, an octave
    lower.

    Examples
    --------
    >>> PrintThrough(level_db=-50.0, pre_echo=False)
    PrintThrough(level_db=-50.0, pre_echo=False)
    """

    kind: ClassVar[str] = "print_through"
    stands: ClassVar[str] = "the reel is wound before the tape starts, and its turns set delays and spectrum"
    stream_type: ClassVar[type[KernelStream]] = _PrintThroughStream
    moves = ("level_db", "asymmetry_db")

    level_db: float = setting(
        -55.0,
        "Level of the stronger echo at the frequency of its peak, re the sound.",
        unit="dB",
        ge=-100.0,
        le=-20.0,
    )
    asymmetry_db: float = setting(2.0, "By how much the other echo is weaker.", unit="dB", ge=0.0, le=20.0)
    pre_echo: bool = setting(True, "Whether sound is heard a turn ahead as well, which costs that turn's latency.")
    stored: Literal["tails_out", "heads_out"] = setting(
        "tails_out", "How the reel is stored: its beginning at the hub, or outside."
    )
    tape_speed_cm_s: float = setting(38.1, "Speed of the tape.", unit="cm/s", ge=2.0, le=152.4)
    coating_um: float = setting(17.5, "Thickness of the coating.", unit="µm", ge=0.5, le=30.0)
    base_um: float = setting(36.6, "Thickness of the base.", unit="µm", ge=5.0, le=60.0)
    hub_radius_mm: float = setting(57.0, "Radius of the innermost turn.", unit="mm", ge=5.0, le=150.0)
    full_radius_mm: float = setting(130.0, "Radius of the outermost turn.", unit="mm", ge=5.0, le=200.0)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.full_radius_mm < self.hub_radius_mm:
            raise ParameterError(
                f"full_radius_mm is {self.full_radius_mm:g} mm and hub_radius_mm {self.hub_radius_mm:g} mm, but "
                "the outermost turn cannot lie inside the innermost; swap them, or make both the same"
            )
        turn = 0.2 * math.pi * self.full_radius_mm / self.tape_speed_cm_s
        if turn > _LONGEST_SECONDS:
            raise ParameterError(
                f"full_radius_mm is {self.full_radius_mm:g} mm, a turn of {turn:.3g} s at "
                f"{self.tape_speed_cm_s:g} cm/s, but a turn may last {_LONGEST_SECONDS:g} s at most; lower it, or "
                "raise tape_speed_cm_s"
            )
        return self

    def idle(self) -> dict[str, str]:
        if self.given("asymmetry_db") and not self.pre_echo and self.stored == "tails_out":
            return {"asymmetry_db": "pre_echo is off, and of a reel stored tails out that is the weaker one"}
        return {}

    @property
    def traits(self) -> Traits:
        # Fainter ones leave a tone steady within 0.2 dB, so that all figures can be read behind them.
        return Traits(echoes=self.level_db > _FAINT_DB, neighbours=True, peak_gain_db=6.0)

    def peak_hz(self) -> float:
        """Frequency of the echoes' peak."""
        from tapeemu.dsp.kernels.print_through import print_peak_hz

        return float(print_peak_hz(self.kernel_settings()))

    def turn_seconds(
        self, *, sample_rate: float, start_sample: int, samples: int, before: bool = True
    ) -> FloatArray:
        """Time from a place on the tape to the one a turn before it, or after it, by absolute sample index.

        Parameters
        ----------
        sample_rate : float
            Samples per second.
        start_sample : int
            Index of the first value; may be negative.
        samples : int
            How many.
        before : bool
            True for the delay of the post-echo, False for what a pre-echo is ahead.

        Returns
        -------
        ndarray, shape (samples,)
            In seconds.
        """
        rate = check_sample_rate(sample_rate)
        stream = self.stream(sample_rate=rate, channels=1)
        assert isinstance(stream, KernelStream)
        from tapeemu.dsp.kernels.print_through import turn_samples

        plan = stream.memory.plan
        turns = [turn_samples(plan, np.int64(start_sample + i), before) for i in range(samples)]
        return np.array(turns) / rate

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        return self.kernels().settings_from(
            level_db=self.level_db,
            asymmetry_db=self.asymmetry_db,
            pre_echo=self.pre_echo,
            heads_out=self.stored == "heads_out",
            tape_speed_cm_s=self.tape_speed_cm_s,
            coating_um=self.coating_um,
            base_um=self.base_um,
            hub_radius_mm=self.hub_radius_mm,
            full_radius_mm=self.full_radius_mm,
        )
