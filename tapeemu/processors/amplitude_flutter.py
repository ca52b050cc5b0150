"""Amplitude flutter: the contact between head and tape is never quite constant, nor is the tape."""

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from tapeemu.dsp.dropouts import Dropout, DropoutLaw, list_dropouts
from tapeemu.dsp.exceedance import TWO_SIGMA
from tapeemu.dsp.noise_band import NoiseBand
from tapeemu.dsp.spacing_loss import SPACING_DB, half_length, spacing_table, steepness_per_db
from tapeemu.dsp.tape_position import stream_key
from tapeemu.dsp.trajectory import SEGMENT, Sine, Trajectory, collect
from tapeemu.errors import ParameterError
from tapeemu.processor import Processor, Settings, Stream, Traits, required_setting, setting
from tapeemu.validation import FloatArray, check_sample_rate

if TYPE_CHECKING:
    from tapeemu.dsp.kernels.interpolation import Rows

__all__ = ["AmplitudeFlutter", "LevelPart"]

_DB_TO_NEPERS = math.log(10.0) / 20.0

_BEGINNING_SECONDS = 0.05
"""How long the tape takes from its mean distance at position 0 to the distance that it would have."""


class LevelPart(Settings):
    """One periodic fluctuation of the level, the same on all channels."""

    rate_hz: float = required_setting("Rate of the fluctuation.", unit="Hz", ge=0.02, le=250.0)
    peak_db: float = setting(
        ..., "Peak deviation of the level (half of peak to peak).", unit="dB", ge=0.0, le=12.0
    )
    phase_degrees: float | None = setting(
        None, "Phase of the fluctuation (a cosine) at tape position 0; left out: from the seed.", unit="°"
    )


class AmplitudeFlutter(Processor):
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

    Everything is a function of seed and absolute sample index.

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

    kind = "amplitude_flutter"
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
        if self._contact_db() == 0.0 and self.dropouts_per_minute == 0.0:
            reason = "random_db and dropouts_per_minute are 0 and no periodic part moves the level"
            found |= {name: reason for name in ("mode", "spacing_frequency_hz", "seed") if self.given(name)}
        return found

    @property
    def traits(self) -> Traits:
        return Traits(moves_level=True, channels_differ=not self._channels_alike())

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        kind = _GainStream if self.mode == "gain" else _SpacingStream
        return kind(self, sample_rate=sample_rate, channels=channels, start_sample=start_sample)

    def level_db(self, *, sample_rate: float, start_sample: int, samples: int, channel: int = 0) -> FloatArray:
        """Level by absolute sample index: at all frequencies, or at `spacing_frequency_hz` in spacing mode.

        Parameters
        ----------
        sample_rate : float
            Samples per second.
        start_sample : int
            Index of the first value; may be negative, and any size.
        samples : int
            How many.
        channel : int
            Whose level.

        Returns
        -------
        ndarray, shape (samples,)
            In dB.
        """
        level = _Level(self, check_sample_rate(sample_rate), channel)
        return collect(level.segment, start_sample, samples)

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
        micrometres_per_db = 1e4 * tape_speed_cm_s / self.spacing_frequency_hz / SPACING_DB
        return np.asarray((self._contact_db() - level) * micrometres_per_db)

    def dropouts(self, start_seconds: float, end_seconds: float, *, channel: int = 0) -> list[Dropout]:
        """Dropouts whose centre lies in a stretch of the tape, in order of time."""
        return list_dropouts(self._dropout_law(channel), start_seconds, end_seconds)

    def _dropout_law(self, channel: int) -> DropoutLaw:
        return DropoutLaw(
            stream_key(self.seed, "dropouts", 0 if self.dropouts_on_all_channels else channel),
            self.dropouts_per_minute,
            (self.dropout_least_db, self.dropout_most_db),
            (self.dropout_shortest_ms, self.dropout_longest_ms),
        )

    def _contact_db(self) -> float:
        """Level at `spacing_frequency_hz` with the tape touching the head, relative to the mean distance."""
        return sum(part.peak_db for part in self.periodic_parts) + 3.0 / TWO_SIGMA * self.random_db

    def _channels_alike(self) -> bool:
        return (self.channel_correlation == 1.0 or self.random_db == 0.0) and (
            self.dropouts_on_all_channels or self.dropouts_per_minute == 0.0
        )


class _Level:
    """Level of one channel in dB, by segments."""

    def __init__(self, settings: AmplitudeFlutter, sample_rate: float, channel: int) -> None:
        sines = []
        for number, part in enumerate(settings.periodic_parts):
            turns = stream_key(settings.seed, "level", number) / 2.0**64
            if part.phase_degrees is not None:
                turns = part.phase_degrees / 360.0 % 1.0
            sines.append(Sine(part.rate_hz, part.peak_db, turns))
        rms = settings.random_db / TWO_SIGMA
        edges = (settings.random_low_hz, settings.random_high_hz)
        common, own = math.sqrt(settings.channel_correlation), math.sqrt(1.0 - settings.channel_correlation)
        bands = (
            NoiseBand(stream_key(settings.seed, "common"), *edges, rms * common),
            NoiseBand(stream_key(settings.seed, "channel", channel), *edges, rms * own),
        )
        self._trajectory = Trajectory(sines=tuple(sines), slow=bands, sample_rate=sample_rate)
        self.bound = self._trajectory.bound
        self._law = settings._dropout_law(channel)
        self._sample_rate = sample_rate
        self._contact = settings._contact_db() if settings.mode == "spacing" else math.inf
        self._out = np.empty(SEGMENT)
        self._index: int | None = None

    def segment(self, index: int) -> FloatArray:
        """Levels of a segment; the array may be overwritten by the next call."""
        if index != self._index:
            np.minimum(self._trajectory.segment(index), self._contact, out=self._out)
            self._add_dropouts(index * SEGMENT)
            self._begin(index)
            self._index = index
        return self._out

    def _begin(self, index: int) -> None:
        duration = _BEGINNING_SECONDS * self._sample_rate
        if math.isinf(self._contact) or max(index, -index - 1) * SEGMENT > duration:
            return
        from tapeemu.dsp.kernels.trajectories import begin_at_zero

        begin_at_zero(float(index * SEGMENT), 1.0 / duration, self._out)

    def _add_dropouts(self, first: int) -> None:
        if self._law.per_minute <= 0.0:
            return
        from tapeemu.dsp.kernels.dropouts import dip

        start = first / self._sample_rate
        reach = 0.75e-3 * self._law.length_ms[1] + 1.0 / self._sample_rate
        events = list_dropouts(self._law, start - reach, start + SEGMENT / self._sample_rate + reach)
        if not events:
            return
        depth = np.zeros(SEGMENT)
        for event in events:
            centre = event.time_seconds * self._sample_rate - first
            length = 1e-3 * event.length_ms * self._sample_rate
            dip(centre, 0.25 * length, 0.75 * length, event.depth_db, depth)
        self._out -= depth


class _GainStream(Stream):
    """All frequencies alike: no state but the place on the tape, no latency."""

    def __init__(
        self, settings: AmplitudeFlutter, *, sample_rate: float, channels: int, start_sample: int
    ) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        self._place = start_sample
        count = 1 if settings._channels_alike() else self.channels
        self._levels = [_Level(settings, self.sample_rate, channel) for channel in range(count)]
        self._gains = np.empty((count, SEGMENT))
        self._segment: int | None = None

    def advance(self, block: FloatArray) -> FloatArray:
        out = np.empty_like(block)
        done = 0
        while done < block.shape[1]:
            segment, begin = divmod(self._place, SEGMENT)
            count = min(block.shape[1] - done, SEGMENT - begin)
            if segment != self._segment:
                for gain, level in zip(self._gains, self._levels, strict=True):
                    np.multiply(level.segment(segment), _DB_TO_NEPERS, out=gain)
                np.exp(self._gains, out=self._gains)
                self._segment = segment
            part = slice(done, done + count)
            np.multiply(block[:, part], self._gains[:, begin : begin + count], out=out[:, part])
            done += count
            self._place += count
        return out


class _SpacingStream(Stream):
    """A filter along the distance: taps for each sample from a table of spacing losses."""

    def __init__(
        self, settings: AmplitudeFlutter, *, sample_rate: float, channels: int, start_sample: int
    ) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        from tapeemu.dsp.kernels import interpolation as kernels

        self._kernels = kernels
        count = 1 if settings._channels_alike() else self.channels
        self._levels = [_Level(settings, self.sample_rate, channel) for channel in range(count)]
        self.latency = half_length(self.sample_rate)
        per_db = steepness_per_db(settings.spacing_frequency_hz, self.sample_rate)
        self._per_db = per_db
        deepest = self._levels[0].bound
        if settings.dropouts_per_minute > 0.0:
            deepest += settings.dropout_most_db
        self._lowest = -settings._contact_db() * per_db
        self._table, self._step = spacing_table(self._lowest, deepest * per_db, self.sample_rate)

        last = self.channels - 1
        if count == 1:
            common = _empty_rows()
            self._pairs = [(first, min(first + 1, last), common) for first in range(0, self.channels, 2)]
        else:
            self._pairs = [(channel, channel, _empty_rows()) for channel in range(self.channels)]
        self._segment: int | None = None
        self._past = 2 * self.latency + 1
        self._room = self._past + 2 * SEGMENT
        # One column more than is filled: the tap of zero that pads a row to whole vectors reads it.
        self._line = np.zeros((self.channels, self._room + 1))
        self._filled = self._past
        self._place = start_sample - self.latency

    def tail_samples(self, level_db: float = -60.0) -> int:
        return self.latency

    def advance(self, block: FloatArray) -> FloatArray:
        kernels = self._kernels
        out = np.empty_like(block)
        done = 0
        while done < block.shape[1]:
            if self._filled == self._room:
                self._line[:, : self._past] = self._line[:, self._room - self._past : self._room]
                self._filled = self._past
            segment, begin = divmod(self._place, SEGMENT)
            count = min(block.shape[1] - done, SEGMENT - begin, self._room - self._filled)
            end = self._filled + count
            self._line[:, self._filled : end] = block[:, done : done + count]
            column = self._filled - 2 * self.latency - begin
            part = kernels.Part(column, begin, begin + count, done)
            for first, second, rows in self._rows(segment):
                kernels.filter_pair(self._line, self._table, rows, part, first, second, out)
            self._filled = end
            self._place += count
            done += count
        return out

    def _rows(self, segment: int) -> "list[tuple[int, int, Rows]]":
        if segment != self._segment:
            for level, (_, _, (row, between)) in zip(self._levels, self._pairs, strict=False):
                place = (-self._per_db / self._step) * level.segment(segment) - self._lowest / self._step
                np.clip(place, 0.0, self._table.shape[0] - 2.0, out=place)
                row[:] = place
                between[:] = place - row
            self._segment = segment
        return self._pairs


def _empty_rows() -> "Rows":
    from tapeemu.dsp.kernels.interpolation import Rows

    return Rows(np.empty(SEGMENT, dtype=np.int32), np.empty(SEGMENT, dtype=np.float32))
