"""Noise of the tape: what sounds where nothing was recorded, and what follows the sound."""

from typing import Any, ClassVar, Literal, Self

from pydantic import model_validator

from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import ProcessorOfKernels
from tapeemu.processor import Traits, setting

__all__ = ["TapeNoise"]

_DEFAULT_TRACK_MM = 2.0
_MEDIUM = ("tape_speed_cm_s", "treble_time_constant_us", "bass_time_constant_us", "coating_um", "spacing_um")


class TapeNoise(ProcessorOfKernels):
    """Hiss, modulation noise and hum, each of them off or on.

    Hiss has the spectrum of a coating of independent particles under a head, behind the replay equalisation: flux
    of density ``(1 - exp(-2 k d)) / (2 k d) exp(-2 k a)``, with the wave number ``k = 2 pi f / v``, thickness
    ``d`` and distance ``a``; then the equalisation of its two time constants, rising above ``1 / (2 pi t)`` of
    the short one and falling below that of the long one. From 20 kHz it fades, to nothing at 30 kHz. Third
    octaves from 20 Hz to 20 kHz lie within 0.3 dB of that.

    Its level is set as a meter would read it from silence, re a sine at the reference level: A-weighted rms, or
    the highest quasi-peak of ITU-R BS.468-4 in ten seconds. Left out, it follows from the medium: power in
    proportion to one over speed, thickness and `track_width_mm`, from -60 dB A-weighted for 38.1 cm/s, 14 µm,
    2 mm, 50 and 3180 µs (from memory: professional two-track machines of that speed have 58 to 64 dB re
    320 nWb/m).

    Modulation noise follows the sound dB for dB: the sound is multiplied with Gaussian noise of one pole, so a
    tone grows skirts on both sides, and a constant magnetisation hisses. Its level is that of the skirts re the
    tone. Hum is the mains' fundamental with its odd harmonics to the ninth, each down in proportion to its
    number (our law, no source).

    Every channel of every track has noise of its own: a function of seed, track, channel and absolute sample
    index. Hum is the same everywhere, as the mains are: that of several stems adds up. Other sample rates have
    other noise of the same spectrum. There is no latency. Noise has no end: a file ends where the rest of the
    chain has died away, and the noise is cut there.

    Notes
    -----
    Spectrum: after Mallinson, IEEE Trans. Magn. 5, 1969 (from memory), and the reciprocity of the head. That
    signal goes with the width of the track and noise with its root: common practice, no source.

    Examples
    --------
    >>> TapeNoise(hiss_db=-55.0, modulation_noise_db=-48.0)
    TapeNoise(hiss_db=-55.0, modulation_noise_db=-48.0)
    """

    kind: ClassVar[str] = "tape_noise"
    stands: ClassVar[str] = "the spectrum of the noise is designed for the tape before it starts; levels can move"
    moves: ClassVar[tuple[str, ...]] = ("hiss_db", "modulation_noise_db", "hum_db", "reference_level_dbfs")

    hiss: bool = setting(True, "Whether there is hiss.")
    hiss_db: float | None = setting(
        None,
        "Weighted level of the hiss re a sine at the reference level; left out: what follows from the medium.",
        unit="dB",
        ge=-120.0,
        le=0.0,
    )
    hiss_weighting: Literal["a", "itu468"] = setting(
        "a", "By which weighting hiss_db is told: A (rms), or ITU-R BS.468-4 (quasi-peak)."
    )
    tape_speed_cm_s: float = setting(38.1, "Speed of the tape.", unit="cm/s", ge=2.0, le=152.4)
    treble_time_constant_us: float = setting(
        50.0, "Shorter time constant of the replay equalisation.", unit="µs", ge=5.0, le=300.0
    )
    bass_time_constant_us: float = setting(
        3180.0,
        "Longer time constant of the replay equalisation, 500 or more; 0 for none.",
        unit="µs",
        ge=0.0,
        le=20_000.0,
    )
    coating_um: float = setting(14.0, "Thickness of the coating.", unit="µm", ge=0.5, le=30.0)
    spacing_um: float = setting(0.5, "Distance between head and tape.", unit="µm", ge=0.0, le=5.0)
    track_width_mm: float | None = setting(
        None, "Width of the track, where hiss_db is left out; left out as well: 2 mm.", unit="mm", ge=0.1, le=30.0
    )
    modulation_noise_db: float | None = setting(
        None, "Level of the modulation noise re the sound; left out: none.", unit="dB", ge=-100.0, le=-20.0
    )
    modulation_noise_hz: float = setting(
        100.0,
        "Distance from the sound at which the modulation noise has fallen by 3 dB.",
        unit="Hz",
        ge=20.0,
        le=500.0,
    )
    hum_db: float | None = setting(
        None,
        "Rms of the hum re a sine at the reference level; left out: none.",
        unit="dB",
        ge=-120.0,
        le=0.0,
    )
    mains_hz: float = setting(50.0, "Fundamental of the hum.", unit="Hz", ge=16.0, le=400.0)
    reference_level_dbfs: float = setting(
        -18.0, "Level of the sine that levels are told against.", unit="dBFS", ge=-60.0, le=12.0
    )
    seed: int = setting(1, "Number of the tape: equal seeds hiss alike.", ge=0, le=2**63 - 1)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if 0.0 < self.bass_time_constant_us < 500.0:
            raise ParameterError(
                f"bass_time_constant_us is {self.bass_time_constant_us:g}, but must be 0 (none), or 500 or more"
            )
        if self.hiss_db is not None and self.track_width_mm is not None:
            raise ParameterError(
                f"hiss_db is {self.hiss_db:g} dB and track_width_mm is {self.track_width_mm:g} mm, but the width "
                "of the track only sets the level of the hiss, over which hiss_db would win; leave one out"
            )
        if self.hiss_db is None and self.given("hiss_weighting"):
            raise ParameterError(
                f"hiss_weighting is {self.hiss_weighting!r}, but hiss_db, which it is about, is left out; set "
                "hiss_db, or leave hiss_weighting out"
            )
        return self

    def idle(self) -> dict[str, str]:
        reasons: dict[str, str] = {}
        if not self.hiss:
            reasons |= dict.fromkeys(("hiss_db", "hiss_weighting", *_MEDIUM, "track_width_mm"), "hiss is off")
        if self.modulation_noise_db is None:
            reasons["modulation_noise_hz"] = "modulation_noise_db is left out"
        if self.hum_db is None:
            reasons["mains_hz"] = "hum_db is left out"
            if not self.hiss:
                reasons["reference_level_dbfs"] = "hiss is off and hum_db is left out"
        if not self.hiss and self.modulation_noise_db is None:
            reasons["seed"] = "hiss is off and modulation_noise_db is left out"
        return {name: reason for name, reason in reasons.items() if self.given(name)}

    @property
    def traits(self) -> Traits:
        return Traits(
            adds_sound=self.hiss or self.hum_db is not None,
            tracks_differ=self.hiss or self.modulation_noise_db is not None,
            channels_differ=self.hiss or self.modulation_noise_db is not None,
            moves_level=self.modulation_noise_db is not None,
            peak_gain_db=9.0,
        )

    def expected_hiss_db(self) -> float:
        """Weighted level of the hiss re a sine at the reference level: as set, or what follows from the medium."""
        if self.hiss_db is not None:
            return self.hiss_db
        from tapeemu.dsp.kernels.tape_noise import hiss_of_medium_db

        return float(hiss_of_medium_db(self.kernel_settings()))

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        return self.kernels().settings_from(
            hiss=self.hiss,
            hiss_set=self.hiss_db is not None,
            hiss_db=self.hiss_db or 0.0,
            weighting=("a", "itu468").index(self.hiss_weighting),
            tape_speed_cm_s=self.tape_speed_cm_s,
            treble_us=self.treble_time_constant_us,
            bass_us=self.bass_time_constant_us,
            coating_um=self.coating_um,
            spacing_um=self.spacing_um,
            track_width_mm=_DEFAULT_TRACK_MM if self.track_width_mm is None else self.track_width_mm,
            skirt=self.modulation_noise_db is not None,
            skirt_db=self.modulation_noise_db or 0.0,
            skirt_hz=self.modulation_noise_hz,
            hum=self.hum_db is not None,
            hum_db=self.hum_db or 0.0,
            mains_hz=self.mains_hz,
            reference_level_dbfs=self.reference_level_dbfs,
            seed=self.seed,
        )
