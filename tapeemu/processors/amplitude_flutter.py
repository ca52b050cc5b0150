"""Amplitude flutter: the contact between head and tape is never quite constant, nor is the tape."""

import math
from collections.abc import Mapping
from typing import Any, ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from tapeemu.dsp.dropouts import Dropout, list_dropouts
from tapeemu.dsp.exceedance import TWO_SIGMA
from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import ProcessorOfKernels
from tapeemu.processor import Settings, Traits, required_setting, setting
from tapeemu.validation import FloatArray, check_sample_rate

__all__ = ["AmplitudeFlutter", "LevelPart"]

_SPACING_DB = 40.0 * math.pi / math.log(10.0)
"""Loss in dB at a distance of one wavelength: 54.575."""


class LevelPart(Settings):
    """One periodic fluctuation of the level, the same on all channels."""

    rate_hz: float = required_setting("Rate of the fluctuation.", unit="Hz", ge=0.02, le=250.0)
    peak_db: float = setting(
        ..., "Peak deviation of the level (half of peak to peak).", unit="dB", ge=0.0, le=12.0
    )
    phase_degrees: float | None = setting(
        None, "Phase of the fluctuation (a cosine) at tape position 0; left out: from the seed.", unit="°"
    )


class AmplitudeFlutter(ProcessorOfKernels):
    """A level that moves: periodic and random fluctuation, and dropouts.

    The level in dB is the sum of sines, of Gaussian noise with a flat spectrum between two edges, and of
    dropouts; its mean without dropouts is 0 dB. The random part is given by the deviation that is exceeded
    5 % of the time (1.96 standard deviations). `channel_correlation` is the correlation of the random parts
    of any two channels; sines are common to all.

    With ``mode="gain"`` all frequencies get that level. With ``mode="spacing"`` the trajectory is the distance
    ``d(t)`` between head and tape, and the level at each frequency follows the spacing law,
    ``-54.575 d f / v`` dB at tape speed ``v``: the set level holds at `spacing_frequency_hz`, and the dB
    at other frequencies are in proportion, up to 20 kHz, above which the level stays. The replay equaliser is
    taken to be lined up at the mean distance, so the level is relative to it. The mean is such that the tape
    touches the head (``d = 0``, where the level can rise no further) when the sum of all periodic peaks and
    three standard deviations of the random part are reached. Linear-phase filters, latency 63 samples up to
    50 kHz; their dB follow the law within 2 % from 1 kHz up, and below it err by less than 0.01 dB per dB set.

    In spacing mode the tape is at its mean distance at tape position 0 and reaches the distance it would have
    50 ms from there. The filter of a tape at another distance hears ahead, as a head does, and would lose
    what it hears of a recording before its first sample.

    Dropouts are a Poisson process; depth and length are distributed evenly on a logarithmic scale between
    their limits (equal limits: all alike). A dropout has a flat floor and raised-cosine edges, in dB; its
    length is that between the points of half depth, and either edge lasts half of it. Where two
    overlap, the deeper one counts. In spacing mode their depth too holds at `spacing_frequency_hz`.

    Everything is a function of seed and absolute sample index. `periodic_percent` and `random_db` can follow
    curves over the tape: the course that the seed drew stays, and its parts are multiplied, in dB. In spacing mode
    the mean distance goes with them, as the replay equaliser would be lined up at each. So can the depths of
    dropouts: each stays where it is, as long as it is, and as deep among the others, and follows within itself.

    Notes
    -----
    Spacing law: Wallace, Bell System Technical Journal 30, 1951; that level fluctuation of tape is normal about
    its mean and multiplies the signal: Hedeman, International Telemetering Conference, 1985. Laws of the dropouts:
    ours; published histograms show many small and few large ones. Magnitudes of defaults: common practice.

    Examples
    --------
    >>> AmplitudeFlutter(random_db=0.5, dropouts_per_minute=4)
    AmplitudeFlutter(random_db=0.5, dropouts_per_minute=4.0)
    """

    kind: ClassVar[str] = "amplitude_flutter"
    moves: ClassVar[tuple[str, ...]] = ("periodic_percent", "random_db", "dropout_least_db", "dropout_most_db")
    stands: ClassVar[str] = (
        "edges, correlation and places of dropouts are drawn from the seed with the tape's course"
    )
    amounts: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "random_db": ("random_low_hz", "random_high_hz", "channel_correlation"),
        "dropouts_per_minute": (
            *("dropout_least_db", "dropout_most_db", "dropout_shortest_ms", "dropout_longest_ms"),
            "dropouts_on_all_channels",
        ),
    }

    mode: Literal["gain", "spacing"] = setting(
        "gain", "Whether all frequencies move alike, or by the law of head-to-tape spacing."
    )
    periodic_parts: tuple[LevelPart, ...] = setting((), "Periodic fluctuations: rate and peak.")
    periodic_percent: float = setting(
        100.0, "Share of their peaks that the periodic fluctuations have.", unit="%", ge=0.0, le=100.0
    )
    random_db: float = setting(
        0.3, "Random deviation of the level, exceeded 5 % of the time.", unit="dB", ge=0.0, le=12.0
    )
    random_low_hz: float = setting(0.3, "Lower edge of the random part; 0 for none.", unit="Hz", ge=0.0, le=200.0)
    random_high_hz: float = setting(20.0, "Upper edge of the random part.", unit="Hz", ge=0.1, le=250.0)
    channel_correlation: float = setting(
        1.0, "Correlation of the random part between channels; 1 moves them alike.", ge=0.0, le=1.0
    )
    spacing_frequency_hz: float = setting(
        10_000.0,
        "Frequency at which the levels hold; only with mode spacing.",
        unit="Hz",
        ge=1_000.0,
        le=20_000.0,
    )
    dropouts_per_minute: float = setting(0.0, "Mean number of dropouts.", unit="1/min", ge=0.0, le=6_000.0)
    dropout_least_db: float = setting(3.0, "Depth of the shallowest dropouts.", unit="dB", ge=0.1, le=60.0)
    dropout_most_db: float = setting(12.0, "Depth of the deepest dropouts.", unit="dB", ge=0.1, le=60.0)
    dropout_shortest_ms: float = setting(5.0, "Length of the shortest dropouts.", unit="ms", ge=0.5, le=1_000.0)
    dropout_longest_ms: float = setting(50.0, "Length of the longest dropouts.", unit="ms", ge=0.5, le=1_000.0)
    dropouts_on_all_channels: bool = setting(
        True, "Whether a dropout hits all channels; if not, every channel has its own."
    )
    seed: int = setting(1, "Number of the tape: equal seeds move alike.", ge=0, le=2**63 - 1)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.mode == "gain" and self.given("spacing_frequency_hz"):
            raise ParameterError(
                f"spacing_frequency_hz is {self.spacing_frequency_hz:g} Hz, but mode is 'gain', in which all "
                "frequencies move alike; leave it out, or set mode to 'spacing'"
            )
        low, high = self.random_low_hz, self.random_high_hz
        if low > 0.0 and not 1.25 * low <= high <= 200.0 * low:
            raise ParameterError(
                f"the random part goes from {low:g} to {high:g} Hz, but the ratio of its edges must lie between "
                "1.25 and 200; random_low_hz=0 removes the lower edge"
            )
        for name, least, most, unit in (
            ("depth", self.dropout_least_db, self.dropout_most_db, "dB"),
            ("length", self.dropout_shortest_ms, self.dropout_longest_ms, "ms"),
        ):
            if least > most:
                raise ParameterError(
                    f"the least {name} of a dropout is {least:g} {unit}, but must not exceed the most, "
                    f"{most:g} {unit}; swap them, or make both the same"
                )
        if sum(part.peak_db for part in self.periodic_parts) > 24.0:
            raise ParameterError(
                f"the peaks of periodic_parts add up to {sum(part.peak_db for part in self.periodic_parts):.3g} "
                "dB, but may to 24 dB at most; lower the largest"
            )
        rise = self._contact_db() * 20_000.0 / self.spacing_frequency_hz
        if self.mode == "spacing" and rise > 40.0:
            raise ParameterError(
                f"in spacing mode 20 kHz would rise by {rise:.0f} dB when the tape touches the head, but it must "
                "stay within 40 dB; lower random_db or the peaks, or raise spacing_frequency_hz"
            )
        return self

    def idle(self) -> dict[str, str]:
        found = super().idle()
        if self.given("periodic_percent") and not self.periodic_parts:
            found["periodic_percent"] = "periodic_parts is empty"
        if self.given("periodic_parts") and self.periodic_parts and self.periodic_percent == 0.0:
            found["periodic_parts"] = "periodic_percent is 0"
        if self._contact_db() == 0.0 and self.dropouts_per_minute == 0.0:
            reason = "random_db and dropouts_per_minute are 0 and no periodic part moves the level"
            found |= {name: reason for name in ("mode", "spacing_frequency_hz", "seed") if self.given(name)}
        return found

    @property
    def traits(self) -> Traits:
        return Traits(moves_level=True, channels_differ=not self._channels_alike())

    def kernel_settings(self) -> Any:
        """The settings as :mod:`tapeemu.dsp.kernels.amplitude_flutter` takes them."""
        from tapeemu.dsp.kernels.amplitude_flutter import AmplitudeFlutterSettings

        parts = [
            (part.rate_hz, part.peak_db, part.phase_degrees or 0.0, part.phase_degrees is not None)
            for part in self.periodic_parts
        ]
        return AmplitudeFlutterSettings(
            spacing=int(self.mode == "spacing"),
            periodic_parts=np.array(parts, dtype=np.float64).reshape(-1, 4),
            periodic_percent=self.periodic_percent,
            random_db=self.random_db,
            random_low_hz=self.random_low_hz,
            random_high_hz=self.random_high_hz,
            channel_correlation=self.channel_correlation,
            spacing_frequency_hz=self.spacing_frequency_hz,
            dropouts_per_minute=self.dropouts_per_minute,
            dropout_least_db=self.dropout_least_db,
            dropout_most_db=self.dropout_most_db,
            dropout_shortest_ms=self.dropout_shortest_ms,
            dropout_longest_ms=self.dropout_longest_ms,
            dropouts_on_all_channels=int(self.dropouts_on_all_channels),
            seed=np.uint64(self.seed),
        )

    def level_db(self, *, sample_rate: float, start_sample: int, samples: int, channel: int = 0) -> FloatArray:
        """Level by absolute sample index: at all frequencies, or at `spacing_frequency_hz` in spacing mode.

        Parameters
        ----------
        sample_rate : float
            Samples per second.
        start_sample : int
            Index of the first value; may be negative.
        samples : int
            How many.
        channel : int
            Whose level.

        Returns
        -------
        ndarray, shape (samples,)
            In dB.
        """
        from tapeemu.dsp.kernels import amplitude_flutter as kernels

        rate = check_sample_rate(sample_rate)
        design = self.kernels()
        values = design.typed(self.kernel_settings())
        memory = design.memory_for(values, rate, 1)
        kernels.amplitude_flutter_design(values, rate, 1, np.int64(start_sample), np.int64(0), memory)

        out = np.empty(samples)
        kernels.read_levels(memory, np.int64(start_sample), channel, out)
        return out

    def distance_um(
        self,
        *,
        sample_rate: float,
        start_sample: int,
        samples: int,
        channel: int = 0,
        tape_speed_cm_s: float = 38.1,
    ) -> FloatArray:
        """Distance between head and tape in micrometres that gives these levels at a tape speed in cm/s.

        The other arguments are those of :meth:`level_db`. The sound does not depend on the speed: at half of it,
        half the distance gives the same levels.
        """
        level = self.level_db(sample_rate=sample_rate, start_sample=start_sample, samples=samples, channel=channel)
        micrometres_per_db = 1e4 * tape_speed_cm_s / self.spacing_frequency_hz / _SPACING_DB
        return np.asarray((self._contact_db() - level) * micrometres_per_db)

    def dropouts(self, start_seconds: float, end_seconds: float, *, channel: int = 0) -> list[Dropout]:
        """Dropouts whose centre lies in a stretch of the tape, in order of time."""
        from tapeemu.dsp.kernels import amplitude_flutter as kernels
        from tapeemu.dsp.kernels.dropouts import LAW_NUMBERS

        law = np.empty(LAW_NUMBERS)
        kernels.settings_law(self.kernel_settings(), law)
        key = kernels.dropout_key(np.uint64(self.seed), not self.dropouts_on_all_channels, channel)
        return list_dropouts(int(key), law, start_seconds, end_seconds)

    def _contact_db(self) -> float:
        """Level at `spacing_frequency_hz` with the tape touching the head, relative to the mean distance."""
        peaks = 0.01 * self.periodic_percent * sum(part.peak_db for part in self.periodic_parts)
        return peaks + 3.0 / TWO_SIGMA * self.random_db

    def _channels_alike(self) -> bool:
        return (self.channel_correlation == 1.0 or self.random_db == 0.0) and (
            self.dropouts_on_all_channels or self.dropouts_per_minute == 0.0
        )
