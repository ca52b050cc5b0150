"""Splices: the tape was cut, and something else put behind the cut."""

import math
from typing import Any, ClassVar, Self

from pydantic import model_validator

from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream, ProcessorOfKernels
from tapeemu.processor import Settings, Traits, required_setting, setting

__all__ = ["Splice", "Splices"]


class Splice(Settings):
    """A cut at a place of the tape, and the piece that was put behind it."""

    at_seconds: float = required_setting(
        "Where on the tape: the middle of the cut in the middle of the channels.",
        unit="s",
        ge=-86_400.0,
        le=86_400.0,
    )
    shift_seconds: float = setting(
        0.0,
        "The piece has what the recording has so much later; negative: earlier; 0: what belongs there.",
        unit="s",
        ge=-10.0,
        le=10.0,
    )
    blank: bool = setting(False, "Whether the piece is blank tape.")

    @model_validator(mode="after")
    def _one_piece(self) -> Self:
        if self.blank and self.given("shift_seconds"):
            raise ParameterError(
                f"shift_seconds is {self.shift_seconds:g}, but blank is true, and blank tape has nothing to "
                "shift; leave one out"
            )
        return self


class _SplicesStream(KernelStream):
    """A piece that is later in the recording is heard before its place."""

    def lead_samples(self, level_db: float = -60.0) -> int:
        return self.latency


class Splices(ProcessorOfKernels):
    """Pieces of tape, cut at an angle and joined.

    A piece carries what the recording has at the same place, earlier or later by a shift (to the nearest sample,
    counted from the recording and not from the piece before), or nothing. Between the cuts every sample is one of
    the input, unchanged; the length stays what it is. A shift to later is known so much earlier: that is the
    latency.

    A straight cut at 45 degrees passes a track of width ``W`` in ``W / v``. While it does, the head gives the sum
    of both pieces, each by its share of the width: a crossfade of even slope, 5.2 ms for 2 mm at 38.1 cm/s, and
    16.5 ms for 6.3 mm. Two sounds that have nothing in common are 3 dB weaker in its middle. Tracks that lie
    ``s`` apart are cut ``s / v`` apart, each channel later than the one before it: 10.4 ms for 3.95 mm at
    38.1 cm/s. At another angle both are its cotangent times as long. The stem of track `k` lies beside the
    channels of the tracks before it, so it is cut later by ``k`` times its channels.

    Notes
    -----
    Angle, and width and distance of two tracks of a quarter inch (6.3 mm): common practice, no source.

    Examples
    --------
    >>> Splices(splices=[{"at_seconds": 2.0, "shift_seconds": -0.5}, {"at_seconds": 4.0}])
    Splices(splices=(Splice(at_seconds=2.0, shift_seconds=-0.5), Splice(at_seconds=4.0)))
    """

    kind: ClassVar[str] = "splices"
    stands: ClassVar[str] = "the geometry of the cuts and of the head is that of the tape"
    stream_type: ClassVar[type[KernelStream]] = _SplicesStream

    splices: tuple[Splice, ...] = setting((), "Cuts in their order.")
    tape_speed_cm_s: float = setting(38.1, "Speed of the tape.", unit="cm/s", ge=2.0, le=152.4)
    track_width_mm: float = setting(2.0, "Width of a track.", unit="mm", ge=0.1, le=50.0)
    track_spacing_mm: float = setting(
        3.95, "From the middle of a track to that of the next.", unit="mm", ge=0.0, le=50.0
    )
    angle_degrees: float = setting(45.0, "Between the cut and the edge of the tape.", unit="°", ge=20.0, le=89.0)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        passing = self.crossfade_seconds()
        for number, splice in enumerate(self.splices[1:], start=2):
            before = self.splices[number - 2]
            if not splice.at_seconds - before.at_seconds >= passing:
                raise ParameterError(
                    f"splice {number} is at {splice.at_seconds:g} s, but must come {passing:.4g} s or more after "
                    f"the one before it, at {before.at_seconds:g} s, which takes so long to pass; put them in "
                    "order and further apart"
                )
        return self

    def crossfade_seconds(self) -> float:
        """How long a cut takes to pass a track."""
        return self._along() * self.track_width_mm

    def offset_seconds(self) -> float:
        """How much later a channel is cut than the one before it."""
        return self._along() * self.track_spacing_mm

    def _along(self) -> float:
        """Seconds along the tape for a millimetre across."""
        return 0.1 / (math.tan(math.radians(self.angle_degrees)) * self.tape_speed_cm_s)

    def idle(self) -> dict[str, str]:
        names = ("tape_speed_cm_s", "track_width_mm", "track_spacing_mm", "angle_degrees")
        return {name: "there is no splice" for name in names if not self.splices and self.given(name)}

    @property
    def traits(self) -> Traits:
        apart = bool(self.splices) and self.track_spacing_mm > 0.0
        return Traits(tracks_differ=apart, channels_differ=apart, moves_level=bool(self.splices), peak_gain_db=0.0)

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        import numpy as np

        table = np.zeros((len(self.splices), 3))
        for row, splice in zip(table, self.splices, strict=True):
            row[:] = splice.at_seconds, splice.shift_seconds, splice.blank
        return self.kernels().settings_from(
            splices=table,
            tape_speed_cm_s=self.tape_speed_cm_s,
            track_width_mm=self.track_width_mm,
            track_spacing_mm=self.track_spacing_mm,
            angle_degrees=self.angle_degrees,
        )
