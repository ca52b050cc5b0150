"""Where the conditions of a figure are not met there is no figure, and the reason is told."""

import math
from collections.abc import Iterable

import numpy as np
import pytest
from scipy.signal import fftconvolve

from measure.errors import MeasureError
from measure.parts.prime_grid import aliasing_ratio_db, prime_grid
from measure.parts.signals import noise_burst, steady_tone, synchronised_sweep
from measure.quantities.crosstalk import crosstalk
from measure.quantities.decay import decay_of_noise
from measure.quantities.decay.density import echo_density
from measure.quantities.decay.evenness import colouration
from measure.quantities.distortion import modulation_distortion
from measure.quantities.slow_sweep import response_from_slow_sweep
from measure.results import Reading
from measure.results.digits import figure_text

RATE = 48_000


def undefined_for(readings: Iterable[Reading], reason: str) -> None:
    found = list(readings)
    assert found
    for reading in found:
        assert math.isnan(reading.value)
        assert any(reason in warning for warning in reading.warnings), reading.warnings


def noise(count: int) -> np.ndarray:
    return np.random.default_rng(4).standard_normal(count)


def test_evenness_of_too_little() -> None:
    undefined_for(colouration(noise(400), RATE).readings, "only 83 bins lie between 100 and 10000 Hz")
    slow = np.sin(2.0 * np.pi * 50.0 * np.arange(RATE) / RATE)
    undefined_for(colouration(slow, RATE).readings, "there is nothing between 100 and 10000 Hz")


def test_density_of_too_little() -> None:
    undefined_for(echo_density(noise(1_000), RATE).readings, "two windows of it are needed")
    single = np.zeros(RATE)
    single[100] = 1.0
    undefined_for(echo_density(single, RATE).readings, "the response is a single echo")


def test_decay_of_noise_that_does_not_fall() -> None:
    burst = noise_burst(RATE, seconds=0.5, silence_seconds=1.0)
    sound = noise(len(burst.signal))
    sound[burst.stop :] *= 10.0
    (whole,) = decay_of_noise([sound], burst, bands="broadband").bands
    undefined_for([whole.edt, whole.t20, whole.t30], "the noise before the stop does not exceed the floor")


def test_decay_of_noise_whose_silence_is_too_short() -> None:
    """A reverberation of 1.5 s is cut off after a tenth of a second; octaves resolve less than the whole band."""
    burst = noise_burst(RATE, seconds=1.0, silence_seconds=0.1)
    falling = np.random.default_rng(5).standard_normal(2 * RATE) * 10.0 ** (-2.0 * np.arange(2 * RATE) / RATE)
    sound = fftconvolve(burst.signal, falling)[: len(burst.signal)]
    (whole,) = decay_of_noise([sound], burst, bands="broadband").bands
    undefined_for([whole.edt, whole.t20, whole.t30], "the silence after the noise is too short for the band")
    octaves = decay_of_noise([sound], burst, neighbours=False)
    undefined_for([octaves.band(63.0).t20], "after the onset is too short for the band")
    undefined_for([octaves.band(250.0).t20], "the decay is too short for the band")


def test_crosstalk_of_what_is_no_pair_of_channels() -> None:
    with pytest.raises(MeasureError, match="needs one or more from above 0 to 21600 Hz"):
        crosstalk(lambda audio, _: audio, RATE, frequencies_hz=())
    with pytest.raises(MeasureError, match="needs one or more from above 0"):
        crosstalk(lambda audio, _: audio, RATE, frequencies_hz=(0.0, 1000.0))
    with pytest.raises(MeasureError, match="keep the channels and not shorten audio"):
        crosstalk(lambda audio, _: audio[:1], RATE, frequencies_hz=(1000.0,))
    with pytest.raises(MeasureError, match="keep the channels and not shorten audio"):
        crosstalk(lambda audio, _: audio[:, 1:], RATE, frequencies_hz=(1000.0,))
    silent = crosstalk(lambda audio, _: 0.0 * audio, RATE, frequencies_hz=(1000.0,))
    undefined_for(silent.levels, "the tone does not come back on the channel that it was sent on")


def test_slow_sweep_of_too_little() -> None:
    narrow = synchronised_sweep(RATE, low_hz=700.0, high_hz=1_800.0, seconds=4.0)
    with pytest.raises(MeasureError, match="must span an octave and a half"):
        response_from_slow_sweep(narrow.signal, narrow)
    # Everything round the reference is taken out, and not a trace of the sweep is left there.
    sweep = synchronised_sweep(RATE, low_hz=100.0, high_hz=8_000.0, seconds=6.0)
    start = round(sweep.rate_seconds * math.log(500.0 / sweep.start_hz) * RATE)
    end = round(sweep.rate_seconds * math.log(2_000.0 / sweep.start_hz) * RATE)
    gone = sweep.signal.copy()
    gone[start:end] = 0.0
    found = response_from_slow_sweep(gone, sweep, latency_seconds=0.0)
    undefined_for([found.gain, found.low_edge, found.high_edge], "nothing comes back at 1000 Hz")


def test_two_tones_in_noise_have_no_distortion() -> None:
    tones = steady_tone(RATE, frequency_hz=60.0, seconds=1.5, level_dbfs=-40.0)
    tones += steady_tone(RATE, frequency_hz=7_000.0, seconds=1.5, level_dbfs=-30.0)
    found = modulation_distortion(tones + 0.1 * noise(tones.size), RATE)
    undefined_for(found.readings, "the two tones and their products hold only")


def test_aliasing_of_silence() -> None:
    length, frequency_hz = prime_grid(RATE, frequency_hz=1_245.0, seconds=0.1)
    assert math.isnan(aliasing_ratio_db(np.zeros(length), RATE, frequency_hz=frequency_hz))


def test_infinite_figures_are_printed_as_such() -> None:
    assert figure_text(math.inf, 0.1) == ("inf", "")
    assert figure_text(-math.inf, math.nan) == ("-inf", "")
    assert figure_text(12.34, math.inf) == ("1e+01", "± any")
    assert figure_text(1.23e-13, math.nan) == ("1.2e-13", "")
