"""How exactly distortion, decay and response are read, and how long the bench takes: one line a figure.

Run with ``python benchmarks/distortion_decay_accuracy.py``. The tests hold the bounds; this prints the figures.
"""

import math
import time

import numpy as np

import measure
from measure.parts.decay_bands import band_envelope, bands_of
from measure.parts.decay_fit import fit_decay
from measure.parts.decay_model import NEPERS
from measure.parts.signals import two_tones
from measure.quantities.decay import decay_from_impulse, decay_from_noise
from measure.quantities.distortion import (
    distortion_against_frequency,
    harmonic_distortion,
    modulation_distortion,
    operating_level,
    thd_plus_noise,
)
from measure.quantities.response import frequency_response

RATE = 48_000
FLOOR = 10.0 ** (-96 / 20) / math.sqrt(2.0)


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def harmonics() -> None:
    rng = np.random.default_rng(1)
    n = np.arange(2 * RATE)
    u = 0.12 / 1.09
    worst_third = worst_thd = 0.0
    for frequency in np.exp(rng.uniform(math.log(60.0), math.log(6_000.0), 40)):
        x = np.sin(2.0 * np.pi * frequency / RATE * n + rng.uniform(-3, 3))
        y = x - u * x**3 + FLOOR * rng.standard_normal(len(n))
        result = harmonic_distortion(y, RATE)
        worst_third = max(worst_third, abs(result.harmonic(3).value - db(0.03)))
        worst_thd = max(worst_thd, abs(db(result.thd_f.value / 3.0)))
    print(
        f"3 % cubic, 40 frequencies 60 Hz to 6 kHz, floor -96 dB: THD {worst_thd:.1e} dB, "
        f"h3 {worst_third:.1e} dB off"
    )
    angle = 2.0 * np.pi * 1000.0 * n / RATE + 0.5 * np.sin(2.0 * np.pi * 4.0 * n / RATE)
    x = np.sin(angle)
    value = harmonic_distortion(x - u * x**3 + FLOOR * rng.standard_normal(len(n)), RATE).thd_f.value
    print(f"the same with 0.2 % flutter at 4 Hz: {value:.5f} %")
    x = np.sin(2.0 * np.pi * 997.3 * n / RATE)
    value = thd_plus_noise(x + 0.03 * np.sin(3.0 * 2.0 * np.pi * 997.3 * n / RATE), RATE).value
    expected = 3.0 * 8.0 / math.hypot(8.0, 1.5) / math.sqrt(1.0009)
    print(f"THD+N of a 3 % third harmonic, notch of Q 2: {value:.5f} %, formula {expected:.5f} %")
    level = operating_level(lambda audio, _: np.tanh(audio), RATE).value
    print(f"operating level of tanh: {level - db(0.6287864):.1e} dB off")
    y = two_tones(RATE, low_hz=60.0, high_hz=7_000.0, low_to_high=4.0, level_dbfs=0.0)
    value = modulation_distortion(y + 0.2 * y**2, RATE).second.value
    print(f"modulation distortion of a square law: {value:.6f} %, formula {200.0 * 0.2 * 0.16 / 0.2:.6f} %")
    swept = distortion_against_frequency(
        lambda audio, _: audio + 0.01 * (2.0 * audio**2 - 1.0), RATE, level_dbfs=0.0, high_hz=7_000.0
    ).orders[0]
    inner = (swept.x > 100.0) & (swept.x < 6_000.0)
    print(f"1 % second harmonic by sweep, 100 Hz to 6 kHz: {np.max(np.abs(swept.y[inner] - 1.0)):.1e} % off")


def decays() -> None:
    rate, seconds, runs = 16_000, 1.2, 400
    n = 3 * rate
    shape = 10.0 ** (-3.0 * np.arange(n) / rate / seconds)
    rng = np.random.default_rng(1)
    chosen = [band for band in bands_of("octave", rate) if band.centre_hz in (1_000.0, 4_000.0)]
    found: dict[str, list[float]] = {band.name: [] for band in chosen}
    for _ in range(runs):
        h = rng.standard_normal(n) * shape + 10.0 ** (-45 / 20) * rng.standard_normal(n)
        for band in chosen:
            fit, _ = fit_decay(band_envelope(h, rate, band), band, 0.0)
            if fit is not None:
                found[band.name].append(NEPERS / float(fit.single.rates[0]))
    for band in chosen:
        bound = seconds / NEPERS * math.sqrt(12.0 / ((band.high_hz - band.low_hz) * 0.9**3))
        values = np.array(found[band.name]) / seconds
        print(
            f"fit of 1.2 s over -45 dB, {band.name}, {runs} runs: bias {100 * (values.mean() - 1):+.3f} %, "
            f"spread {100 * values.std():.3f} % = {values.std() / bound:.3f} of the bound"
        )
    h = rng.choice([-1.0, 1.0], 2 * RATE) * 10.0 ** (-3.0 * np.arange(2 * RATE) / RATE)
    band = decay_from_impulse(h, RATE, bands="broadband").bands[0]
    print(f"1 s of random signs: T20 {band.t20.value:.4f} s, T30 {band.t30.value:.4f} s")
    h = rng.standard_normal(3 * RATE) * 10.0 ** (-1.5 * np.arange(3 * RATE) / RATE)
    h /= np.sqrt(np.sum(h**2))
    for drive_db in (-40, 0, 20):

        def driven(audio: np.ndarray, _: float, gain: float = 10.0 ** (drive_db / 20)) -> np.ndarray:
            size = 1 << (len(audio) + len(h)).bit_length()
            wet = np.fft.irfft(np.fft.rfft(audio, size) * np.fft.rfft(h, size), size)[: len(audio)]
            return np.tanh(gain * wet / (10.0 ** (-18 / 20) / math.sqrt(2.0)))

        band = decay_from_noise(driven, RATE, bands="broadband", burst_seconds=2.5).bands[0]
        print(
            f"2 s decay into tanh at {drive_db:+d} dB: EDT {band.edt.value:.2f}, T20 {band.t20.value:.2f}, "
            f"T30 {band.t30.value:.2f} s"
        )


def response() -> None:
    def delayed(audio: np.ndarray, _: float) -> np.ndarray:
        size = 1 << (2 * len(audio)).bit_length()
        turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * 100.37)
        return -np.fft.irfft(np.fft.rfft(audio, size) * turn, size)[: len(audio)]

    found = frequency_response(delayed, RATE)
    print(
        f"delay of 100.37 samples, inverted: {found.latency_samples.value:.6f} samples, {found.polarity.value:+g}"
    )


def bench() -> None:
    start = time.perf_counter()
    measure.bench(lambda audio, _: np.tanh(audio))
    print(f"bench of a shaper: {time.perf_counter() - start:.1f} s")


def main() -> None:
    harmonics()
    decays()
    response()
    bench()


if __name__ == "__main__":
    main()
