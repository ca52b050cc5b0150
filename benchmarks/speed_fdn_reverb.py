"""Reverberation: cost against a reference, denormals, decay, density and colour, in one run.

Bounds at 16 lines, 48 kHz: as fast as pedalboard's Reverb; no slower on a tail that has decayed to nothing;
decay read of the design within 1 % and measured within 4 % in every octave 125 Hz to 8 kHz; normalised echo
density 0.9 before 103 ms; standard deviation of 20 log |H| at most 5.8 dB and flatness at least -3.0 dB at 2 s;
tails of the channels alike by less than 0.1; filters designed in less than 0.1 s; late tails of any size at
most 7 dB rough over frequency (noise 5.6 dB).
"""

import copy
import time
from itertools import pairwise

import numpy as np
import pedalboard
from pyroomacoustics.experimental import measure_rt60
from scipy.signal import butter, sosfiltfilt
from scipy.special import erfc

from tapeemu.dsp.kernels.network import LINE_DELAY
from tapeemu.dsp.kernels.octave_readings import read_decays
from tapeemu.processors.fdn_reverb import DecayByBand, FdnReverb

RATE = 48_000
BANDS_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
SLOPE_SECONDS = (2.2, 2.1, 2.0, 1.9, 1.7, 1.3, 0.8)
HALL_SECONDS = (4.2, 3.89, 3.6, 3.0, 1.97, 1.3, 0.7)  # of the shipped presets
FLAT = {"low_decay_ratio": 1.0, "high_decay_ratio": 1.0}


def by_band(seconds: tuple[float, ...]) -> DecayByBand:
    return DecayByBand(**{f"at_{band}_hz_seconds": value for band, value in zip(BANDS_HZ, seconds, strict=True)})


def responses(reverb: FdnReverb, seconds: float, seeds: int) -> np.ndarray:
    found = []
    for seed in range(seeds):
        for driven in (0, 1):
            impulse = np.zeros((2, int(seconds * RATE)))
            impulse[driven, 0] = 1.0
            found.extend(reverb.replace(room_seed=seed, wet_percent=100.0)(impulse, sample_rate=RATE))
    return np.array(found)


def speed() -> None:
    audio = 0.1 * np.random.default_rng(0).standard_normal((2, 2 * RATE))
    single = audio.astype(np.float32)
    reference = pedalboard.Reverb()
    cases = {
        "default": FdnReverb(),
        "flat decay": FdnReverb(**FLAT),
        "decay 1 s": FdnReverb(decay_seconds=1.0),
        "decay by band": FdnReverb(decay_by_band_seconds=by_band(SLOPE_SECONDS)),
        "8 lines": FdnReverb(lines=8),
        "32 lines": FdnReverb(lines=32),
    }
    print("stereo, 48 kHz, block of 2 s, ours float64, best of 25 taken in turns; sections = of the line filters")
    for name, reverb in cases.items():
        stream = reverb.stream(sample_rate=RATE, channels=2)
        stream.process(audio)
        best = np.full(2, np.inf)
        for _ in range(25):
            began = time.process_time()
            reference(single, RATE, reset=False)
            between = time.process_time()
            stream.process(audio)
            best = np.minimum(best, [between - began, time.process_time() - between])
        theirs, ours = 1e9 * best / audio.shape[1]
        sections = int(stream.memory.network.filters[0, 1, 0])
        print(
            f"  {name:14s} {sections} sections {ours:6.1f} ns/frame {1e9 / ours / RATE:6.0f} x real time; "
            f"Reverb {theirs:5.1f} ns: {theirs / ours:.2f} times as fast"
        )


def denormals() -> None:
    stream = FdnReverb(decay_seconds=0.5).stream(sample_rate=RATE, channels=2)
    noise = 0.1 * np.random.default_rng(0).standard_normal((2, RATE))
    silence = np.zeros((2, RATE))
    stream.process(noise)
    loud = min(timed(stream, noise) for _ in range(10))
    worst, last = 0.0, 0
    for second in range(20):
        worst = max(worst, min(timed(copy.deepcopy(stream), silence) for _ in range(3)))
        stream.process(silence)
        state = stream.memory.state
        if state.input_ring.any() or state.diffuser_ring.any() or state.line_ring.any():
            last = second + 1
    print(
        f"decaying tail: worst second costs {worst / loud:.2f} of a loud one; "
        f"exact zeros after {last} s (decay 0.5 s)"
    )


def timed(stream: object, block: np.ndarray) -> float:
    began = time.process_time()
    stream.process(block)  # type: ignore[attr-defined]
    return time.process_time() - began


def decay() -> None:
    print(
        "decay, error in %: octave readings of the design, and measured (T30 of the mean energy), 125 Hz ... 8 kHz"
    )
    for targets, seeds in [
        ((0.2,) * 7, 40),
        ((0.5,) * 7, 24),
        ((2.0,) * 7, 6),
        ((12.0,) * 7, 2),
        (SLOPE_SECONDS, 6),
        (HALL_SECONDS, 6),
        (tuple(12.8 * 0.5**band for band in range(7)), 3),
        (tuple(0.2 * 2.0**band for band in range(7)), 3),
    ]:
        reverb = FdnReverb(decay_by_band_seconds=by_band(targets))
        began = time.perf_counter()
        memory = reverb.stream(sample_rate=RATE, channels=2).memory
        spent = time.perf_counter() - began
        network, read = memory.network, np.zeros(9)
        read_decays(network.filters, network.delays[LINE_DELAY], float(RATE), 9, memory.scratch, read)
        designed = read[1:8]
        off = 100.0 * np.max(np.abs(designed / np.array(targets) - 1.0))
        found = np.pad(responses(reverb, 0.8 * max(targets) + 0.2, seeds), ((0, 0), (4_000, 0)))
        errors = []
        for band, target in zip(BANDS_HZ, targets, strict=True):
            octave = butter(3, [band / 2**0.5, band * 2**0.5], "band", fs=RATE, output="sos")
            filtered = sosfiltfilt(octave, found, axis=1)
            energy = np.mean(filtered**2 / np.sum(filtered**2, axis=1, keepdims=True), axis=0)
            errors.append(100.0 * (measure_rt60(np.sqrt(energy), RATE, decay_db=30) / target - 1.0))
        print(
            f"  {targets[0]:4g} ... {targets[-1]:4g} s: {off:.3f}; {np.round(errors, 1)}; "
            f"designed in {1e3 * spent:.0f} ms"
        )


def density_and_colour() -> None:
    width = RATE // 50
    window = np.hanning(width) / np.hanning(width).sum()
    reached = []
    for response in responses(FdnReverb(decay_seconds=60.0, **FLAT), 0.3, 4):
        for centre in range(width // 2, response.size - width // 2, 48):
            part = response[centre - width // 2 : centre + width // 2]
            spread = np.sqrt(np.sum(window * part**2))
            if np.sum(window * (np.abs(part) > spread)) / erfc(0.5**0.5) > 0.9:
                reached.append(1e3 * centre / RATE)
                break
    print(f"echo density 0.9 after {np.mean(reached):.0f} ms, worst {max(reached):.0f} ms, of {len(reached)}")
    deviations, flatnesses = [], []
    for response in responses(FdnReverb(decay_seconds=2.0, **FLAT), 4.0, 4):
        spectrum = np.abs(np.fft.rfft(response, 2**19))
        frequency = np.fft.rfftfreq(2**19, 1.0 / RATE)
        power = spectrum[(frequency > 100.0) & (frequency < 20_000.0)] ** 2
        deviations.append(np.std(10.0 * np.log10(power)))
        flatnesses.append(10.0 * np.log10(np.exp(np.mean(np.log(power))) / power.mean()))
    print(f"level over frequency varies by {np.mean(deviations):.2f} dB, worst {max(deviations):.2f} (ideal 5.57)")
    print(f"spectral flatness {np.mean(flatnesses):.2f} dB, worst {min(flatnesses):.2f} (ideal -2.51)")
    alike = []
    for seed in range(8):
        for driven in ([0], [0, 1]):
            impulse = np.zeros((2, int(2.5 * RATE)))
            impulse[driven, 0] = 1.0
            tail = FdnReverb(room_seed=seed, wet_percent=100.0)(impulse, sample_rate=RATE)[:, RATE // 10 :]
            alike.append(abs(np.corrcoef(tail)[0, 1]))
    print(f"tails of left and right alike by {np.mean(alike):.3f}, worst {max(alike):.3f}")


def late_tails() -> None:
    print("roughness over frequency from 0.4 s to 60 dB down, decay taken out, Hann window, worst of two channels")
    for lines, decay, size in [
        (16, 2.4, 100.0),
        (16, 2.4, 25.0),
        (16, 2.4, 10.0),
        (8, 0.6, 10.0),
        (8, 30.0, 400.0),
    ]:
        found = []
        for modulation in (FdnReverb().modulation_percent, 0.0):
            reverb = FdnReverb(
                decay_seconds=decay, size_percent=size, lines=lines, modulation_percent=modulation, **FLAT
            )
            samples = int(decay * RATE)
            tails = responses(reverb, 0.4 + decay, 1)[:2, -samples:]
            window = np.hanning(samples) * 10.0 ** (3.0 * np.arange(samples) / samples)
            level = 20.0 * np.log10(np.abs(np.fft.rfft(tails * window)))
            frequency = np.fft.rfftfreq(samples, 1.0 / RATE)
            edges = np.geomspace(100.0, 20_000.0, 24)
            parts = [level[:, (frequency >= a) & (frequency < b)] for a, b in pairwise(edges)]
            found.append(np.sqrt(np.mean([np.var(part, axis=1).max() for part in parts])))
        print(
            f"  {lines:2d} lines {decay:4.1f} s {size:3.0f} %: {found[0]:.1f} dB, modulation 0 {found[1]:.1f} dB"
        )


def main() -> None:
    speed()
    denormals()
    decay()
    density_and_colour()
    late_tails()


if __name__ == "__main__":
    main()
