"""Starts and stops: the transport runs up and down while the tape is read."""

import math
from typing import Any, ClassVar, Literal, Self

from pydantic import model_validator

from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream, ProcessorOfKernels
from tapeemu.processor import Settings, Traits, required_setting, setting

__all__ = ["StartStop", "TransportEvent"]

_FRICTION = 0.01
_SETTLING = 20.0


class TransportEvent(Settings):
    """The transport is started or stopped at a place on the tape."""

    action: Literal["start", "stop"] = required_setting("What is done.")
    at_seconds: float = required_setting("Where on the tape.", unit="s", ge=-86_400.0, le=86_400.0)
    time_constant_seconds: float | None = setting(
        None,
        "Time constant of the speed; left out: start_seconds or stop_seconds.",
        unit="s",
        ge=0.02,
        le=2.0,
    )


class _StartStopStream(KernelStream):
    """Sound from a cued tape is heard before its place."""

    def lead_samples(self, level_db: float = -60.0) -> int:
        from tapeemu.dsp.kernels import start_stop

        return int(start_stop.lead_of(self.kernels.typed(self.settings), self.sample_rate))


class StartStop(ProcessorOfKernels):
    """The transport is started and stopped: the pitch rises from nothing and falls to nothing.

    **The speed.** A stop brings the speed down as ``v = 1.01 exp(-t / T) - 0.01``: first order, towards 1 % below
    standstill, for brakes rub. So the tape is at rest after ``4.62 T``. A start brings it up as

    * ``v = 1 - exp(-t / T)``, first order, with `start_law` "cued": the tape was wound to where it will be in
      step with the recording once it is up to speed. That is ``T`` ahead, so this is the latency;
    * ``v = 1 - (40 exp(-t / T) - exp(-t / (40 T))) / 39`` with "catching_up": a transport locked to a clock
      starts at its place, falls ``0.91 T`` behind, and makes up for it, forty times as slowly; it is up to 2.07 %
      too fast for that, most of all at ``7.6 T``.

    **The recording's clock goes on.** Outside of starts and stops every sample is in its place, unchanged, and
    the output has the length of the input: what passes while the tape stands is not heard, and all stems of a
    piece that have the same starts and stops stay together. Before a first event that is a start the tape stands.
    A tape may be stopped while it still comes up to speed; it is started when it is at rest.

    **What is heard.** Losses of spacing, gap and coating belong to a wavelength, so they move with the pitch by
    themselves. The head gives the derivative of the flux, whose level follows the speed; the replay
    equalisation integrates between its two time constants, for which the tape was recorded. A sound of `f` Hz at
    the speed `v` is thus ``sqrt(1 + (2 pi v f t)^2) / sqrt(1 + (2 pi f t)^2)`` of its level with the treble's time
    constant ``t``, which takes treble away (by `v` in the end), times ``sqrt((1 + (2 pi f b)^2) / (v^-2 + (2 pi f
    b)^2))`` with the bass's, ``b``, which lets it fall as `v` once its pitch is below ``1 / (2 pi b)``. At
    standstill there is silence. The amplifier is shut there; a start opens it evenly over five times ``b``.

    Reading faster than nominal folds the top of the band; so from 1 % too fast on what lies above 0.4895 of the
    sample rate is gone, and all below 0.455 is left. The reader errs by -100 dB up to 0.417 of the sample rate.

    A sine is never louder than on a running tape by more than 0.5 dB. Other sounds may be by a little more where
    they are of waves below 50 Hz, for the equalisation's corner turns their phases. Where a recording begins or
    ends abruptly, in the middle of a start or stop too, its peak is the one between its samples, where a step
    overshoots by 9 %: a moving tape is read there. It is louder than that by 0.5 dB at most.

    Notes
    -----
    First order, 0.05 to 0.5 s: from memory. The laws of friction, of catching up and of opening are ours.

    Examples
    --------
    >>> StartStop(events=[{"action": "start", "at_seconds": 0.0}], start_seconds=0.3)
    StartStop(events=(TransportEvent(action='start', at_seconds=0.0),), start_seconds=0.3)
    """

    kind: ClassVar[str] = "start_stop"
    stands: ClassVar[str] = "the course of the speed is laid out from its events before the tape starts"
    stream_type: ClassVar[type[KernelStream]] = _StartStopStream

    events: tuple[TransportEvent, ...] = setting((), "Starts and stops in their order, in turn.")
    start_law: Literal["cued", "catching_up"] = setting(
        "cued", "How a start comes into step: from a place ahead, or from its own place, faster for a while."
    )
    start_seconds: float = setting(0.2, "Time constant of starts.", unit="s", ge=0.02, le=2.0)
    stop_seconds: float = setting(0.2, "Time constant of stops.", unit="s", ge=0.02, le=2.0)
    treble_time_constant_us: float = setting(
        50.0, "Shorter time constant of the replay equalisation.", unit="µs", ge=5.0, le=300.0
    )
    bass_time_constant_us: float = setting(
        3180.0, "Longer time constant of the replay equalisation.", unit="µs", ge=500.0, le=20_000.0
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        for number, event in enumerate(self.events[1:], start=2):
            before = self.events[number - 2]
            if event.action == before.action:
                raise ParameterError(
                    f"events {number - 1} and {number} are both of action {event.action!r}, but starts and stops "
                    "must take turns; leave one out"
                )
            if event.at_seconds <= before.at_seconds:
                raise ParameterError(
                    f"event {number} is at {event.at_seconds:g} s, but must come after the one before it, at "
                    f"{before.at_seconds:g} s; put them in order"
                )
            if event.action == "start":
                rest = before.at_seconds + self._seconds_to_rest(number - 2)
                if event.at_seconds < rest:
                    raise ParameterError(
                        f"event {number} starts the tape at {event.at_seconds:g} s, but it is at rest only from "
                        f"{rest:.6g} s on; start it later, or stop it faster"
                    )
        return self

    def _time_constant(self, event: TransportEvent) -> float:
        if event.time_constant_seconds is not None:
            return event.time_constant_seconds
        return self.start_seconds if event.action == "start" else self.stop_seconds

    def _seconds_to_rest(self, number: int) -> float:
        """Time from a stop until the tape rests and the equalisation has run out.

        Of a tape that was not up to speed it is a little too long.
        """
        tau = self._time_constant(self.events[number])
        return tau * math.log(2.3 / _FRICTION) + 1e-6 * _SETTLING * self.bass_time_constant_us

    def idle(self) -> dict[str, str]:
        actions = {event.action for event in self.events}
        told = {event.action for event in self.events if event.time_constant_seconds is None}
        reasons: dict[str, str] = {}
        if not actions:
            reasons = dict.fromkeys(("treble_time_constant_us", "bass_time_constant_us"), "there is no event")
        if "start" not in actions:
            reasons["start_law"] = "no event is a start"
        for action in ("start", "stop"):
            if action not in actions:
                reasons[f"{action}_seconds"] = f"no event is a {action}"
            elif action not in told:
                reasons[f"{action}_seconds"] = f"every {action} has its own time constant"
        return {name: reason for name, reason in reasons.items() if self.given(name)}

    @property
    def traits(self) -> Traits:
        moves = bool(self.events)
        return Traits(moves_time=moves, moves_level=moves, peak_gain_db=12.0)

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        import numpy as np

        table = np.zeros((len(self.events), 3))
        start = 1 if self.start_law == "cued" else 2
        for row, event in zip(table, self.events, strict=True):
            row[:] = start if event.action == "start" else 0, event.at_seconds, self._time_constant(event)
        return self.kernels().settings_from(
            events=table, treble_us=self.treble_time_constant_us, bass_us=self.bass_time_constant_us
        )
