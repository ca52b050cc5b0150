"""How exactly flutter, amplitude and level are read, and how long it takes: one line a figure.

Run with ``python benchmarks/flutter_accuracy.py``. The tests hold the bounds; this prints what is measured.
"""

import math
import time

import numpy as np
from scipy.interpolate import CubicSpline

from measure.parts.detectors import quasi_peak
from measure.parts.signals import Modulation, modulated_tone, tone
from measure.parts.weighting import flutter_network, raised_cosine
from measure.quantities.amplitude import amplitude_fluctuation
from measure.quantities.flutter import flutter, scrape_flutter
from measure.quantities.level import level, noise, true_peak

RATE = 48_000
TRIAL_RATE = 8_000


def deviating(rate_hz: float, peak: float, *, seconds: float = 20.0, carrier: float = 3150.0) -> np.ndarray:
    speed = [Modulation(rate_hz=rate_hz, peak_percent=peak, phase_radians=0.3)]
    return modulated_tone(carrier, duration_seconds=seconds, sample_rate=RATE, speed=speed)


def bias() -> None:
    worst = {"rms": 0.0, "two_sigma": 0.0, "mean": 0.0}
    truth = {"rms": math.sqrt(0.5), "two_sigma": math.cos(0.025 * math.pi), "mean": 2 / math.pi}
    for rate_hz in (0.2, 0.5, 1, 4, 30, 100, 180):
        readings = flutter(deviating(rate_hz, 0.1), RATE).unweighted
        for kind in worst:
            worst[kind] = max(worst[kind], abs(20 * math.log10(readings[kind].value / (0.1 * truth[kind]))))
    print("bias of sinusoidal deviation, 0.2 to 180 Hz:", ", ".join(f"{k} {v:.1e} dB" for k, v in worst.items()))


def floor() -> None:
    clean = tone(3150, duration_seconds=20, sample_rate=RATE, level_dbfs=0)
    for snr in (40, 60, 80):
        variance = 0.5 * 10 ** (-snr / 10)
        bound = 100 / 3150 * math.sqrt(2 * (2 * variance / RATE) * 200**3 / 3)
        squares = []
        for seed in range(12):
            disturbed = clean + math.sqrt(variance) * np.random.default_rng(seed).standard_normal(clean.size)
            squares.append(flutter(disturbed, RATE).unweighted["rms"].value ** 2)
        value = math.sqrt(np.mean(squares))
        print(f"noise floor at {snr} dB: {value:.3e} %, bound {bound:.3e} %, ratio {value / bound:.4f} (12 seeds)")


def amplitude() -> None:
    uneven = [Modulation(rate_hz=4, peak_percent=0.1)]
    signal = modulated_tone(3150, duration_seconds=20, sample_rate=RATE, amplitude=uneven)
    print(f"0.1 % of amplitude modulation reads {flutter(signal, RATE).unweighted['peak'].value:.1e} % of flutter")
    read = amplitude_fluctuation(signal, RATE).channels[0].depth["peak"].value
    print(f"and {read:.9f} % of amplitude fluctuation")


def pulses() -> None:
    rate = 4000
    at = np.arange(16 * rate) / rate
    response = flutter_network(np.fft.rfftfreq(at.size, 1 / rate))
    readings = []
    for length in (0.01, 0.03, 0.06, 0.1):
        pulse = 2.0 * (np.remainder(at, 1.0) < length)
        pointer = quasi_peak(np.fft.irfft(np.fft.rfft(pulse) * response, at.size), rate)[8 * rate :]
        readings.append(100 * pointer.max())
    readings.append(100 * pointer.min())
    print(
        "quasi-peak, pulses of 10, 30, 60, 100 ms and fall:", ", ".join(f"{value:.1f}" for value in readings), "%"
    )


def scrape() -> None:
    for rate_hz in (100, 1000, 5000):
        value = scrape_flutter(deviating(rate_hz, 0.05, seconds=10, carrier=12_500), RATE).unweighted["rms"].value
        print(f"scrape flutter at {rate_hz} Hz: {20 * math.log10(value / 0.05 * math.sqrt(2)):+.5f} dB")


def peaks() -> None:
    index = np.arange(RATE // 2)
    fade = np.minimum(1, np.minimum(index, index[::-1]) / 480)
    values = []
    for ratio, size, phase in ((4, 0.5, 0), (4, 0.5, 45), (6, 0.5, 60), (8, 0.5, 67.5), (4, 1.41, 45)):
        sine = size * np.sin(2 * np.pi * index / ratio + math.radians(phase))
        values.append(20 * math.log10(true_peak(sine * fade)))
    print("true-peak cases 15 to 19:", ", ".join(f"{value:.3f}" for value in values), "dBTP")


def wandering(slope: float, lines: tuple[tuple[float, float], ...], seconds: float, seed: int) -> np.ndarray:
    """A tone with Gaussian deviation of a density that falls with rate^slope from 0.03 to 100 Hz, plus lines."""
    rng = np.random.default_rng(seed)
    base, total = 1000, max(100, round(4 * seconds))
    f = np.arange(total * base // 2 + 1) / total
    drawn = (rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)) * 0.5
    drawn *= np.sqrt(law(f, slope) * total) * base
    drawn[1:] /= 2j * np.pi * f[1:]
    late = np.fft.irfft(drawn, total * base)[: round((seconds + 0.1) * base)]
    time_axis = np.arange(round(seconds * TRIAL_RATE)) / TRIAL_RATE
    late = CubicSpline(np.arange(late.size) / base, late)(time_axis)
    for rate_hz, share in lines:
        late = late - share * np.cos(2 * np.pi * rate_hz * time_axis + rng.uniform(0, 6)) / (2 * np.pi * rate_hz)
    return 0.5 * np.sin(2 * np.pi * 3150 * (time_axis + late))


def law(frequency: np.ndarray, slope: float) -> np.ndarray:
    """One-sided density of the deviation, as a share squared per Hz."""
    inside = (frequency > 0.03) & (frequency < 100)
    return np.where(inside, 1e-7 / np.maximum(frequency, 0.01) ** slope * (0.1 if slope == 0 else 1.0), 0.0)


def truth(slope: float, lines: tuple[tuple[float, float], ...], *, weighted: bool) -> dict[str, float]:
    """RMS, mean and two-sigma in %, from the law, the filter and a million draws of phase and noise."""
    f = np.concatenate([np.linspace(0.001, 3, 20_000, endpoint=False), np.linspace(3, 110, 40_000)])

    def gain(at: np.ndarray) -> np.ndarray:
        return np.abs(flutter_network(at)) if weighted else raised_cosine(at, 0.2 * (1 - 1e-5), 0.1)

    sigma = math.sqrt(np.trapezoid(law(f, slope) * gain(f) ** 2, f))
    rng = np.random.default_rng(0)
    drawn = sigma * rng.standard_normal(1_000_000)
    for rate_hz, share in lines:
        drawn += share * gain(np.array([rate_hz]))[0] * np.sin(rng.uniform(0, 2 * np.pi, drawn.size))
    drawn = 100 * np.abs(drawn)
    return {
        "rms": float(np.sqrt(np.mean(drawn**2))),
        "mean": float(np.mean(drawn)),
        "two_sigma": float(np.quantile(drawn, 0.95)),
    }


def coverage(trials: int = 200) -> None:
    """How many of the stated intervals hold the truth: 68 and 95 % are promised for one and two sigma."""
    several = ((0.55, 6e-4), (5.1, 8e-4), (24.3, 2e-4))
    for name, slope, lines in (
        ("flat", 0.0, ()),
        ("1/f", 1.0, ()),
        ("1/f^1.5", 1.5, ()),
        ("1/f and lines", 1.0, several),
        ("flat and lines", 0.0, several),
        ("1/f, strong line", 1.0, ((1.3, 3e-3),)),
    ):
        for seconds in (10.5, 20, 60):
            exact = {
                f"{group} {kind}": value
                for group in ("weighted", "unweighted")
                for kind, value in truth(slope, lines, weighted=group == "weighted").items()
            }
            hits: dict[str, list[float]] = {key: [] for key in exact}
            for seed in range(trials):
                result = flutter(wandering(slope, lines, seconds, seed), TRIAL_RATE)
                for key, value in exact.items():
                    group, kind = key.split(" ")
                    reading = getattr(result, group)[kind]
                    hits[key].append((reading.value - value) / reading.uncertainty)
            for key, off in hits.items():
                within = np.abs(np.array(off))
                print(
                    f"{name}, {seconds:g} s, {key}: {100 * np.mean(within < 1):.0f} % within one sigma, "
                    f"{100 * np.mean(within < 2):.1f} % within two, mean {np.mean(off):+.2f} ({trials} trials)",
                    flush=True,
                )


def speed() -> None:
    steady = deviating(4, 0.1) + 1e-3 * np.random.default_rng(0).standard_normal(20 * RATE)
    high = deviating(700, 0.1, seconds=10, carrier=12_500)
    music = 0.1 * np.random.default_rng(0).standard_normal((2, 20 * RATE))
    for name, job in (
        ("flutter of 20 s", lambda: flutter(steady, RATE)),
        ("scrape flutter of 10 s", lambda: scrape_flutter(high, RATE)),
        ("amplitude of 20 s, one channel", lambda: amplitude_fluctuation(steady, RATE)),
        ("level of 20 s, two channels", lambda: level(music, RATE)),
        ("noise of 20 s, two channels", lambda: noise(music, RATE)),
    ):
        job()
        best = math.inf
        for _ in range(3):
            start = time.perf_counter()
            job()
            best = min(best, time.perf_counter() - start)
        print(f"{name}: {best:.3f} s")


def main() -> None:
    bias()
    floor()
    amplitude()
    pulses()
    scrape()
    peaks()
    coverage()
    speed()


if __name__ == "__main__":
    main()
