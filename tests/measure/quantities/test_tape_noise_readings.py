"""Modulation noise and noise by third octaves: noises of known spectrum, judged by formula and by pyfar."""

import math

import numpy as np
import pytest

from measure import MeasureError, modulation_noise, noise_bands

RATE = 48_000.0
CORNER_HZ, MODULATION_DB = 100.0, -44.0
# Of noise of one pole at 100 Hz so much lies from 20 to 500 Hz (closed form: arc tangent).
SHARE = (math.atan(5.0) - math.atan(0.2)) / (0.5 * math.pi)
WANTED_DB = MODULATION_DB + 10.0 * math.log10(SHARE)


def roughened(seconds, *, seed=1, level=0.1, tone_hz=3_150.0, flutter_percent=0.2):
    from scipy.signal import lfilter

    n = np.arange(round(seconds * RATE))
    pole = math.exp(-2.0 * math.pi * CORNER_HZ / RATE)
    noise = lfilter([1.0], [1.0, -pole], np.random.default_rng(seed).standard_normal(len(n)))
    noise *= 10.0 ** (MODULATION_DB / 20.0) * math.sqrt(1.0 - pole**2)
    turn = 2.0 * np.pi * tone_hz * n / RATE
    turn += 0.01 * flutter_percent * tone_hz / 30.0 * np.sin(2.0 * np.pi * 30.0 * n / RATE)
    return level * np.sin(turn) * (1.0 + noise)


@pytest.mark.parametrize("seed", range(2))
def test_skirts_are_read_below_hiss_and_through_flutter(seed):
    hiss = np.random.default_rng(100 + seed).standard_normal((2, round(8 * RATE)))
    tone = roughened(8.0, seed=seed)
    for size in (1e-5, 1e-3):
        reading = modulation_noise(tone + size * hiss[0], RATE, silence=size * hiss[1], frequency_hz=3_150.0)
        assert abs(reading.value - WANTED_DB) < 3.0 * reading.uncertainty
        assert reading.uncertainty < 0.2
    assert not modulation_noise(hiss[0], RATE, silence=hiss[1]).defined


def test_skirts_follow_the_tone_decibel_for_decibel():
    readings = [modulation_noise(roughened(4.0, level=level), RATE) for level in (0.5, 0.05, 0.005)]
    assert np.ptp([reading.value for reading in readings]) < 1e-6
    # Without silence to compare with, the far skirts are taken off too: some tenths, and the uncertainty says so.
    assert abs(readings[0].value - WANTED_DB) < 2.5 * readings[0].uncertainty < 1.5
    known = modulation_noise(roughened(4.0), RATE, silence=np.zeros(round(4 * RATE)))
    taken_off_db = 10.0 / math.log(10.0) * (10.0 ** (0.1 * (known.value - readings[0].value)) - 1.0)
    assert readings[0].uncertainty == pytest.approx(math.hypot(known.uncertainty, taken_off_db), rel=0.05)


def test_hiss_alone_does_not_follow_a_tone():
    n = round(4 * RATE)
    hiss = 1e-3 * np.random.default_rng(8).standard_normal((2, n))
    clean = 0.1 * np.sin(2.0 * np.pi * 3_150.0 * np.arange(n) / RATE)
    reading = modulation_noise(clean + hiss[0], RATE, silence=hiss[1])
    assert not reading.defined
    assert "does not follow" in reading.warnings[0]
    assert not modulation_noise(clean + hiss[0], RATE).defined


def test_recordings_without_a_figure_say_why():
    clean = 0.1 * np.sin(2.0 * np.pi * 3_150.0 * np.arange(96_000) / RATE)
    assert "steady to -100 dB" in modulation_noise(clean, RATE, silence=np.zeros(96_000)).warnings[0]
    assert "silent" in modulation_noise(np.zeros(96_000), RATE).warnings[0]
    assert "lasts" in modulation_noise(roughened(0.5), RATE).warnings[0]
    assert "no tone" in modulation_noise(roughened(2.0, tone_hz=400.0), RATE).warnings[0]
    other = 0.3 * np.sin(2.0 * np.pi * 9_000.0 * np.arange(96_000) / RATE)
    louder = modulation_noise(roughened(2.0) + other, RATE, frequency_hz=3_150.0)
    assert "no tone near 3150 Hz dominates" in louder.warnings[0]
    with pytest.raises(MeasureError, match="frequency_hz"):
        modulation_noise(roughened(2.0), RATE, frequency_hz=1_000.0)
    with pytest.raises(MeasureError, match="silence"):
        modulation_noise(roughened(2.0), RATE, silence=np.zeros(100))


def test_third_octaves_of_white_noise():
    """Power in proportion to bandwidth: f (10^0.05 - 10^-0.05)."""
    sigma = 0.01
    scaled = []
    for seed in range(4):
        noise = sigma * np.random.default_rng(seed).standard_normal(round(6 * RATE))
        levels = noise_bands(noise, RATE, reference_dbfs=-18.0).levels
        width = levels.x * (10.0**0.05 - 10.0**-0.05)
        wanted = 10.0 * np.log10(2.0 * sigma**2 * width / (0.5 * RATE)) + 18.0
        scaled += list((levels.y - wanted) / levels.uncertainty)
    assert len(levels.x) == 31
    assert levels.x[[0, 17, 30]] == pytest.approx([19.953, 1_000.0, 19_953.0], rel=1e-4)
    assert 0.8 < np.std(scaled) < 1.2
    assert abs(np.mean(scaled)) < 0.3


def test_third_octaves_of_a_sine_are_its_level():
    sine = 0.5 * np.sin(2.0 * np.pi * 1_000.0 * np.arange(96_000) / RATE)
    levels = noise_bands(sine, RATE, reference_dbfs=-6.0206).levels
    assert levels.y[levels.x == 1_000.0] == pytest.approx(0.0, abs=1e-3)


@pytest.mark.long
def test_pyfar_reads_the_same_third_octaves():
    pyfar = pytest.importorskip("pyfar")
    noise = np.random.default_rng(2).standard_normal(round(10 * RATE))
    levels = noise_bands(noise, RATE).levels
    bands = pyfar.dsp.filter.fractional_octave_bands(pyfar.Signal(noise, RATE), 3, frequency_range=(800, 17_000))
    theirs = 10.0 * np.log10(2.0 * np.mean(bands.time**2, axis=-1).ravel())
    ours = levels.y[(levels.x > 780.0) & (levels.x < 17_000.0)]
    # Their filters have skirts: the same power on average, other chance at the edges.
    assert len(ours) == len(theirs)
    np.testing.assert_allclose(ours, theirs, atol=0.15)


def test_bands_that_do_not_fit_are_left_out():
    short = noise_bands(np.random.default_rng(0).standard_normal(4_800), RATE).levels
    # A tenth of a second: four values or more, bandwidth times duration, from a band of 40 Hz on, that of 200 Hz.
    assert np.all(np.isnan(short.y[short.x < 170.0]))
    assert np.all(np.isfinite(short.y[short.x > 190.0]))
    assert "too short" in short.warnings[0]
    assert noise_bands(np.ones(9_600) * 1e-3 * (-1.0) ** np.arange(9_600), 8_000.0).levels.x[-1] < 4_000.0
    assert "silent" in noise_bands(np.zeros(9_600), RATE).levels.warnings[0]
    with pytest.raises(MeasureError, match="reference_dbfs"):
        noise_bands(np.zeros(9_600), RATE, reference_dbfs=math.nan)


ROUGH_DB = -46.0
TIME = np.arange(round(6.0 * RATE)) / RATE


def read_with_level(level):
    """The reading of a tone with noise of -46 dB on it, 20 to 500 Hz wide, whose level is one's own as well."""
    rng = np.random.default_rng(3)
    spectrum = np.fft.rfft(rng.standard_normal(TIME.size))
    hz = np.fft.rfftfreq(TIME.size, 1.0 / RATE)
    spectrum[(hz < 20.0) | (hz > 500.0)] = 0.0
    noise = np.fft.irfft(spectrum, TIME.size)
    noise *= 10.0 ** (ROUGH_DB / 20.0) / np.std(noise)
    hiss = 3e-6 * rng.standard_normal((2, TIME.size))
    tone = 0.1 * np.sin(2.0 * np.pi * 3150.0 * TIME)
    return modulation_noise(level * (1.0 + noise) * tone + hiss[0], RATE, silence=hiss[1], frequency_hz=3150.0)


def test_lines_and_dropouts_of_the_level_are_no_modulation_noise():
    """Lines of 24 and 50 Hz, each 16 dB above the noise; dropouts of 12 dB that last 20 ms."""
    lines = sum(np.sin(2.0 * np.pi * hz * TIME) for hz in (24.0, 50.0))
    reading = read_with_level(1.0 + math.sqrt(2.0) * 10.0 ** (-30.0 / 20.0) * lines)
    assert reading.value == pytest.approx(ROUGH_DB, abs=0.2)
    assert "flutters at" in reading.warnings[0]
    drops = sum(np.exp(-0.5 * ((TIME - middle) / 0.008) ** 2) for middle in (0.7, 2.3, 2.9, 4.4))
    reading = read_with_level(1.0 - 0.75 * drops)
    assert reading.value == pytest.approx(ROUGH_DB, abs=0.25)
    assert "gave way" in reading.warnings[0]
    clean = read_with_level(1.0)
    assert clean.value == pytest.approx(ROUGH_DB, abs=0.15)
    assert not clean.warnings


def test_a_random_level_that_reaches_above_20_hz_is_told():
    from scipy.signal import butter, sosfilt

    slow = sosfilt(butter(2, 25.0, fs=RATE, output="sos"), np.random.default_rng(4).standard_normal(TIME.size))
    assert "fluctuates rather than noise" in read_with_level(1.0 + 0.03 * slow / np.std(slow)).warnings[0]
    # One that ends at 55 Hz, 25 dB above the noise: its last bins are no lines.
    spectrum = np.fft.rfft(np.random.default_rng(5).standard_normal(TIME.size))
    spectrum[np.fft.rfftfreq(TIME.size, 1.0 / RATE) > 55.0] = 0.0
    ending = np.fft.irfft(spectrum, TIME.size)
    warnings = read_with_level(1.0 + 0.03 * ending / np.std(ending)).warnings
    assert len(warnings) == 1
    assert "fluctuates rather than noise" in warnings[0]
