"""How often two sigma hold the truth of the readings that have no benchmark of their own: 40 trials a line.

Run with ``python benchmarks/readings_coverage.py [TRIALS] [FIRST_SEED] [WORD ...]``; words choose the groups whose
names hold one of them. Truths are those of what each recording is made of. Forty trials tell a share to 3.4 %,
and an uncertainty that is wrong by a factor of two at once: then "error / uncertainty" is beyond 0.5 to 2. Where a
reading says that its uncertainty is mostly a bound, the goal is 100 %.
"""

import math
import sys
from collections import defaultdict
from collections.abc import Callable, Iterator
from functools import cache, partial

import numpy as np
from scipy import signal as sp
from scipy.optimize import brentq
from shares import share_line

import measure
from measure.parts.signals import print_through_burst
from measure.quantities.crosstalk import crosstalk_of_tracks
from measure.quantities.print_through import print_through_of_recording
from measure.results import Reading

RATE = 16_000.0
Found = Iterator[tuple[str, Reading, float]]


def shaped(
    rng: np.random.Generator, seconds: float, rate: float, density: Callable[[np.ndarray], np.ndarray]
) -> np.ndarray:
    """Gaussian noise of a one-sided density per Hz, cut out of one four times as long."""
    count = round(seconds * rate)
    f = np.fft.rfftfreq(4 * count, 1.0 / rate)
    drawn = rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)
    drawn *= np.sqrt(density(f) * rate * count) * np.where(f > 0.0, 1.0, 0.0)
    return np.asarray(np.fft.irfft(drawn, 4 * count)[:count])


def a_gain(f: np.ndarray) -> np.ndarray:
    """A-weighting, from its poles (IEC 61672-1, from memory)."""
    s = np.square(f)
    gain = 12194.0**2 * s**2 / ((s + 20.6**2) * np.sqrt((s + 107.7**2) * (s + 737.9**2)) * (s + 12194.0**2))
    return np.asarray(gain * 10.0**0.1)


def noise_levels(rng: np.random.Generator) -> Found:
    f = np.linspace(20.0, 20_000.0, 200_000)
    every = np.linspace(1.0, 24_000.0, 240_000)
    for name, density in (
        ("white", lambda f: np.full(f.size, 1e-10)),
        ("pink", lambda f: 1e-8 / np.maximum(f, 10.0)),
    ):
        found = measure.noise(shaped(rng, 1.0, 48_000.0, density), 48_000.0)
        power = float(np.trapezoid(density(f), f))
        weighted = float(np.trapezoid(density(every) * a_gain(every) ** 2, every))
        yield f"unweighted noise, {name}, 1 s", found.unweighted[0], 10.0 * math.log10(2.0 * power)
        yield f"A-weighted noise, {name}, 1 s", found.a_weighted[0], 10.0 * math.log10(2.0 * weighted)


def noise_quasi_peak(rng: np.random.Generator) -> Found:
    """The truth is the mean over the trials: what noise of that duration reads on average."""
    for seconds, low, high in ((3.0, 0.0, 24e3), (10.0, 0.0, 24e3), (2.0, 975.0, 1025.0), (3.0, 975.0, 1025.0)):
        drawn = shaped(rng, seconds, 48_000.0, partial(between, low=low, high=high))
        label = f"noise by BS.468, {low:g} to {high:g} Hz, {seconds:g} s"
        yield label, measure.noise(drawn, 48_000.0).itu468[0], math.nan


def between(f: np.ndarray, *, low: float, high: float) -> np.ndarray:
    """Density of noise that is even from one frequency to another."""
    return np.asarray(1e-10 * ((f >= low) & (f <= high)))


def noise_by_bands(rng: np.random.Generator) -> Found:
    curve = measure.noise_bands(shaped(rng, 2.0, RATE, lambda f: 1e-8 / np.maximum(f, 5.0)), RATE).levels
    assert curve.uncertainty is not None
    for x, y, doubt in zip(curve.x, curve.y, curve.uncertainty, strict=True):
        if math.isfinite(y):
            reading = Reading(quantity="band", value=y, unit="dB", method="", uncertainty=doubt)
            label = "third octaves up to 100 Hz" if x < 110.0 else "third octaves above"
            yield label, reading, 10.0 * math.log10(2.0 * 1e-8 * math.log(10.0**0.1))


def tone(
    rng: np.random.Generator, hz: float, seconds: float, rate: float, wow: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """A tone's turn and time, with wow of a peak share at 4 Hz and 1/f flutter of about half of that."""
    time = np.arange(round(seconds * rate)) / rate
    late = wow * np.sin(2.0 * np.pi * 4.0 * time + rng.uniform(0.0, 6.0)) / (2.0 * np.pi * 4.0)
    if wow > 0.0:
        late = (
            late
            + np.cumsum(shaped(rng, seconds, rate, lambda f: 0.05 * wow**2 / np.maximum(f, 0.5) * (f < 50.0)))
            / rate
        )
    return 2.0 * np.pi * hz * (time + late) + rng.uniform(0.0, 6.0), time


def crosstalk(rng: np.random.Generator) -> Found:
    for hz, seconds, wow, hiss in (
        (1_000.0, 1.0, 0.0, 3e-4),
        (1_000.0, 5.0, 2e-3, 3e-4),
        (125.0, 2.0, 2e-3, 1e-3),
    ):
        turn, _ = tone(rng, hz, seconds, RATE, wow)
        driven = 0.3 * np.cos(turn)
        silent = 10.0 ** (-50.0 / 20.0) * 0.3 * np.cos(turn + 1.0)
        driven, silent = (each + hiss * rng.standard_normal(turn.size) for each in (driven, silent))
        yield (
            f"crosstalk, {hz:g} Hz, {seconds:g} s, wow {100 * wow:g} %",
            crosstalk_of_tracks(driven, silent, RATE, frequency_hz=hz),
            -50.0,
        )


def even(f: np.ndarray, *, power: float, highest: float) -> np.ndarray:
    """Density of noise of a given power, alike up to a frequency."""
    return np.asarray(power / highest * (f < highest))


def falling(f: np.ndarray, *, power: float, highest: float) -> np.ndarray:
    """Density of 1/f noise from 0.03 Hz up to a frequency."""
    return np.asarray(power / math.log(highest / 0.03) / np.maximum(f, 0.03) * (f > 0.03) * (f < highest))


def azimuth(rng: np.random.Generator) -> Found:
    wide = (("steady, hiss", 0.0, 1.0), ("wander to 12 Hz", 12.0, 5.0), ("wander to 1 Hz", 1.0, 5.0))
    for name, highest, rms in wide:
        seconds = 8.0
        turn, time = tone(rng, 1_000.0, seconds, RATE, 1e-3)
        wander = np.zeros(time.size)
        if highest:
            wander = shaped(rng, seconds, RATE, partial(even, power=(rms * 1e-6) ** 2, highest=highest))
        second = np.cos(turn - 2.0 * np.pi * 1_000.0 * (20e-6 + wander))
        both = np.stack([np.cos(turn), second]) + 3e-3 * rng.standard_normal((2, time.size))
        found = measure.azimuth(both, RATE, frequency_hz=1_000.0)
        yield f"azimuth, delay, {name}", found.delay, 20.0
        if highest == 1.0:
            yield f"azimuth, wander, {name}", found.wander, 1.96 * rms


def speed_error(rng: np.random.Generator) -> Found:
    for name, density in (("flat", even), ("1/f", falling)):
        for seconds in (12.0, 30.0):
            law = partial(density, power=1e-6, highest=50.0)
            late = np.cumsum(shaped(rng, seconds, 8_000.0, law)) / 8_000.0
            time = np.arange(late.size) / 8_000.0
            found = measure.flutter(np.sin(2.0 * np.pi * 3_150.0 * (1.002 * time + late)), 8_000.0)
            yield f"speed error under {name}, {seconds:g} s", found.speed_error, 0.2


def modulation_noise(rng: np.random.Generator) -> Found:
    for seconds, hiss in ((1.5, 0.0), (4.0, 1e-3)):
        turn, _ = tone(rng, 5_000.0, seconds, RATE, 1e-3)
        rough = shaped(rng, seconds, RATE, lambda f: 1e-4 / (1.0 + (f / 100.0) ** 2) / 100.0)
        y = 0.3 * (1.0 + rough) * np.cos(turn) + hiss * rng.standard_normal(turn.size)
        quiet = hiss * rng.standard_normal(turn.size)
        power = 1e-4 * (math.atan(5.0) - math.atan(0.2))
        yield (
            f"modulation noise, {seconds:g} s, hiss {hiss:g}",
            measure.modulation_noise(y, RATE, silence=quiet),
            10.0 * math.log10(power),
        )


def print_through(rng: np.random.Generator) -> Found:
    burst = print_through_burst(RATE, level_dbfs=0.0, silence_seconds=2.5)
    for hiss in (1e-3, 1e-2):
        y = burst + hiss * rng.standard_normal(burst.size)
        y[:-12_000] += 10.0 ** (-45.0 / 20.0) * burst[12_000:]
        y[12_000:] += 10.0 ** (-40.0 / 20.0) * burst[:-12_000]
        found = print_through_of_recording(y, RATE)
        yield f"print-through before, hiss {hiss:g}", found.pre, -45.0
        yield f"print-through after, hiss {hiss:g}", found.post, -40.0
        yield f"its distance before, hiss {hiss:g}", found.pre_seconds, 0.75
        yield f"its distance after, hiss {hiss:g}", found.post_seconds, 0.75


def hissing(
    x: np.ndarray,
    rate: float,
    *,
    curve: Callable[[np.ndarray], np.ndarray],
    hiss: float,
    rng: np.random.Generator,
) -> np.ndarray:
    """A system that adds noise of a given RMS to what a curve or a filter makes of the sound."""
    return curve(x) + hiss * rng.standard_normal(x.shape)


def harmonic(curve: Callable[[np.ndarray], np.ndarray], peak: float, order: int) -> float:
    turn = 2.0 * np.pi * np.arange(4096) / 4096
    return float(2.0 * abs(np.mean(curve(peak * np.cos(turn)) * np.exp(-1j * order * turn))))


def cubic(x: np.ndarray) -> np.ndarray:
    return x - 0.05 * x**3


@cache
def saturated(curve: Callable[[np.ndarray], np.ndarray]) -> tuple[float, float, float]:
    """MOL and highest output in dB re -18 dBFS, and compression: the same for all trials, and dear."""

    def over(level_db: float) -> float:
        peak = 10.0 ** (level_db / 20.0)
        return abs(harmonic(curve, peak, 3)) - 0.03 * harmonic(curve, peak, 1)

    def gain(level_db: float) -> float:
        peak = 10.0 ** (level_db / 20.0)
        return 20.0 * math.log10(harmonic(curve, peak, 1) / peak)

    level_db = brentq(over, -18.0, 12.0, xtol=1e-9)
    less = gain(level_db) - gain(level_db - 20.0)
    out = [harmonic(curve, peak, 1) for peak in 10.0 ** (np.linspace(-18.0, 12.0, 3001) / 20.0)]
    # The hyperbolic tangent rises on, towards a square wave.
    highest = 4.0 / math.pi if curve is np.tanh else max(out)
    return level_db + gain(level_db) + 18.0, 20.0 * math.log10(highest) + 18.0, less


def saturation(rng: np.random.Generator) -> Found:
    for name, curve in (("tanh", np.tanh), ("cubic", cubic)):
        mol, sol, less = saturated(curve)
        for hiss in (1e-3, 1e-2):
            system = partial(hissing, curve=curve, hiss=hiss, rng=rng)
            levels = tuple(range(-6, 31, 3))
            found = measure.saturation(system, RATE, frequencies_hz=(1_000.0,), levels_db=levels).tones["1000hz"]
            label = f"{name}, hiss {hiss:g}"
            yield f"MOL, {label}", found.mol, mol
            yield f"compression, {label}", found.compression, less
            yield f"SOL, {label}", found.sol, sol


def response(rng: np.random.Generator) -> Found:
    rate = 48_000.0
    sections = sp.butter(2, [60.0, 9_000.0], "bandpass", fs=rate, output="sos")
    _, at = sp.sosfreqz(sections, worN=[1_000.0, 100.0, 10_000.0], fs=rate)
    size = 20.0 * np.log10(np.abs(at))
    dense = np.geomspace(20.0, 20_000.0, 200_000)
    level = 20.0 * np.log10(np.abs(sp.sosfreqz(sections, worN=dense, fs=rate)[1])) - size[0]
    inside = np.flatnonzero(level > -3.0)
    # The gain by the slow sweep is the mean over a third octave.
    third = np.abs(np.log2(dense / 1_000.0)) < 1.0 / 6.0
    mean = float(10.0 * np.log10(np.mean(10.0 ** (level[third] / 10.0))) + size[0])
    for hiss in (1e-4, 1e-3):
        system = partial(hissing, curve=partial(sp.sosfilt, sections), hiss=hiss, rng=rng)
        fast = measure.frequency_response(system, rate)
        slow = measure.slow_response(system, rate, seconds=10.0)
        yield f"gain by sweep, hiss {hiss:g}", fast.gain, float(size[0])
        yield f"low edge by sweep, hiss {hiss:g}", fast.low_edge, float(dense[inside[0]])
        yield f"high edge by sweep, hiss {hiss:g}", fast.high_edge, float(dense[inside[-1]])
        yield f"gain by slow sweep, hiss {hiss:g}", slow.gain, mean
        yield f"low edge by slow sweep, hiss {hiss:g}", slow.low_edge, float(dense[inside[0]])
        yield f"high edge by slow sweep, hiss {hiss:g}", slow.high_edge, float(dense[inside[-1]])
        yield f"100 Hz by slow sweep, hiss {hiss:g}", slow.at(100.0), float(size[1] - size[0])
        yield f"10 kHz by slow sweep, hiss {hiss:g}", slow.at(10_000.0), float(size[2] - size[0])


def amplitude(rng: np.random.Generator) -> Found:
    for seconds in (12.0, 30.0):
        rate = 8_000.0
        turn, _ = tone(rng, 3_150.0, seconds, rate, 1e-3)
        rough = shaped(rng, seconds, rate, lambda f: 1e-5 / np.maximum(f, 0.02) * (f < 100.0))
        found = measure.amplitude_fluctuation(0.3 * (1.0 + rough) * np.cos(turn), rate).channels[0]
        f = np.geomspace(0.05, 100.0, 100_000)
        edge = np.clip((f - 0.1) / 0.1, 0.0, 1.0)
        rms = 100.0 * math.sqrt(np.trapezoid(1e-5 / f * np.square(0.5 - 0.5 * np.cos(np.pi * edge)), f))
        yield f"amplitude fluctuation, RMS, {seconds:g} s", found.depth["rms"], rms
        yield f"amplitude fluctuation, two-sigma, {seconds:g} s", found.depth["two_sigma"], 1.96 * rms


def true_peaks(rng: np.random.Generator) -> Found:
    """Lines up to 0.44 of the rate under a fade; the peak between the samples is that of a denser grid."""
    count, dense = 2_000, 64
    share, turn = rng.uniform(0.05, 0.44, 6), rng.uniform(0.0, 6.0, 6)
    place = np.arange(count * dense) / dense
    fade = np.square(np.sin(np.pi * place / count))
    y = fade * np.sum(np.cos(2.0 * np.pi * share[:, None] * place + turn[:, None]), axis=0) / 8.0
    yield "true peak", measure.level(y[::dense], RATE).true_peak[0], 20.0 * math.log10(float(np.max(np.abs(y))))


def other_distortion(rng: np.random.Generator) -> Found:
    rate = 48_000.0
    time = np.arange(round(rate)) / rate
    low, high = 2.0 * np.pi * 60.0 * time, 2.0 * np.pi * 7_000.0 * time
    sides = np.cos(high + low) + np.cos(high - low)
    two = 0.4 * np.cos(low) + 0.1 * np.cos(high) + 0.1 * 0.005 * sides + 1e-3 * rng.standard_normal(time.size)
    found = measure.modulation_distortion(two, rate)
    yield "modulation distortion, second", found.second, 1.0


GROUPS = {
    each.__name__: each
    for each in (
        noise_levels,
        noise_quasi_peak,
        noise_by_bands,
        crosstalk,
        azimuth,
        speed_error,
        modulation_noise,
        print_through,
        saturation,
        response,
        amplitude,
        true_peaks,
        other_distortion,
    )
}


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    words = sys.argv[3:]
    for name, group in GROUPS.items():
        if words and not any(word in name for word in words):
            continue
        found, bounds = defaultdict(list), defaultdict(list)
        for seed in range(first, first + trials):
            for label, reading, truth in group(np.random.default_rng(seed)):
                found[label].append((reading.value, reading.uncertainty, truth))
                bounds[label].append("bound" in reading.uncertainty_basis)
        for label, rows in found.items():
            values, doubts, truths = np.array(rows).T
            truths = np.where(np.isnan(truths), np.nanmean(values), truths)
            said = f"{label} (says that it is a bound)" if np.mean(bounds[label]) > 0.5 else label
            print(share_line(said, values, doubts, truths), flush=True)


if __name__ == "__main__":
    main()
