"""What stands beside the player: waveforms and spectra of the orders, one over the other, as plain lines.

They stretch with the page, so no text is in them; the page sets it beside them at its own size.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapeemu.rendering.matched import Render
from tapeemu.report.pictures import Picture, envelope, loudest_moment
from tapeemu.validation import FloatArray

__all__ = ["MOST_DRAWN", "POINTS", "Strip", "moment", "spectra", "whole"]

MOST_DRAWN = 8
"""Sounds that have a colour of their own, but for the dry stem."""

POINTS = 600
"""Width of a strip in its own units."""

_HEIGHT = 100.0
_RANGE_DB = 60.0
_LEAST_APART_DB = 3.0
_LINES_HZ = (100, 1000, 10_000)


@dataclass(frozen=True, kw_only=True)
class Strip:
    """A drawing of several sounds.

    Attributes
    ----------
    paths : list of str
        One a sound, 600 wide and 100 high.
    vertical, horizontal : list of (float, str)
        Lines to read values from: their place in percent from the left, or from the top, and what they say.
    """

    paths: list[str]
    vertical: list[tuple[float, str]]
    horizontal: list[tuple[float, str]]


def whole(renders: Sequence[Render], sample_rate: float) -> Strip:
    """Peaks of all sounds from begin to end, mirrored about the middle."""
    length = renders[0].audio.shape[1]
    return _waves(renders, 0, length, sample_rate)


def moment(renders: Sequence[Render], sample_rate: float) -> Strip:
    """Peaks of all sounds around the loudest moment of the second one, the first order."""
    first, last = loudest_moment(renders[min(1, len(renders) - 1)], sample_rate)
    return _waves(renders, first, last, sample_rate)


def _waves(renders: Sequence[Render], first: int, last: int, sample_rate: float) -> Strip:
    envelopes = [envelope(render, first, last, POINTS) for render in renders]
    top = max(float(np.max(each)) for each in envelopes) or 1.0
    paths = []
    for each in envelopes:
        heights = 0.5 * _HEIGHT * each / top
        upper = [f"{place} {0.5 * _HEIGHT - height:.1f}" for place, height in enumerate(heights)]
        lower = [f"{place} {0.5 * _HEIGHT + height:.1f}" for place, height in enumerate(heights)]
        paths.append(f"M{'L'.join(upper)}L{'L'.join(reversed(lower))}Z")
    return Strip(paths=paths, vertical=_times(first / sample_rate, last / sample_rate), horizontal=[])


def _times(begin: float, end: float) -> list[tuple[float, str]]:
    span = end - begin
    rough = max(span / 5.0, 1e-4)
    size = 10.0 ** np.floor(np.log10(rough))
    step = float(next(factor * size for factor in (1.0, 2.0, 5.0, 10.0) if factor * size >= rough))
    first = int(np.ceil(begin / step - 1e-9))
    count = int(np.floor(end / step + 1e-9)) - first
    digits = max(int(np.ceil(-np.log10(step))), 0)
    marks = [step * (first + number) for number in range(count + 1)]
    return [(100.0 * (mark - begin) / span, f"{mark:.{digits}f} s") for mark in marks if span > 0.0]


def spectra(pictures: Sequence[Picture], first: int) -> tuple[Strip, Strip]:
    """Third-octave levels of all sounds, and their differences from one of them.

    Parameters
    ----------
    pictures : sequence of Picture
        One a sound.
    first : int
        Which one the others are held against.
    """
    hertz = pictures[0].third_hz
    levels = np.array([picture.third_dbfs for picture in pictures])
    top = float(np.max(levels)) + 2.0
    paths = [_line(hertz, np.clip((top - each) / _RANGE_DB, 0.0, 1.0)) for each in levels]
    marks = [(100.0 * db / _RANGE_DB, f"\N{MINUS SIGN}{db - 2} dB" if db > 2 else "0 dB") for db in (2, 22, 42)]
    upright = [
        (
            100.0 * float(_across(hertz, np.array([line]))[0]),
            f"{line // 1000} kHz" if line >= 1000 else f"{line} Hz",
        )
        for line in _LINES_HZ
        if hertz[0] <= line <= hertz[-1]
    ]
    # What lies far below the strongest band is inaudible, and its differences are large.
    heard = np.max(levels, axis=0) > top - _RANGE_DB
    apart = np.where(heard, levels - levels[first], 0.0)
    reach = max(float(np.max(np.abs(apart))) * 1.15, _LEAST_APART_DB)
    differences = [_line(hertz, 0.5 - 0.5 * each / reach) for each in apart]
    step = next(size for size in (1, 2, 5, 10, 20, 50, 100, 1000) if size >= reach / 2.5)
    ticks = [float(step * number) for number in range(-int(reach // step), int(reach // step) + 1)]
    sides = [
        (50.0 - 50.0 * tick / reach, f"{tick:+.0f} dB".replace("-", "\N{MINUS SIGN}") if tick else "0 dB")
        for tick in ticks
    ]
    return Strip(paths=paths, vertical=upright, horizontal=marks), Strip(
        paths=differences, vertical=upright, horizontal=sides
    )


def _across(hertz: FloatArray, at: FloatArray) -> FloatArray:
    return np.asarray(np.log(at / hertz[0]) / np.log(hertz[-1] / hertz[0]), dtype=np.float64)


def _line(hertz: FloatArray, down: Any) -> str:
    across = POINTS * _across(hertz, hertz)
    return "M" + "L".join(f"{x:.1f} {_HEIGHT * y:.1f}" for x, y in zip(across, down, strict=True))
