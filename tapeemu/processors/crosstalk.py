"""Crosstalk: what a channel hears of the tracks beside its own."""

from typing import Any, ClassVar, Self

from pydantic import model_validator

from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import ProcessorOfKernels
from tapeemu.processor import Traits, setting

__all__ = ["Crosstalk"]

_LONGEST_SECONDS = 0.008
_NONE_DB = -120.0


class Crosstalk(ProcessorOfKernels):
    """Every channel hears the channels beside it, by their field and by the windings of the head.

    Channels are tracks side by side in their order: the first and the second are neighbours, the second and the
    third, and so on. What is added is the sum of two laws. **Fringing**: a head hears the field beyond the edge of
    the next track, ``exp(-k g)`` with the wave number ``k = 2 pi f / v`` and the guard ``g`` between the tracks,
    which is ``-54.6 g / lambda`` dB; so it is lows that are heard. It is in phase. **Coupling** from winding to
    winding rises by 6 dB an octave and is a quarter turn ahead, as a derivative is; it rises to 20 kHz, or to 0.45
    of the sample rate if that is less. The level of both together is the root of the sum of their squares.

    Tracks further away are heard too if `tracks_heard` says so. The field has a longer way to them, over the
    tracks between: ``m g + (m - 1) W`` for a track m places away, with the width W. Their fringing is left out
    where the tape takes more than 12.5 ms for that way, for it is 13.6 dB lower at 20 Hz then and 27 dB at 40 Hz.
    Coupling is weaker by `coupling_step_db` with every track.

    Within 0.1 dB of these laws from 20 Hz to 20 kHz, down to 40 dB below the fringing's level. Below 20 Hz less
    is heard than by the law where the tape takes long for the distance: at 0 Hz half a decibel at 2 ms, 3 dB at
    8 ms. Linear in phase, latency 66 ms. A level that follows a curve is that of the place where it is heard.
    One channel alone has no neighbour and is passed on as it is. Stems side by side are neighbours too: the last
    channel of one and the first of the next.

    Notes
    -----
    Fringing: the decay of a field with the wave number (Wallace's law, in the plane of the tape). That there are
    two slopes, and that coupling rises with frequency: common practice. Levels of the defaults: from memory, a
    professional two-track head separates 45 to 60 dB at 1 kHz. How coupling falls from track to track: no source.

    Examples
    --------
    >>> Crosstalk(coupling_db=-45.0)
    Crosstalk(coupling_db=-45.0)
    """

    kind: ClassVar[str] = "crosstalk"
    moves: ClassVar[tuple[str, ...]] = ("fringing_db", "coupling_db", "coupling_step_db")
    stands: ClassVar[str] = "its filters are designed for the geometry of the head before the tape starts"

    fringing_db: float = setting(
        -30.0,
        "Level of the fringing at the longest wavelengths re the neighbour; -120 for none.",
        unit="dB",
        ge=-120.0,
        le=-6.0,
    )
    guard_mm: float = setting(
        0.75, "Distance from the edge of a track to the next track.", unit="mm", ge=0.02, le=3.0
    )
    tape_speed_cm_s: float = setting(38.1, "Speed of the tape.", unit="cm/s", ge=2.0, le=152.4)
    coupling_db: float = setting(
        -55.0,
        "Level of the coupling at 1 kHz re the neighbour; -120 for none.",
        unit="dB",
        ge=-120.0,
        le=-30.0,
    )

    tracks_heard: int = setting(1, "How many tracks away a track is heard.", ge=1, le=3)
    track_width_mm: float = setting(
        2.0, "Width of the tracks between, where tracks further away are heard.", unit="mm", ge=0.1, le=30.0
    )
    coupling_step_db: float = setting(
        10.0, "By how much coupling falls with every track further away.", unit="dB", ge=0.0, le=60.0
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        seconds = 0.1 * self.guard_mm / self.tape_speed_cm_s
        if self.fringing_db > _NONE_DB and seconds > _LONGEST_SECONDS:
            raise ParameterError(
                f"guard_mm is {self.guard_mm:g} mm, which the tape takes {1e3 * seconds:.3g} ms for at "
                f"{self.tape_speed_cm_s:g} cm/s, but it must take {1e3 * _LONGEST_SECONDS:g} ms at most; nothing "
                "is heard of a track farther away, so set fringing_db to -120 (none), or lower guard_mm"
            )
        return self

    def idle(self) -> dict[str, str]:
        reasons: dict[str, str] = {}
        if self.tracks_heard == 1:
            reasons |= dict.fromkeys(("track_width_mm", "coupling_step_db"), "tracks_heard is 1")
        if self.fringing_db <= _NONE_DB:
            silent = "fringing_db is -120 dB, which is none"
            reasons |= dict.fromkeys(("guard_mm", "tape_speed_cm_s", "track_width_mm"), silent)
        if self.coupling_db <= _NONE_DB:
            reasons["coupling_step_db"] = "coupling_db is -120 dB, which is none"
        return {name: reason for name, reason in reasons.items() if self.given(name)}

    @property
    def traits(self) -> Traits:
        heard = self.fringing_db > _NONE_DB or self.coupling_db > _NONE_DB
        return Traits(
            mixes_channels=True,
            neighbours=True,
            crosses_stems=heard,
            tracks_heard=self.tracks_heard if heard else 0,
            peak_gain_db=12.0,
        )

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        return self.kernels().settings_from(
            fringing_db=self.fringing_db,
            guard_mm=self.guard_mm,
            tape_speed_cm_s=self.tape_speed_cm_s,
            coupling_db=self.coupling_db,
            tracks_heard=self.tracks_heard,
            track_width_mm=self.track_width_mm,
            coupling_step_db=self.coupling_step_db,
        )
