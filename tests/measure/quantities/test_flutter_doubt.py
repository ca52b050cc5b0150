"""What flutter figures claim of their own uncertainty, and recordings that would give a plausible wrong figure.

All recordings are made here: deviations of a known law, integrated to a phase in the spectrum, so that the truth
is a sum over the law times the filter, or a closed form.
"""

import math

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.stats import beta

from measure.parts.fluctuation import chi_square_doubt
from measure.parts.mixture import Mixture
from measure.parts.steady_lines import decompose
from measure.parts.weighting import flutter_network, raised_cosine
from measure.quantities.flutter import flutter

FS = 8000
CARRIER = 3150.0
SINE = 0.1 * math.cos(0.025 * math.pi)  # two-sigma of a sine of 0.1 %
LAWS = {
    "flat": lambda f: np.where(f < 100.0, 1e-8, 0.0),
    "1/f": lambda f: np.where((f > 0.03) & (f < 100.0), 1e-7 / np.maximum(f, 0.01), 0.0),
}


def wandering(law: str, seconds: float, seed: int, lines: tuple[tuple[float, float], ...] = ()) -> np.ndarray:
    """A tone with Gaussian deviation of one-sided density `law`, cut out of 100 s, plus lines (rate, share)."""
    rng = np.random.default_rng(seed)
    base, total = 1000, 100
    f = np.arange(total * base // 2 + 1) / total
    drawn = (rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)) * 0.5
    drawn *= np.sqrt(LAWS[law](f) * total) * base
    drawn[1:] /= 2j * np.pi * f[1:]
    drawn[0] = 0.0
    late = np.fft.irfft(drawn, total * base)[: round((seconds + 0.1) * base)]
    time = np.arange(round(seconds * FS)) / FS
    late = CubicSpline(np.arange(late.size) / base, late)(time)
    for rate_hz, share in lines:
        late = late - share * np.cos(2 * np.pi * rate_hz * time + rng.uniform(0, 6)) / (2 * np.pi * rate_hz)
    return 0.5 * np.sin(2 * np.pi * CARRIER * (time + late))


def true_rms(law: str, lines: tuple[tuple[float, float], ...] = ()) -> float:
    """Weighted RMS in %, from the law and the weighting network."""
    f = np.concatenate([np.linspace(0.001, 3, 20_000, endpoint=False), np.linspace(3, 205, 40_000)])
    gain = np.square(raised_cosine(f, 200.0, 200.5) * np.abs(flutter_network(f)))
    power = np.trapezoid(LAWS[law](f) * gain, f)
    for rate_hz, share in lines:
        power += 0.5 * (share * abs(flutter_network(np.array([rate_hz]))[0])) ** 2
    return 100 * math.sqrt(power)


@pytest.mark.parametrize(
    ("lines", "law"),
    [
        pytest.param((), "flat", id="random-flat"),
        pytest.param((), "1/f", id="random-1/f", marks=pytest.mark.long),
        pytest.param(((0.55, 6e-4), (5.1, 8e-4)), "flat", id="mixed-flat", marks=pytest.mark.long),
        pytest.param(((0.55, 6e-4), (5.1, 8e-4)), "1/f", id="mixed-1/f"),
    ],
)
def test_the_doubt_is_neither_half_nor_double(law: str, lines: tuple[tuple[float, float], ...]) -> None:
    """Root mean square of the errors over that of the uncertainties, of 16 recordings of 10.5 s.

    It would be 1 for Gaussian errors, scatters by 18 %, and was 0.75 to 1.05 in 200 trials of the benchmark: half
    the uncertainty gives 1.5 to 2.1, twice of it 0.38 to 0.53.
    """
    truth = true_rms(law, lines)
    off, stated = [], []
    for seed in range(3000, 3016):
        reading = flutter(wandering(law, 10.5, seed, lines), FS, band_hz=(0.2, 110.0)).weighted["rms"]
        off.append(reading.value - truth)
        stated.append(reading.uncertainty)
    assert 0.57 < math.sqrt(np.mean(np.square(off)) / np.mean(np.square(stated))) < 1.35
    # Of 16 at least 12: a claim of 95 % fails that once in a thousand.
    assert np.sum(np.abs(off) < 2 * np.array(stated)) >= 12


@pytest.mark.parametrize("law", ["flat", "1/f"])
def test_scatter_of_a_random_deviation_covers_it(law: str) -> None:
    """200 deviations of 20 s drawn at 250 points a second: 92.5 to 98 % of two sigma hold the true RMS.

    In theory 95.45 % do; 200 trials tell that to 1.5 %. With chi-square of the same variance alone, without its
    skewness, 1/f fell to 91 %.
    """
    rate, points, total = 250.0, 5000, 64
    f = np.arange(round(total * rate) // 2 + 1) / total
    size = 0.5 * np.sqrt(LAWS[law](f) * total) * rate
    size[0] = 0.0

    def band(at: np.ndarray) -> np.ndarray:
        return raised_cosine(at, 110.0, 110.5) * raised_cosine(at, 0.2, 0.1)

    fine = np.linspace(0.01, 110.0, 200_001)
    truth = math.sqrt(np.trapezoid(LAWS[law](fine) * band(fine) ** 2, fine))
    errors, doubts = [], []
    for seed in range(3000, 3200):
        rng = np.random.default_rng(seed)
        drawn = size * (rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size))
        split = decompose(np.fft.irfft(drawn)[:points], rate, highest_hz=110.0, slowest_hz=0.2, lines=False)
        value = math.sqrt(np.mean(np.square(split.filtered(band, rate=rate)[0])))
        errors.append(value - truth)
        doubts.append(value * split.scatter(band, (), split.duration_seconds))
    assert 0.925 <= np.mean(np.abs(errors) < 2 * np.array(doubts)) <= 0.98
    # A constant and a chi-square part with the variance and the third cumulant of the law's mean square.
    power = LAWS[law](fine) * band(fine) ** 2
    second, third = np.trapezoid(power**2, fine) / 20.0, 2.0 * np.trapezoid(power**3, fine) / 20.0**2
    degrees = 8.0 * second**3 / third**2
    reach = math.sqrt(degrees * second / 2.0) * ((1.0 + 2.0 * chi_square_doubt(degrees)) ** 2 - 1.0)
    expected = 0.5 * (math.sqrt(1.0 + reach / truth**2) - 1.0)
    # What drift takes away, and the larger of two estimates, add 1 and 14 %; without the skewness 1/f reads 0.88.
    assert 0.95 < np.mean(doubts) / (expected * truth) < 1.2


def held_across_steps(fastest: float, trials: int) -> int:
    """Deviations of 12 s of which two sigma hold the true RMS.

    17.6 dB more below 0.5 Hz than above, and above 10 Hz a density of its own. The seeds are none of those on
    which the method's constants were chosen.
    """
    rate, points, total = 250.0, 3000, 48

    def law(f: np.ndarray) -> np.ndarray:
        steps = np.where(f < 0.5, 1e-7, np.where(f < 10.0, 1e-7 * 10**-1.76, fastest))
        return np.where((f > 0.03) & (f < 100.0), steps, 0.0)

    def band(at: np.ndarray) -> np.ndarray:
        return raised_cosine(at, 110.0, 110.5) * raised_cosine(at, 0.2, 0.1)

    size = 0.5 * np.sqrt(law(np.arange(round(total * rate) // 2 + 1) / total) * total) * rate
    fine = np.linspace(0.01, 110.0, 200_001)
    truth = math.sqrt(np.trapezoid(law(fine) * band(fine) ** 2, fine))
    held = 0
    for seed in range(9000, 9000 + trials):
        rng = np.random.default_rng(seed)
        drawn = size * (rng.standard_normal(size.size) + 1j * rng.standard_normal(size.size))
        split = decompose(np.fft.irfft(drawn)[:points], rate, highest_hz=110.0, slowest_hz=0.2, lines=False)
        value = math.sqrt(np.mean(np.square(split.filtered(band, rate=rate)[0])))
        held += abs(value - truth) < 2.0 * value * split.scatter(band, (), split.duration_seconds)
    return held


STEPS = pytest.mark.parametrize("fastest", [1e-7 * 10**-1.76, 1e-10], ids=["cliff", "plateaus"])


@STEPS
def test_doubt_holds_across_steps_of_the_spectrum(fastest: float) -> None:
    """Slow deviation of few independent samples beside much less of fast: 92 to 98 % of two sigma hold the truth.

    With power read behind a window instead of from the cosines that make the reading, and bands alike within
    4 to 1, 91 % did: where the slow part is read low by chance, its scatter must not be. 400 trials tell a share
    to 1.2 %, the test below tells it closer.
    """
    assert 0.92 <= held_across_steps(fastest, 400) / 400 <= 0.98


@pytest.mark.long
@STEPS
def test_share_of_doubts_across_steps_of_the_spectrum(fastest: float) -> None:
    """2,000 trials, 95.1 and 94.7 %: with 95 % probability the share itself lies within 92 to 98 %.

    Clopper-Pearson limits.
    """
    held = held_across_steps(fastest, 2000)
    assert beta.ppf(0.025, held, 2001 - held) >= 0.92
    assert beta.ppf(0.975, held + 1, 2000 - held) <= 0.98


def test_slow_random_wander_is_no_line() -> None:
    """Rises of a 1/f spectrum were taken for lines, which count as free of scatter."""
    found = sum(len(flutter(wandering("1/f", 12, seed), FS, band_hz=(0.2, 110.0)).lines) for seed in range(8))
    assert found <= 2


@pytest.mark.parametrize("degrees", [1.0, 4.0, 30.0, 300.0])
def test_doubt_of_a_standard_deviation(degrees: float) -> None:
    """95.45 % of chi-square draws lie within 1 +- 2 u of the truth; 200,000 draws know that to 0.05 %."""
    u = chi_square_doubt(degrees)
    draws = np.sqrt(np.random.default_rng(1).chisquare(max(degrees, 2.0), 200_000) / max(degrees, 2.0))
    assert np.mean(np.abs(1.0 / draws - 1.0) < 2.0 * u) == pytest.approx(0.9545, abs=0.003)
    assert chi_square_doubt(1e6) == pytest.approx(1 / math.sqrt(2e6), rel=1e-6)


def test_mixture_reads_what_a_million_samples_read() -> None:
    rng = np.random.default_rng(5)
    time = np.arange(1_000_000) / 1000.0
    line = 0.7 * np.sin(2 * np.pi * 1.234567 * time) + 0.4 * np.sin(2 * np.pi * 7.6543 * time)
    both = np.abs(line + 0.3 * rng.standard_normal(line.size))
    mixture = Mixture(steady=line, rate=1000.0, sigma=0.3)
    assert mixture.reading("two_sigma") == pytest.approx(np.quantile(both, 0.95), rel=5e-3)
    assert mixture.reading("mean") == pytest.approx(np.mean(both), rel=5e-3)
    assert mixture.reading("rms") == pytest.approx(np.sqrt(np.mean(both**2)), rel=5e-3)


@pytest.mark.parametrize("phase", [0.0, 0.004, 0.01, 0.3])
def test_mixture_meets_all_phases_of_a_line_whose_period_is_whole_points(phase: float) -> None:
    """220 points a period meet 55 phases of a quarter: the sine of 0.95 of it was 0.06 % off."""
    line = np.sin(2 * np.pi * 4.0 * np.arange(10_560) / 880.0 + phase)
    exact = math.sin(0.95 * math.pi / 2)
    assert Mixture(steady=line, rate=880.0, sigma=0.0).reading("two_sigma") == pytest.approx(exact, rel=3e-4)


@pytest.mark.parametrize("kind", ["two_sigma", "mean", "rms"])
@pytest.mark.parametrize("size", [0.0, 0.5, 3.0])
def test_scatter_of_a_mixture_is_that_of_repeats(kind: str, size: float) -> None:
    """Noise of 0 to 20 Hz beside a line, 200 stretches of 10 s: their spread is known to 5 %, allowed are 20 %."""
    rng = np.random.default_rng(7)
    rate, seconds, count = 200.0, 10, 200
    n = round(rate * seconds)
    time = np.arange(n) / rate
    frequency = np.fft.rfftfreq(n, 1 / rate)
    inside = (frequency > 0) & (frequency < 20.0)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal((count, n))) * inside, n) * math.sqrt(100 / 20)
    line = size * np.sin(2 * np.pi * 3.0 * time)
    read = {
        "two_sigma": lambda x: np.quantile(np.abs(x), 0.95, axis=1),
        "mean": lambda x: np.mean(np.abs(x), axis=1),
        "rms": lambda x: np.sqrt(np.mean(x**2, axis=1)),
    }[kind]
    mixture = Mixture(steady=line, rate=rate, sigma=1.0)
    stated = mixture.scatter(
        kind,
        density=(np.array([0.0, 19.99, 20.0]), np.array([0.05, 0.05, 0.0])),
        doubt_of_sigma=0.5 / math.sqrt(20 * seconds),
    )
    assert np.std(read(line + noise)) == pytest.approx(stated, rel=0.2)
    assert np.mean(read(line + noise)) == pytest.approx(mixture.reading(kind), rel=0.02)


def test_polynomials_and_lines_do_not_grow_against_each_other() -> None:
    """A random series without slow power: six bends and a line of two periods fitted it with huge amplitudes."""
    rng = np.random.default_rng(2)
    spectrum = np.fft.rfft(rng.standard_normal(6000))
    at = np.fft.rfftfreq(6000, 1e-3)
    series = np.fft.irfft(spectrum * ((at > 5) & (at < 60)), 6000)
    split = decompose(series, 1000.0, highest_hz=240, slowest_hz=1.0)
    assert np.max(np.abs(split.curve)) < 0.05 * np.std(series)


def carrier_of(time: np.ndarray) -> np.ndarray:
    return np.sin(2 * np.pi * CARRIER * (time - 0.001 * np.cos(2 * np.pi * 4 * time) / (2 * np.pi * 4)))


TIME = np.arange(12 * FS) / FS
CLEAN = 0.5 * carrier_of(TIME)


@pytest.mark.parametrize(
    ("disturbance", "word"),
    [
        (lambda s: s * np.where(TIME > 7.3, -1, 1), "bridged there"),
        (lambda s: s * np.where(TIME % 2 < 1, -1, 1), "bridged there"),
        (lambda s: s + 2.5 * (np.arange(s.size) == 50_000), ""),
        (lambda s: s * ~((TIME > 7.3) & (TIME < 7.32)), "drops out"),
        (lambda s: s * (TIME > 0.2), "drops out"),
        (lambda s: s * (1 - 0.5 * (TIME > 7)), ""),
        (lambda s: s + 0.3, ""),
        (lambda s: s + 10 ** (-42 / 20) * np.sin(2 * np.pi * 3100 * TIME), "second component"),
        (lambda s: np.concatenate([s[:50_000], s[50_517:]]), ""),
        (lambda s: s * (1 + 0.3 * np.sin(2 * np.pi * 7 * TIME)), ""),
        (lambda s: s + 0.05 * np.sin(2 * np.pi * 50 * TIME), ""),
    ],
    ids=["flip", "flips", "click", "gap", "late", "step", "constant", "tone", "splice", "tremolo", "hum"],
)
def test_disturbed_recordings_are_right_within_their_doubt(disturbance: object, word: str) -> None:
    assert callable(disturbance)
    reading = flutter(disturbance(CLEAN), FS).weighted["two_sigma"]
    assert abs(reading.value - SINE) < 2 * reading.uncertainty + 2e-5
    assert reading.uncertainty < 0.1 * SINE
    assert word in "; ".join(reading.warnings)


def test_another_test_tone_is_named() -> None:
    time = np.arange(6 * FS) / FS
    reading = flutter(np.sin(2 * np.pi * 3000 * time), FS, carrier_hz=3150).speed_error
    assert "was another test tone recorded?" in reading.warnings[0]
