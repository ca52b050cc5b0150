"""Four short stems of an invented scene: a ferry crossing a bay at night.

All sound is synthesised here, so the demonstration needs no recordings: a bell buoy (melody), the engine
(pulse), the hull (low sustained bed) and the water (high sustained bed).
"""

from collections.abc import Callable

import numpy as np

from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray

__all__ = ["SECONDS", "STEMS", "make_stem"]

SECONDS = 8.0


def _pan(signal: FloatArray, position: float) -> FloatArray:
    """Equal-power placement; `position` runs from -1 (left) to 1 (right)."""
    angle = (position + 1.0) * np.pi / 4.0
    return np.stack([np.cos(angle) * signal, np.sin(angle) * signal])


def _bell(time: FloatArray, _: np.random.Generator) -> FloatArray:
    # Strokes fall where the swell puts them, so the notes are not evenly spaced.
    strokes = [(0.3, 523.25), (1.4, 622.25), (2.1, 392.0), (3.6, 466.16), (4.5, 587.33), (6.0, 349.23)]
    partials = [(0.5, 0.30, 2.6), (1.0, 1.0, 1.9), (1.19, 0.45, 1.3), (2.0, 0.35, 0.8), (2.74, 0.2, 0.5)]
    sound = np.zeros((2, time.size))
    for number, (begin, pitch_hz) in enumerate(strokes):
        since = np.maximum(time - begin, 0.0)
        tone = np.zeros_like(time)
        for ratio, level, decay in partials:
            tone += level * np.exp(-since / decay) * np.sin(2.0 * np.pi * ratio * pitch_hz * since)
        sound += _pan(0.16 * tone, -0.5 + 0.2 * number)
    return sound


def _engine(time: FloatArray, random: np.random.Generator) -> FloatArray:
    rate_hz = 2.5
    phase = (time * rate_hz) % 1.0 / rate_hz
    stroke = np.floor(time * rate_hz).astype(int)
    thump = np.exp(-phase / 0.07) * np.sin(2.0 * np.pi * (52.0 * phase + 1.1 * (1.0 - np.exp(-phase / 0.02))))
    hiss = np.exp(-phase / 0.012) * random.standard_normal(time.size) * 0.35
    accent = np.where(stroke % 4 == 0, 1.0, 0.65)
    return _pan(0.55 * accent * (thump + hiss), 0.1)


def _hull(time: FloatArray, _: np.random.Generator) -> FloatArray:
    swell = 0.75 + 0.25 * np.sin(2.0 * np.pi * 0.11 * time)
    sides = []
    for detune in (-0.13, 0.13):
        side = sum(
            0.16 / order * np.sin(2.0 * np.pi * (65.41 * order + detune * order) * time + order)
            for order in (1, 2, 3, 5, 8)
        )
        sides.append(swell * side)
    return np.stack(sides)


def _water(time: FloatArray, random: np.random.Generator) -> FloatArray:
    sound = np.zeros((2, time.size))
    for pitch_hz in random.uniform(700.0, 3200.0, 24):
        breath = np.sin(2.0 * np.pi * random.uniform(0.06, 0.3) * time + random.uniform(0.0, 6.28)) ** 2
        tone = 0.02 * breath * np.sin(2.0 * np.pi * pitch_hz * time + random.uniform(0.0, 6.28))
        sound += _pan(tone, random.uniform(-0.9, 0.9))
    return sound


STEMS: dict[str, Callable[[FloatArray, np.random.Generator], FloatArray]] = {
    "bell-buoy": _bell,
    "engine": _engine,
    "hull": _hull,
    "water": _water,
}
"""Makers of the stems by name: time in seconds and a generator in, stereo out."""


def make_stem(name: str, *, sample_rate: int = 48_000) -> FloatArray:
    """Synthesise a stem.

    Parameters
    ----------
    name : str
        A key of :data:`STEMS`.
    sample_rate : int
        Samples per second.

    Returns
    -------
    ndarray, shape (2, samples)
        Peaks below full scale; begins and ends in silence over 20 ms.
    """
    time = np.arange(seconds_to_samples(SECONDS, sample_rate)) / sample_rate
    random = np.random.default_rng([len(name), 1952])
    edge = np.clip(np.minimum(time, SECONDS - time) / 0.02, 0.0, 1.0)
    faded: FloatArray = STEMS[name](time, random) * edge
    return faded
