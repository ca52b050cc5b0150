"""Head azimuth: a gap that does not stand square to the tape."""

import math
from typing import Any, ClassVar, Self

import numpy as np
from pydantic import model_validator

from tapeemu.errors import ParameterError, counted
from tapeemu.kernel_stream import KernelStream, ProcessorOfKernels
from tapeemu.processor import Stream, Traits, setting
from tapeemu.validation import FloatArray, check_sample_rate

__all__ = ["HeadAzimuth"]

_LONGEST_US = 200.0
_MOST_DEVIATIONS = 8.0
_TWO_SIGMA = 1.959963984540054


class _HeadAzimuthStream(KernelStream):
    """A stream of which one channel may be ahead of the input."""

    def lead_samples(self, level_db: float = -60.0) -> int:
        from tapeemu.dsp.kernels.head_azimuth import head_azimuth_lead

        settings: Any = self.settings
        return int(head_azimuth_lead(settings, self.sample_rate, self.channels))


class HeadAzimuth(ProcessorOfKernels):
    """The head stands askew, by an angle that is constant, or wanders as the tape runs past.

    Tracks pass one after the other: each channel is late against the one before it by ``s tan(a) / v``, with the
    spacing ``s`` of the tracks, the angle ``a`` and the speed ``v``; the mean of all channels stays aligned.
    Within a track its width ``W`` passes in the time ``W tan(a) / v``, over which the head averages: a loss of
    ``sin(x) / x`` with ``x = pi f W tan(a) / v``. A single channel hears that loss alone.

    The angle is the sum of `azimuth_urad` and of Gaussian noise with a flat spectrum between two edges, given by
    the deviation that is exceeded 5 % of the time: a function of seed and absolute sample index, the same on all
    tracks.

    Stems of one multitrack are read by one head where `tracks` says how many it has: then the middle of the head
    stays aligned, and the first channel of a stem on track k is late by ``(k - (tracks - 1) / 2) s tan(a) / v``.
    Rendered alone or side by side, a stem of one channel is the same to the bit.

    Delays are exact to 0.1 ns; losses within 0.03 dB of the closed form up to 20 kHz where they are less than
    20 dB. The reader's error is 100 dB down to 0.417 of the sample rate. Latency 47 samples up to 50 kHz, and what
    the channels are apart.

    Both angles can follow curves over the tape: the constant one goes where its curve says, and of the wander the
    course that the seed drew stays and is multiplied. Latency is that of the largest on the curves.

    Notes
    -----
    Delay and loss: geometry. Wander: a slitter's edge makes tape snake, typically by 600 µrad peak to peak; no
    source for its spectrum. 300 µrad is about one minute of arc.

    Examples
    --------
    >>> HeadAzimuth(azimuth_urad=600.0, wander_urad=0.0)
    HeadAzimuth(azimuth_urad=600.0, wander_urad=0.0)
    """

    kind: ClassVar[str] = "head_azimuth"
    moves: ClassVar[tuple[str, ...]] = ("azimuth_urad", "wander_urad")
    stands: ClassVar[str] = (
        "the geometry is that of the machine, and the edges of the wander are drawn with its course"
    )
    stream_type: ClassVar[type[KernelStream]] = _HeadAzimuthStream

    azimuth_urad: float = setting(
        300.0,
        "Constant angle of the head against the recording; positive makes later channels late.",
        unit="µrad",
        ge=-20_000.0,
        le=20_000.0,
    )
    wander_urad: float = setting(
        150.0, "Slow random change of the angle, exceeded 5 % of the time.", unit="µrad", ge=0.0, le=3_000.0
    )
    wander_low_hz: float = setting(0.1, "Lower edge of its spectrum.", unit="Hz", ge=0.02, le=20.0)
    wander_high_hz: float = setting(2.0, "Upper edge of its spectrum.", unit="Hz", ge=0.1, le=100.0)
    tape_speed_cm_s: float = setting(38.1, "Speed of the tape.", unit="cm/s", ge=2.0, le=152.4)
    track_spacing_mm: float = setting(
        3.95, "Distance between the middles of neighbouring tracks.", unit="mm", ge=0.1, le=30.0
    )
    track_width_mm: float = setting(2.0, "Width of a track.", unit="mm", ge=0.1, le=30.0)
    seed: int = setting(1, "Number of the tape: equal seeds wander alike.", ge=0, le=2**63 - 1)
    tracks: int = setting(
        0, "Tracks of the head, of which a stem's channels are some, by its track; 0 if they are all.", ge=0, le=64
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        low, high = self.wander_low_hz, self.wander_high_hz
        if not 1.25 * low <= high <= 200.0 * low:
            raise ParameterError(
                f"the wander goes from {low:g} to {high:g} Hz, but the ratio of its edges must lie between 1.25 "
                "and 200; move one of them"
            )
        steepest = abs(self.azimuth_urad) + _MOST_DEVIATIONS / _TWO_SIGMA * self.wander_urad
        passing_us = 1e5 * self.track_width_mm / self.tape_speed_cm_s * math.tan(1e-6 * steepest)
        if passing_us > _LONGEST_US:
            raise ParameterError(
                f"a track of {self.track_width_mm:g} mm takes up to {passing_us:.4g} µs to pass the slanted gap, "
                f"but must take {_LONGEST_US:g} µs at most, where 5 kHz is gone; lower azimuth_urad or wander_urad"
            )
        return self

    def idle(self) -> dict[str, str]:
        reasons: dict[str, str] = {}
        if self.wander_urad == 0.0:
            reasons |= dict.fromkeys(("wander_low_hz", "wander_high_hz", "seed"), "wander_urad is 0")
            if self.azimuth_urad == 0.0:
                geometry = ("tape_speed_cm_s", "track_spacing_mm", "track_width_mm", "tracks")
                reasons |= dict.fromkeys(geometry, "azimuth_urad and wander_urad are 0")
        return {name: reason for name, reason in reasons.items() if self.given(name)}

    @property
    def traits(self) -> Traits:
        askew = self.azimuth_urad != 0.0 or self.wander_urad > 0.0
        one_of_many = askew and self.tracks > 0
        return Traits(
            channels_differ=askew,
            tracks_differ=one_of_many,
            crosses_stems=one_of_many,
            moves_time=self.wander_urad > 0.0,
            neighbours=True,
            peak_gain_db=12.0,
        )

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        if 0 < self.tracks < track + channels:
            raise ParameterError(
                f"the head has {counted(self.tracks, 'track')}, but {counted(channels, 'channel')} from track "
                f"{track} on need {track + channels}; raise tracks, or set it to 0"
            )
        return super().stream(sample_rate=sample_rate, channels=channels, start_sample=start_sample, track=track)

    def delay_us(self, *, sample_rate: float, start_sample: int, samples: int) -> FloatArray:
        """Delay of each channel against the one before it, by absolute sample index.

        Parameters
        ----------
        sample_rate : float
            Samples per second.
        start_sample : int
            Index of the first value; may be negative.
        samples : int
            How many.

        Returns
        -------
        ndarray, shape (samples,)
            In microseconds; positive is late.
        """
        from tapeemu.dsp.kernels import head_azimuth as kernels
        from tapeemu.dsp.kernels.trajectories import PIECE, SEGMENT
        from tapeemu.dsp.trajectory import collect

        rate = check_sample_rate(sample_rate)
        design = self.kernels()
        values = self.kernel_settings()
        memory = design.memory_for(values, rate, 1)
        kernels.head_azimuth_design(values, rate, 1, np.int64(start_sample), np.int64(0), memory)

        def segment(index: int) -> FloatArray:
            out = np.empty((SEGMENT // PIECE, PIECE))
            for piece, row in enumerate(out, index * (SEGMENT // PIECE)):
                kernels.azimuth_tangents(memory, np.int64(piece), row)
            return out.ravel()

        microseconds = 1e5 * self.track_spacing_mm / self.tape_speed_cm_s
        return np.asarray(microseconds * collect(segment, start_sample, samples))

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        return self.kernels().settings_from(
            # An angle that no instrument could tell from none would leave denormal numbers.
            azimuth_urad=self.azimuth_urad if abs(self.azimuth_urad) > 1e-9 else 0.0,
            wander_urad=self.wander_urad,
            wander_low_hz=self.wander_low_hz,
            wander_high_hz=self.wander_high_hz,
            tape_speed_cm_s=self.tape_speed_cm_s,
            track_spacing_mm=self.track_spacing_mm,
            track_width_mm=self.track_width_mm,
            seed=self.seed,
            tracks=self.tracks,
        )
