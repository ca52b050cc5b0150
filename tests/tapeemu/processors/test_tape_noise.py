"""Noise of the tape, held to closed forms and to the laboratory's meters."""

import numpy as np
import numpy.typing as npt
import pytest

import measure
from tapeemu import TapeNoise
from tapeemu.dsp.kernels import tape_noise as kernels
from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream
from tapeemu.validation import FloatArray

RATE = 48_000

# Hiss of six media by the law of independent particles (after Mallinson 1969, from memory), computed apart from
# this project: speed cm/s, coating um, distance um, treble and bass time constants in us, track mm; density re
# 1 kHz at 100 Hz, 4, 10 and 16 kHz, and A-weighted level re the first, in dB.
MEDIA = {
    "38 NAB": ((38.1, 14.0, 0.5, 50.0, 3180.0, 2.0), (-0.4, 1.1, 3.6, 5.0), 0.0),
    "38 IEC": ((38.1, 14.0, 0.5, 35.0, 0.0, 2.0), (0.7, -0.4, 1.1, 2.3), -2.1),
    "19 IEC": ((19.05, 11.0, 0.5, 70.0, 0.0, 2.0), (0.7, 1.5, 3.9, 5.0), 4.1),
    "9.5": ((9.525, 11.0, 0.4, 90.0, 3180.0, 1.0), (0.5, 1.1, 3.1, 3.7), 8.5),
    "4.76, 120 us": ((4.7625, 5.0, 0.3, 120.0, 3180.0, 0.6), (-0.3, 2.4, 3.9, 3.9), 18.8),
    "4.76, 70 us": ((4.7625, 5.0, 0.3, 70.0, 3180.0, 0.6), (0.9, -0.4, 0.6, 0.4), 14.9),
}
every_medium = pytest.mark.parametrize("name", MEDIA)


def medium(name: str, **others: object) -> TapeNoise:
    speed, coating, distance, treble, bass, width = MEDIA[name][0]
    given: dict[str, object] = {
        "tape_speed_cm_s": speed,
        "coating_um": coating,
        "spacing_um": distance,
        "treble_time_constant_us": treble,
        "bass_time_constant_us": bass,
        "track_width_mm": width,
    }
    return TapeNoise.model_validate({**given, **others})


def silence(seconds: float, channels: int = 1) -> FloatArray:
    return np.zeros((channels, round(seconds * RATE)))


def closed_form(name: str, hz: FloatArray) -> FloatArray:
    """Density of the hiss, not scaled, written here a second time from the law."""
    speed, coating, distance, treble, bass, _ = MEDIA[name][0]
    assert isinstance(coating, float)
    k = 2.0 * np.pi * hz / (0.01 * float(speed or 0.0))
    flux = -np.expm1(-2e-6 * k * coating) / (2e-6 * k * coating) * np.exp(-2e-6 * k * float(distance or 0.0))
    replay = 1.0 + (2e-6 * np.pi * hz * float(treble or 0.0)) ** 2
    return np.asarray(flux * replay / (1.0 + (2e-6 * np.pi * hz * bass) ** -2 if bass else 1.0))


def gain(half: FloatArray, turns: FloatArray) -> FloatArray:
    numbers = np.arange(1, half.size)
    return np.asarray(half[0] + 2.0 * np.cos(2.0 * np.pi * np.outer(turns, numbers)) @ half[1:])


@every_medium
@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 96_000, 192_000])
def test_third_octaves_follow_the_law_by_design(name: str, rate: int) -> None:
    stream = medium(name).stream(sample_rate=rate, channels=1)
    assert isinstance(stream, KernelStream)
    plan = stream.memory
    deviations = []
    for centre in 1000.0 * 2.0 ** (np.arange(-17, 13) / 3.0):
        hz = centre * 2.0 ** np.linspace(-1.0 / 6.0, 1.0 / 6.0, 61)
        if hz[-1] > min(0.45 * rate, 20_000.0):
            continue
        density = gain(plan.fast, hz / rate) ** 2
        for half, step in ((plan.middle, 8), (plan.slow, 64)):
            within = hz < 0.5 * rate / step
            density += step * np.where(within, gain(half, hz * step / rate), 0.0) ** 2
        deviations.append(10.0 * np.log10(density.mean() / closed_form(name, hz).mean()))
    assert len(deviations) > 25
    assert np.ptp(deviations) < 0.6
    assert np.max(np.abs(np.array(deviations) - np.median(deviations))) < 0.3


@every_medium
def test_the_noise_that_comes_out_has_that_spectrum(name: str) -> None:
    """Two minutes: a third octave at 200 Hz scatters by 0.06 dB."""
    from scipy.signal import welch

    heard = medium(name)(silence(120.0)[0], RATE)
    hz, density = welch(heard, RATE, nperseg=8192)
    levels = []
    for centre in 1000.0 * 2.0 ** (np.arange(-7, 13) / 3.0):
        inside = (hz > centre * 2.0 ** (-1.0 / 6.0)) & (hz < centre * 2.0 ** (1.0 / 6.0))
        levels.append(10.0 * np.log10(density[inside].mean() / closed_form(name, hz[inside]).mean()))
    assert np.max(np.abs(np.array(levels) - np.median(levels))) < 0.3


@every_medium
def test_the_table_of_media(name: str) -> None:
    """0.1 dB: the table has one decimal."""
    _, shape, level = MEDIA[name]
    stream = medium(name).stream(sample_rate=RATE, channels=1)
    assert isinstance(stream, KernelStream)
    density = [kernels.hiss_density(stream.settings, hz) for hz in (1e3, 100.0, 4e3, 1e4, 1.6e4)]
    np.testing.assert_allclose(10.0 * np.log10(np.array(density[1:]) / density[0]), shape, atol=0.11)
    assert medium(name).expected_hiss_db() == pytest.approx(-60.0 + level, abs=0.11)


@every_medium
def test_the_level_of_the_medium_is_read_back(name: str) -> None:
    heard = medium(name)(silence(20.0), RATE)
    reading = measure.noise(heard, RATE, reference_dbfs=-18.0).a_weighted[0]
    assert reading.value == pytest.approx(medium(name).expected_hiss_db(), abs=0.2)


@every_medium
@pytest.mark.parametrize(("weighting", "level_db"), [("a", -52.0), ("itu468", -43.0)])
def test_the_level_asked_for_is_read(name: str, weighting: str, level_db: float) -> None:
    hiss = medium(
        name, hiss_db=level_db, hiss_weighting=weighting, track_width_mm=None, reference_level_dbfs=-12.0
    )
    readings = []
    for seed in (1, 2, 3):
        result = measure.noise(hiss.with_seed(seed)(silence(10.0), RATE), RATE, reference_dbfs=-12.0)
        readings.append((result.a_weighted if weighting == "a" else result.itu468)[0].value)
    assert np.mean(readings) == pytest.approx(level_db, abs=0.2)


def test_tracks_channels_and_tapes_are_independent() -> None:
    noise = TapeNoise(seed=3)
    heard = np.concatenate(
        [
            noise(silence(60.0, 2), RATE),
            noise(silence(60.0, 2), RATE, track=1),
            noise.replace(seed=4)(silence(60.0, 2), RATE),
        ]
    )
    correlation: npt.NDArray[np.float64] = np.corrcoef(heard)
    assert np.max(np.abs(correlation - np.eye(6))) < 0.01
    np.testing.assert_array_equal(noise(silence(1.0, 2), RATE, track=1), heard[2:4, :RATE])


@pytest.mark.parametrize("start", [0, -5_000, 1_000, 36_000 * RATE + 17])
def test_a_place_of_the_tape_sounds_the_same_from_wherever_it_is_reached(start: int) -> None:
    noise = TapeNoise(modulation_noise_db=-40.0, hum_db=-50.0)
    tone = np.full((2, 9_000), 0.25)
    whole = noise(tone, RATE, start_sample=start)
    later = noise(tone[:, 4_321:], RATE, start_sample=start + 4_321)
    np.testing.assert_array_equal(whole[:, 4_321:], later)


def test_modulation_noise_follows_the_sound() -> None:
    """Power of the skirts re the tone as set, at any level, and one pole wide."""
    noise = TapeNoise(hiss=False, modulation_noise_db=-44.0, modulation_noise_hz=100.0)
    time = np.arange(120 * RATE) / RATE
    tone = 0.5 * np.sin(2.0 * np.pi * 3_000.0 * time)
    loud = noise(tone, RATE)
    np.testing.assert_array_equal(noise(0.125 * tone, RATE), 0.125 * loud)
    skirts = loud - tone
    assert 10.0 * np.log10(np.mean(skirts**2) / np.mean(tone**2)) == pytest.approx(-44.0, abs=0.1)

    from scipy.signal import welch

    hz, density = welch(skirts, RATE, nperseg=16_384)
    near = density[(np.abs(hz - 3_000.0) < 20.0)].mean()
    for away in (100.0, 300.0):
        there = density[np.abs(np.abs(hz - 3_000.0) - away) < 8.0].mean()
        assert 10.0 * np.log10(there / near) == pytest.approx(-10.0 * np.log10(1.0 + (away / 100.0) ** 2), abs=0.5)


def test_a_constant_magnetisation_hisses() -> None:
    noise = TapeNoise(hiss=False, modulation_noise_db=-40.0)
    heard = noise(np.full(10 * RATE, 0.5), RATE) - 0.5
    assert 20.0 * np.log10(np.std(heard) / 0.5) == pytest.approx(-40.0, abs=0.3)


def test_hum_is_the_mains_with_odd_harmonics() -> None:
    hum = TapeNoise(hiss=False, hum_db=-50.0, mains_hz=60.0)
    heard = hum(silence(1.0), RATE, start_sample=36_000 * RATE)[0]
    spectrum = np.abs(np.fft.rfft(heard)) / (RATE / 2)
    lines = np.array([60, 180, 300, 420, 540])
    np.testing.assert_allclose(spectrum[lines] / spectrum[60], 1.0 / np.array([1, 3, 5, 7, 9]), rtol=1e-9)
    rest = np.delete(spectrum, lines)
    assert np.max(rest) < 1e-12
    rms_db = 20.0 * np.log10(np.std(heard) * np.sqrt(2.0)) + 18.0
    assert rms_db == pytest.approx(-50.0, abs=1e-6)
    np.testing.assert_array_equal(hum(silence(0.1), RATE), hum(silence(0.1), RATE, track=5))


def test_settings_that_decide_the_same_are_refused() -> None:
    with pytest.raises(ParameterError, match="track_width_mm"):
        TapeNoise(hiss_db=-50.0, track_width_mm=1.0)
    with pytest.raises(ParameterError, match="500 or more"):
        TapeNoise(bass_time_constant_us=100.0)
    with pytest.raises(ParameterError, match="hiss_weighting"):
        TapeNoise(hiss_weighting="itu468")


def test_without_anything_on_it_is_a_wire() -> None:
    tone = np.random.default_rng(1).uniform(-0.5, 0.5, (2, 3_000))
    np.testing.assert_array_equal(TapeNoise(hiss=False)(tone, RATE), tone)
