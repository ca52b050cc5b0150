"""Settings that follow curves over the tape.

A curve is points in time and how the value goes from each to the next. A processor whose settings can move takes
up new values every 5 ms of tape (:mod:`tapeemu.dsp.kernels.glides`) and goes through them smoothly: straight lines
stay where they are, corners and jumps are rounded over 15 to 20 ms. What is taken up is the mean of the curve over
the cell, so the sample at which a jump stands is heard; and it is known ahead, so nothing is late.
"""

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise, product
from typing import Any, Literal, Self

import numpy as np
from pydantic import field_validator, model_validator

from tapeemu.kernel_stream import KernelStream
from tapeemu.processor import Processor, Stream
from tapeemu.settings import Settings, required_setting, setting
from tapeemu.validation import FloatArray

__all__ = ["MIX", "AutomatedStream", "Curve", "CurvePoint", "MovingMix", "at_ends"]

MIX = "mix_percent"
"""The setting of a stage itself that can follow a curve."""

_MOST_POINTS = 10_000
_NODES = 5
_TARGET, _REST, _OLDER = 5, 6, 7
_AT, _CELL, _MOVING = 0, 1, 2


class CurvePoint(Settings):
    """A value at a time of the tape, and the way to the next one."""

    seconds: float | None = setting(
        None, "Time on the tape, from its position 0. Leave out to set samples.", unit="s", ge=-1e6, le=1e6
    )
    samples: int | None = setting(None, "Place on the tape in samples, instead of seconds.", ge=-(2**53), le=2**53)
    value: float = required_setting("Value of the setting there, in its own unit.")
    shape: Literal["linear", "smooth", "hold"] = setting(
        "linear", "The way to the next point: straight, with a soft beginning and end, or held until there."
    )

    @model_validator(mode="after")
    def _one_time(self) -> Self:
        if (self.seconds is None) == (self.samples is None):
            raise ValueError("a point has a time: either seconds or samples; give one of them")
        return self


class Curve(Settings):
    """The course of one setting over the tape; outside of its points it holds the values of the nearest."""

    setting: str = required_setting("Name of the setting that follows it.")
    points: tuple[CurvePoint, ...] = required_setting("Points in the order of time; two at one time are a jump.")

    @field_validator("points")
    @classmethod
    def _in_order(cls, points: tuple[CurvePoint, ...]) -> tuple[CurvePoint, ...]:
        if not 1 <= len(points) <= _MOST_POINTS:
            raise ValueError(f"has {len(points)} points, but a curve has 1 to {_MOST_POINTS}; give so many")
        if len({point.samples is None for point in points}) > 1:
            raise ValueError(
                "some points are in seconds and some in samples; give all times of a curve in one unit"
            )
        times = [point.seconds if point.samples is None else point.samples for point in points]
        for before, after in pairwise(times):
            if after < before:  # type: ignore[operator]
                raise ValueError(
                    f"a point at {after:g} stands behind one at {before:g}; put points in order of time"
                )
        return points

    def mean(self, first: float, behind: float, sample_rate: float) -> float:
        """Mean of the curve over a stretch of the tape, exact.

        Parameters
        ----------
        first, behind : float
            Where the stretch begins and ends, in samples; `behind` is the larger.
        sample_rate : float
            Samples per second.

        Returns
        -------
        float
        """
        places = self._places(sample_rate)
        points = self.points
        length = behind - first
        # What lies outside of the points, then every stretch between two.
        total = max(min(places[0], behind) - first, 0.0) * points[0].value
        total += max(behind - max(places[-1], first), 0.0) * points[-1].value
        at = max(int(np.searchsorted(places, first, "right")) - 1, 0)
        for number in range(at, len(points) - 1):
            if places[number] >= behind:
                break
            begin, end = max(first, places[number]), min(behind, places[number + 1])
            if end > begin:
                total += _area(points[number], points[number + 1].value, places[number : number + 2], begin, end)
        return float(min(max(total / length, self.least), self.most))

    @property
    def least(self) -> float:
        """Its lowest value."""
        return min(point.value for point in self.points)

    @property
    def most(self) -> float:
        """Its highest value."""
        return max(point.value for point in self.points)

    def _places(self, sample_rate: float) -> list[float]:
        return [
            point.seconds * sample_rate if point.seconds is not None else float(point.samples or 0)
            for point in self.points
        ]


def _area(point: CurvePoint, to: float, places: Sequence[float], begin: float, end: float) -> float:
    """Integral of a part of the way between two points."""
    if point.shape == "hold":
        return (end - begin) * point.value
    span = places[1] - places[0]
    u, v = (begin - places[0]) / span, (end - places[0]) / span
    risen = 0.5 * (v * v - u * u)
    if point.shape == "smooth":  # 3 u^2 - 2 u^3
        # Products: they have one result, a power has that of its library.
        risen = (v * v * v - u * u * u) - 0.5 * (v * v * v * v - u * u * u * u)
    return span * ((v - u) * point.value + risen * (to - point.value))


class _Course:
    """Keeps the numbers of a glide two cells ahead of the sound.

    Parameters
    ----------
    curves : sequence of Curve
        What is followed.
    glide : Glide
        Numbers that move, at rest.
    take : callable
        Sets what the glide takes up next, from the values of the curves by the names of their settings.
    sample_rate : float
        Samples per second.
    place : int
        On the tape, of the first sample.
    """

    def __init__(
        self,
        curves: Sequence[Curve],
        glide: Any,
        take: Callable[[Mapping[str, float]], None],
        sample_rate: float,
        place: int,
    ) -> None:
        self._curves, self._glide, self._take, self._rate = curves, glide, take, sample_rate
        self._samples = int(glide.counts[_CELL])
        self._taken: Mapping[str, float] | None = None
        self._cell, self._at = divmod(place, self._samples)
        glide.counts[_AT] = self._at
        values = glide.values
        for cell in range(self._cell - 2 - (values.shape[1] - _OLDER), self._cell + 3):
            self._give(cell)
            if values.shape[1] > _OLDER:
                values[:, _OLDER + 1 :] = values[:, _OLDER:-1].copy()
                values[:, _OLDER] = values[:, 0]
            values[:, :_NODES] = values[:, 1 : _NODES + 1]
        self._give(self._cell + 3)
        # What stands as it was designed is processed as where nothing moves: to the same bits.
        glide.counts[_MOVING] = np.any(glide.values != glide.values[:, _REST : _REST + 1])

    def _give(self, cell: int) -> None:
        """Let the glide take up what the curves have round the beginning of a cell."""
        middle, half = cell * self._samples, 0.5 * self._samples
        values = {curve.setting: curve.mean(middle - half, middle + half, self._rate) for curve in self._curves}
        if values != self._taken:
            self._take(values)
            self._taken = values

    def room(self, samples: int) -> int:
        """How many of so many samples may be processed before the next cell begins."""
        return min(samples, self._samples - self._at)

    def passed(self, samples: int) -> None:
        """So many have been processed."""
        self._at += samples
        if self._at == self._samples:
            self._at = 0
            self._cell += 1
            self._give(self._cell + 3)


def at_ends(processor: Processor, curves: Sequence[Curve]) -> list[Processor]:
    """A processor where its curves end: each at its lowest and at its highest, in every combination.

    Parameters
    ----------
    processor : Processor
        Its other settings hold.
    curves : sequence of Curve
        Of settings in ``processor.moves``; none of them gives the processor itself.

    Returns
    -------
    list of Processor

    Raises
    ------
    ParameterError
        If values that the curves may have together contradict each other.
    """
    names = [curve.setting for curve in curves]
    ends = product(*((curve.least, curve.most) for curve in curves))
    return [processor.replace(**dict(zip(names, values, strict=True))) for values in ends]


def _kernel_stream(processor: Processor, where: Mapping[str, Any]) -> KernelStream:
    stream = processor.stream(**where)
    assert isinstance(stream, KernelStream)
    return stream


class AutomatedStream(Stream):
    """A processor some of whose settings follow curves.

    Parameters
    ----------
    processor : Processor
        Its other settings hold.
    curves : sequence of Curve
        Of settings in ``processor.moves``.
    sample_rate, channels, start_sample, track
        As for :meth:`tapeemu.processor.Processor.stream`.
    """

    def __init__(
        self,
        processor: Processor,
        curves: Sequence[Curve],
        *,
        sample_rate: float,
        channels: int,
        start_sample: int = 0,
        track: int = 0,
    ) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        where: dict[str, Any] = {
            "sample_rate": sample_rate,
            "channels": channels,
            "start_sample": start_sample,
            "track": track,
        }
        # A strong drive runs at a higher rate than a soft one: it is made for what needs most on the way.
        self._ends = at_ends(processor, curves)
        self._processor, self._inner = max(
            ((each, _kernel_stream(each, where)) for each in self._ends), key=lambda pair: pair[1].memory_bytes
        )
        inner = self._inner
        self._curves = curves
        self.latency = inner.latency
        self.length_ratio = inner.length_ratio
        self._course = _Course(curves, inner.memory.glide, self._change, self.sample_rate, start_sample)

    def _change(self, values: Mapping[str, float]) -> None:
        self._inner.change(self._processor.replace(**values).kernel_settings())

    def advance(self, block: FloatArray) -> FloatArray:
        parts = [np.empty((self.channels, 0))]
        done = 0
        while done < block.shape[1]:
            count = self._course.room(block.shape[1] - done)
            parts.append(self._inner.advance(block[:, done : done + count]))
            self._course.passed(count)
            done += count
        return np.concatenate(parts, axis=1)

    def silence_for(self, tail_samples: int) -> tuple[int, int]:
        return self._inner.silence_for(tail_samples)

    def steady(self) -> list[Stream]:
        return self._inner.steady()

    def tail_samples(self, level_db: float = -60.0) -> int:
        """The longest that the curves give where they end, for what one allows another may make longer."""
        return max(self._inner.tail_of(each.kernel_settings(), level_db) for each in self._ends)

    def lead_samples(self, level_db: float = -60.0) -> int:
        """The longest that the curves give where they end."""
        return max(self._inner.lead_of(each.kernel_settings(), level_db) for each in self._ends)

    def close(self) -> None:
        super().close()
        self._inner.close()


class MovingMix:
    """Mixes a processed signal with its input by a share that follows a curve.

    Parameters
    ----------
    curve : Curve
        Of the share in percent.
    sample_rate : float
        Samples per second.
    place : int
        On the tape, of the sound of the first sample.
    """

    def __init__(self, curve: Curve, *, sample_rate: float, place: int) -> None:
        from tapeemu.dsp.kernels import glides

        self._kernels = glides
        self._glide = glides.Glide(np.zeros((1, _TARGET + 2)), np.zeros(3, np.int64))
        self._glide.counts[_CELL] = glides.glide_cell(sample_rate)
        self._course = _Course((curve,), self._glide, self._take, sample_rate, place)

    def _take(self, values: Mapping[str, float]) -> None:
        self._glide.values[0, _TARGET] = values[MIX] / 100.0

    def mix(self, dry: FloatArray, wet: FloatArray) -> None:
        """Mix into the processed signal, both of shape (channels, samples)."""
        done = 0
        while done < wet.shape[1]:
            count = self._course.room(wet.shape[1] - done)
            share = np.empty(count)
            self._kernels.glide_values(0, int(self._glide.counts[_AT]), 0, self._glide, share)
            # A share that stands moves as well: it is taken for one that will.
            self._glide.counts[_MOVING] = 1
            self._kernels.glide_pass(count, self._glide)
            part = slice(done, done + count)
            wet[:, part] = (1.0 - share) * dry[:, part] + share * wet[:, part]
            self._course.passed(count)
            done += count
