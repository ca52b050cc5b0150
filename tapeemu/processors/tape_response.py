"""Response of a tape, and what level does to its treble."""

from functools import lru_cache
from typing import Any, ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream, ProcessorOfKernels
from tapeemu.processor import Traits, setting

__all__ = ["TapeResponse"]

_HIGHEST_BUMP_DB = 3.34
_MOST_LIMIT_DB = 40.0
_LONGEST_ECHO_SECONDS = 0.05


@lru_cache(maxsize=256)
def _solved(numbers: Any) -> tuple[float, float, float]:
    """Record loss in um, gain into the curve, and saturated output in dB, of settings as numbers."""
    from tapeemu.dsp.kernels import head_face
    from tapeemu.dsp.kernels import tape_response as kernels

    nodes = np.zeros((head_face.NODE_ROWS, head_face.FACE_NODES))
    head_face.face_nodes(nodes)
    thin, deep = kernels.face_shares_of(numbers, nodes)
    lost = float(kernels.solved_record_loss_um(numbers, nodes, thin, deep))
    gain = float(kernels.record_gain(numbers, lost, nodes, thin, deep))
    return lost, gain, float(kernels.saturated_output_db(numbers, lost, nodes, thin, deep))


class _TapeResponseStream(KernelStream):
    """It sounds ahead of its input: the edge of the head comes before the gap."""

    def lead_samples(self, level_db: float = -60.0) -> int:
        from tapeemu.dsp.kernels.tape_response import tape_response_lead

        settings: Any = self.settings
        return int(tape_response_lead(settings, self.sample_rate, self.channels, float(level_db)))


class TapeResponse(ProcessorOfKernels):
    """Record equaliser, magnetisation, losses of short waves, and replay equaliser: loud treble is squeezed.

    With the wave number ``k = 2 pi f / v`` a wave of the magnetisation is lost by recording ``exp(-k r)``, spacing
    ``exp(-k d)``, thickness of the coating ``(1 - exp(-k c)) / (k c)`` and gap ``sin(k g / 2) / (k g / 2)``. The
    flux of a standard tape falls as one pole of the short time constant, and in the bass rises below the long one;
    replay has the inverse. The record equaliser is what makes the whole flat: the flux curve over the losses, up
    to `boost_limit_db`, above which the response falls. The face of the head is not equalised. Its edges make a
    rise in the bass and a ripple above: with thin poles ``G = integral from 0 to pi L / lambda of J0``, at most
    3.35 dB high; with poles that are deep without end 1.55 dB, at 0.72 v / L. Another height mixes both, or
    weakens the echoes of the latter.

    All of this has no phase but the high-passes and the bass part of the equalisation: losses and equalisers of
    treble are filters of linear phase at three rates, as long in seconds at all rates to 192 kHz. As a whole they
    are within 0.02 dB of the closed forms from 20 Hz to 20 kHz (to 0.45 of the sample rate) with time constants to
    150 µs, losses of spacing and recording of 11 dB in all at 20 kHz, a face that passes in 50 ms, a limit of the
    record equaliser of 9 dB or more, and the gap's first zero above 26 kHz. A zero between 4 and 20 kHz is one:
    with it all is within 0.1 dB of what is there, or of what lies 40 dB below 1 kHz where less is left (decibels
    of almost nothing tell nothing), at 44.1 and 48 kHz with limits up to 20 dB: the filter is up to eight times as
    long then. Beyond these bounds some tapes are a few hundredths of a decibel off where less than 40 dB are lost,
    and more with sharper zeros. Each equaliser alone is within 0.05 dB at 48 kHz on usual tapes; what that of
    recording lacks is made up for behind the tape. The bass part is as in the analogue world. Two high-passes of
    first order take out what does not go on a tape; each is 0.04 dB down at 20 Hz at its default corner.

    Between them stands the curve ``tanh(g p) / g`` of the pre-emphasised signal, at four times the sample rate;
    and at 12 to 96 times, by what full scale at 20 kHz reaches into it behind the record equaliser, in frames of
    128 samples in which the field moves by more than 0.45 of saturation from one sample at four times the rate to
    the next. What folds of a tone of 1 to 20 kHz, full scale or less, is 100 dB below it at the input, at 44.1 kHz
    and above and while full scale is no more than 24 dB above `mol_db`; and so 90 dB below what comes out, where
    that is lower by 10 dB at most. Between 0.4535 of the sample rate and half of it products of distortion may
    fold. Its gain `g` makes `mol_db` the level of a 1 kHz sine at the input with 3 % third harmonic at the output.
    What is behind it erases itself: the spacing grows with the square of the field, taken as the mean square over
    5 ms, so that a sine whose field reaches saturation loses `self_erasure_db` at 10 kHz, at others about in
    proportion to frequency, and at most 18 dB at 10 kHz. So the output of a loud high tone falls when it is
    recorded louder still.

    `bias_db` is how far the bias is from the one that the record equaliser is made for. At that optimum a 10 kHz
    tone is 3 dB below its highest sensitivity, which lies at 2 dB less bias. So with ``b`` dB more than the
    optimum a 10 kHz tone loses ``3 b + 0.75 b^2`` dB, and others in proportion to frequency, as by a distance;
    with less of it treble rises, 3 dB at the most. MOL and SOL are what they are set to.

    `sol_10khz_db` is the highest output that a 10 kHz sine can have (SOL). It follows from the losses of recording
    and spacing, which the record equaliser must make up for; set, it decides both together, as one distance.

    `response_tolerance_db` is by how much the response falls from 1 kHz to `response_to_hz`, because losses are
    made up for in part only: it decides the limit of the record equaliser, which is `boost_limit_db` where it is
    left out. What the face of the head and a bias beside its optimum do to the response comes on top.

    Latency is that of the filters, the same at all frequencies: 0.06 s, and 0.15 s with a head face at 38 cm/s.

    Notes
    -----
    Losses: Wallace, Bell System Technical Journal 30, 1951 (from memory). Equalisation: IEC 60094-1. Heads:
    Westmijze 1953 (from memory), and derived in :mod:`tapeemu.dsp.kernels.head_face`. The spacing that grows with
    the square of the field is our law, no source. Bias: 3 dB beyond the highest sensitivity at 10 kHz is what a
    published data sheet of a tape for 38 cm/s asks for; that this takes 2 dB of bias is from memory, and that the
    curve between is a parabola our law. A record loss of 1 µm has the pre-emphasis of 6 dB that is published at
    20, 14 and 5 kHz for 38, 19 and 9.5 cm/s, within 0.5 dB.

    Examples
    --------
    >>> TapeResponse(tape_speed_cm_s=19.05, treble_time_constant_us=70.0, mol_db=8.0)
    TapeResponse(tape_speed_cm_s=19.05, treble_time_constant_us=70.0, mol_db=8.0)
    """

    kind: ClassVar[str] = "tape_response"
    moves: ClassVar[tuple[str, ...]] = ("mol_db", "reference_level_dbfs")
    stands: ClassVar[str] = "its filters and the latency are designed for the tape before it starts"
    stream_type: ClassVar[type[KernelStream]] = _TapeResponseStream

    tape_speed_cm_s: float = setting(38.1, "Speed of the tape.", unit="cm/s", ge=2.0, le=152.4)
    treble_time_constant_us: float = setting(
        35.0, "Shorter time constant of the equalisation.", unit="µs", ge=5.0, le=300.0
    )
    bass_time_constant_us: float = setting(
        0.0,
        "Longer time constant of the equalisation, 500 or more; 0 for none.",
        unit="µs",
        ge=0.0,
        le=20_000.0,
    )
    coating_um: float = setting(14.0, "Thickness of the coating.", unit="µm", ge=0.5, le=30.0)
    spacing_um: float = setting(0.5, "Distance between replay head and tape.", unit="µm", ge=0.0, le=5.0)
    gap_um: float = setting(
        5.0, "Length of the replay gap that counts, about 1.1 times what is seen.", unit="µm", ge=0.0, le=30.0
    )
    face_length_mm: float = setting(
        6.0,
        "Length of the face of the replay head along the tape; 0 for no rise in the bass.",
        unit="mm",
        ge=0.0,
        le=20.0,
    )
    poles: Literal["deep", "thin"] = setting(
        "deep", "Shape of the head's poles, which tells the height of the rise."
    )
    bump_db: float | None = setting(
        None,
        "Height of the rise in the bass, over what the head would read with an endless face; left out: that of "
        "the poles. The face ripples on at 1 kHz, so a reading re 1 kHz differs by some tenths of a dB.",
        unit="dB",
        ge=0.0,
        le=_HIGHEST_BUMP_DB,
    )
    record_loss_um: float | None = setting(
        None,
        "Loss of recording, as the distance that would have it. Leave out to set sol_10khz_db instead; 0.5 µm if "
        "both are left out.",
        unit="µm",
        ge=0.0,
        le=20.0,
    )
    sol_10khz_db: float | None = setting(
        None,
        "Highest output of a 10 kHz sine (SOL), in dB above the reference level; the distance is solved for.",
        unit="dB",
        ge=-40.0,
        le=40.0,
    )
    bias_db: float = setting(
        0.0,
        "Bias of recording re its optimum: more of it dulls, less brightens; the record equaliser stays.",
        unit="dB",
        ge=-2.0,
        le=3.0,
    )
    self_erasure_db: float = setting(
        1.0, "Loss at 10 kHz of a sine whose field reaches saturation.", unit="dB", ge=0.0, le=12.0
    )
    boost_limit_db: float = setting(
        15.0,
        "Most that the record equaliser raises treble. Leave out to set response_tolerance_db instead.",
        unit="dB",
        ge=0.0,
        le=_MOST_LIMIT_DB,
    )
    response_tolerance_db: float | None = setting(
        None,
        "By how much the response falls from 1 kHz to response_to_hz, head face and bias apart; the limit of the "
        "record equaliser is solved for. Left out: boost_limit_db.",
        unit="dB",
        ge=0.1,
        le=30.0,
    )
    response_to_hz: float = setting(
        16_000.0,
        "Upper end of the range in which response_tolerance_db holds.",
        unit="Hz",
        ge=2_000.0,
        le=20_000.0,
    )
    mol_db: float = setting(
        9.5,
        "Level of a 1 kHz sine with 3 % third harmonic (MOL), in dB above the reference level.",
        unit="dB",
        ge=-20.0,
        le=40.0,
    )
    reference_level_dbfs: float = setting(
        -18.0, "Level from which mol_db and sol_10khz_db count.", unit="dBFS", ge=-60.0, le=12.0
    )
    high_pass_hz: float = setting(
        2.0, "Corner (-3 dB) of the high-passes of recording and replay.", unit="Hz", ge=0.5, le=30.0
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if 0.0 < self.bass_time_constant_us < 500.0:
            raise ParameterError(
                f"bass_time_constant_us is {self.bass_time_constant_us:g}, but must be 0 (none), or 500 or more"
            )
        echo = 0.5 * 0.1 * self.face_length_mm / self.tape_speed_cm_s
        if echo > _LONGEST_ECHO_SECONDS:
            most = _LONGEST_ECHO_SECONDS * self.tape_speed_cm_s * 20.0
            raise ParameterError(
                f"face_length_mm is {self.face_length_mm:g} mm, which passes in {2.0 * echo:.3g} s at "
                f"{self.tape_speed_cm_s:g} cm/s, but may take {2.0 * _LONGEST_ECHO_SECONDS:g} s at most; set "
                f"{most:.3g} mm or less, or a higher speed"
            )
        if self.bump_db is not None and self.given("poles"):
            raise ParameterError(
                f"bump_db is {self.bump_db:g} dB and poles is {self.poles!r}, but both tell the height of the "
                "rise; leave one of them out"
            )
        if self.record_loss_um is not None and self.sol_10khz_db is not None:
            raise ParameterError(
                f"record_loss_um is {self.record_loss_um:g} µm and sol_10khz_db is {self.sol_10khz_db:g} dB, but "
                "one follows from the other; leave one of them out"
            )
        if self.sol_10khz_db is not None and self.given("spacing_um"):
            raise ParameterError(
                f"spacing_um is {self.spacing_um:g} µm and sol_10khz_db is {self.sol_10khz_db:g} dB, but the "
                "distance of recording and replay together follows from the latter; leave spacing_um out"
            )
        if self.sol_10khz_db is not None:
            others: dict[str, Any] = {"sol_10khz_db": None, "response_tolerance_db": None, "spacing_um": 0.0}
            best = self.replace(**others, record_loss_um=0.0).expected_sol_10khz_db
            worst = self.replace(**others, record_loss_um=20.0).expected_sol_10khz_db
            if not worst <= self.sol_10khz_db <= best:
                raise ParameterError(
                    f"sol_10khz_db is {self.sol_10khz_db:g} dB, but with these losses and mol_db it can be from "
                    f"{worst:.3g} to {best:.3g} dB; change it, or mol_db"
                )
        if self.response_tolerance_db is None:
            return self
        if self.given("boost_limit_db"):
            raise ParameterError(
                f"boost_limit_db is {self.boost_limit_db:g} dB and response_tolerance_db is "
                f"{self.response_tolerance_db:g} dB, but one follows from the other; leave one of them out"
            )
        if not 0.0 <= self.effective_boost_limit_db <= _MOST_LIMIT_DB:
            most, least = self._fall_db(0.0), self._fall_db(_MOST_LIMIT_DB)
            raise ParameterError(
                f"response_tolerance_db is {self.response_tolerance_db:g} dB, but with these losses the response "
                f"can fall by {least:.2f} to {most:.3g} dB at {self.response_to_hz:g} Hz; change it, or "
                "response_to_hz"
            )
        return self

    def why_it_cannot_move(self, name: str) -> str:
        if name == "mol_db" and self.sol_10khz_db is not None:
            return "sol_10khz_db is set, and the losses that the filters are designed for follow from both"
        return ""

    def idle(self) -> dict[str, str]:
        reasons: dict[str, str] = {}
        if self.face_length_mm == 0.0:
            reasons |= dict.fromkeys(("poles", "bump_db"), "face_length_mm is 0")
        if self.response_tolerance_db is None:
            reasons["response_to_hz"] = "response_tolerance_db is left out"
        return {name: reason for name, reason in reasons.items() if self.given(name)}

    @property
    def traits(self) -> Traits:
        return Traits(drives=True, peak_gain_db=80.0)

    @property
    def effective_record_loss_um(self) -> float:
        """Loss of recording in µm: as set, or, spacing included, as solved for from `sol_10khz_db`."""
        return _solved(self.kernel_settings())[0]

    @property
    def effective_boost_limit_db(self) -> float:
        """Most that the record equaliser raises: as set, or as solved for from `response_tolerance_db`."""
        from tapeemu.dsp.kernels.wavelength_losses import boost_limit_db

        return float(boost_limit_db(self.kernel_settings().medium, self.effective_record_loss_um))

    def _fall_db(self, limit_db: float) -> float:
        """Fall of the response at the end of its range, with a limit of the record equaliser."""
        from tapeemu.dsp.kernels.wavelength_losses import response_fall_db

        return float(response_fall_db(self.kernel_settings().medium, self.effective_record_loss_um, limit_db))

    @property
    def field_gain(self) -> float:
        """Field in units of saturation per pre-emphasised signal."""
        return _solved(self.kernel_settings())[1]

    @property
    def expected_sol_10khz_db(self) -> float:
        """Highest output of a 10 kHz sine, in dB above the reference level."""
        return _solved(self.kernel_settings())[2]

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        from tapeemu.dsp.kernels.wavelength_losses import Medium

        return self.kernels().settings_from(
            medium=Medium(
                tape_speed_cm_s=self.tape_speed_cm_s,
                treble_us=self.treble_time_constant_us,
                coating_um=self.coating_um,
                # It sounds as a loss of recording does, so both together are solved for.
                spacing_um=self.spacing_um if self.sol_10khz_db is None else 0.0,
                gap_um=self.gap_um,
                boost_limit_db=self.boost_limit_db,
                tolerance_db=self.response_tolerance_db or 0.0,
                tolerance_to_hz=self.response_to_hz,
            ),
            bass_us=self.bass_time_constant_us,
            face_mm=self.face_length_mm,
            bump_set=self.bump_db is not None,
            bump_db=self.bump_db or 0.0,
            thin_poles=self.poles == "thin",
            record_loss_um=0.5 if self.record_loss_um is None else self.record_loss_um,
            sol_set=self.sol_10khz_db is not None,
            sol_db=self.sol_10khz_db or 0.0,
            bias_db=self.bias_db,
            self_erasure_db=self.self_erasure_db,
            mol_db=self.mol_db,
            reference_level_dbfs=self.reference_level_dbfs,
            high_pass_hz=self.high_pass_hz,
        )
