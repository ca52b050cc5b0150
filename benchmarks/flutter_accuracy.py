"""How exactly flutter, amplitude and level are read, and how long it takes: one line a figure.

Run with ``python benchmarks/flutter_accuracy.py``. The tests hold the bounds; this prints what is measured.
"""

import math
import time

import numpy as np

from measure.parts.detectors import quasi_peak
from measure.parts.signals import Modulation, modulated_tone, tone
from measure.parts.weighting import flutter_network
from measure.quantities.amplitude import amplitude_fluctuation
from measure.quantities.flutter import flutter, scrape_flutter
from measure.quantities.level import level, noise, true_peak

RATE = 48_000


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
    speed()


if __name__ == "__main__":
    main()
