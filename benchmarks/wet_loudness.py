"""How far the loudness of stems moves when reverb is mixed in: every stem, several rooms, several seeds of each.

Run with ``python benchmarks/wet_loudness.py [FILE ...] [--rooms N]``. Without files the four made-up stems of the
demonstration are taken. The goal is 1.5 LU from 0 to 60 % wet; libebur128 (BS.1770) is the judge. Printed is, for
every stem and room, the lowest and the highest change over seeds and mixes, and which mix that was.

A room that stands still is not bound: what a steady tone becomes there depends on where it lies among the modes.
That the mix is not at fault shows noise of the stem's own spectrum (smoothed over some 100 Hz, phases at random),
which has no tones and keeps its loudness in the same rooms; so does the mean power over many rooms.
"""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import soundfile

from tapeemu import FdnReverb
from tapeemu.demo_scene import STEMS, make_stem
from tapeemu.validation import FloatArray

BOUND_LU = 1.5
STILL = "still"
MIXES = (15.0, 30.0, 45.0, 60.0)
ROOMS: dict[str, dict[str, Any]] = {
    "default": {},
    "small": {"decay_seconds": 0.5, "size_percent": 60.0},
    "small and long": {"decay_seconds": 2.4, "size_percent": 25.0},
    "large": {"decay_seconds": 4.0, "size_percent": 200.0},
    "8 lines": {"decay_seconds": 1.0, "lines": 8},
    "dark": {"decay_seconds": 2.0, "low_decay_ratio": 1.5, "high_decay_ratio": 0.3},
    # What stands still answers a steady tone as loud as the tone's place among the modes has it: not counted.
    STILL: {"decay_seconds": 1.2, "modulation_percent": 0.0},
}


def loudness_lufs(sound: FloatArray, sample_rate: float) -> float:
    state = pyebur128.R128State(sound.shape[0], round(sample_rate), pyebur128.MeasurementMode.MODE_I)
    frames = np.ascontiguousarray(sound.T)
    state.add_frames(frames.reshape(-1), len(frames))
    return float(pyebur128.get_loudness_global(state))


def read(path: Path) -> tuple[FloatArray, int]:
    sound, rate = soundfile.read(path, always_2d=True)
    return np.ascontiguousarray(sound.T), int(rate)


def noise_like(sound: FloatArray, sample_rate: float) -> FloatArray:
    """Noise of a sound's spectrum and level, without its tones."""
    spectrum = np.fft.rfft(sound)
    width = max(1, round(100.0 * sound.shape[1] / sample_rate))
    smooth = np.sqrt([np.convolve(np.abs(row) ** 2, np.full(width, 1.0 / width), "same") for row in spectrum])
    phases = np.random.default_rng(0).uniform(0.0, 2.0 * np.pi, spectrum.shape)
    noise = np.fft.irfft(smooth * np.exp(1j * phases), sound.shape[1])
    return np.asarray(noise * np.sqrt(np.mean(sound**2) / np.mean(noise**2)))


def changes_lu(
    sound: FloatArray, rate: float, settings: dict[str, Any], rooms: int, mixes: Sequence[float]
) -> list[tuple[float, float]]:
    """Change of loudness and the mix it belongs to, for every room and mix."""
    dry = loudness_lufs(sound, rate)
    found = []
    for seed in range(rooms):
        # Wet sound alone once; the mixes are sums, at equal power.
        wet = FdnReverb(wet_percent=100.0, room_seed=seed, **settings)(sound, sample_rate=rate)
        for mix in mixes:
            share = 0.01 * mix
            mixed = ((1.0 - share) * sound + share * wet) / np.hypot(1.0 - share, share)
            found.append((loudness_lufs(mixed, rate) - dry, mix))
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("files", nargs="*", type=Path)
    parser.add_argument("--rooms", type=int, default=20, help="seeds of every room")
    given = parser.parse_args()
    if given.files:
        stems = {path.stem: read(path) for path in given.files}
    else:
        stems = {name: (make_stem(name), 48_000) for name in STEMS}
    worst = 0.0
    for stem, (sound, rate) in stems.items():
        for room, settings in ROOMS.items():
            found = changes_lu(sound, rate, settings, given.rooms, MIXES)
            low, high = min(found), max(found)
            if room != STILL:
                worst = max(worst, abs(low[0]), abs(high[0]))
            print(
                f"{stem}, {room}: {low[0]:+.2f} LU ({low[1]:g} %) to {high[0]:+.2f} LU ({high[1]:g} %), "
                f"{given.rooms} seeds",
                flush=True,
            )
            if room == STILL:
                wettest = np.array([change for change, mix in found if mix == MIXES[-1]])
                power = 10.0 * np.log10(np.mean(10.0 ** (0.1 * wettest)))
                noise = changes_lu(noise_like(sound, rate), rate, settings, given.rooms, MIXES[-1:])
                print(
                    f"{stem}, {room}, {MIXES[-1]:g} %: mean power over rooms {power:+.2f} LU; "
                    f"noise of its spectrum {min(noise)[0]:+.2f} to {max(noise)[0]:+.2f} LU",
                    flush=True,
                )
    print(f"largest change in rooms that move: {worst:.2f} LU (bound {BOUND_LU:g} LU)")


if __name__ == "__main__":
    main()
