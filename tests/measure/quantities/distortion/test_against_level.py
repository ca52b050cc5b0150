"""Distortion against level, and the maximum operating level, against closed forms."""

import math

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.parts.signals import level_steps
from measure.quantities.distortion import distortion_against_level, distortion_of_steps, operating_level

RATE = 48_000
NOISE = 10.0 ** (-96 / 20) / math.sqrt(2.0)  # RMS of a floor 96 dB below a tone of amplitude 1


def db(ratio):
    return 20.0 * math.log10(ratio)


@pytest.mark.parametrize("frequency", [315.0, 1000.0])
@pytest.mark.parametrize(
    ("shape", "amplitude"),
    [
        (np.tanh, 0.6287864),  # 3 % third harmonic of tanh(g sin)
        (np.arctan, 0.659341),  # of arctan
        (lambda x: x - 0.25 * x**3, math.sqrt(0.12 / 1.09 / 0.25)),  # of a cubic
    ],
)
def test_the_operating_level_is_that_of_3_percent_on_paper(shape, amplitude, frequency):
    rng = np.random.default_rng(2)
    level = operating_level(
        lambda x, _: shape(x) + NOISE * rng.standard_normal(len(x)), RATE, frequency_hz=frequency
    )
    assert level.value == pytest.approx(db(amplitude), abs=1e-3)
    assert level.uncertainty < 1e-3


@pytest.mark.parametrize("step_db", [0.3, 1.0, 2.0, 3.0])
def test_what_the_law_between_the_steps_misses_is_doubted(step_db):
    """Without noise that is all there is: 2e-13 dB were said where 1e-6 to 4e-3 dB were missed."""
    exact = db(math.sqrt(0.12 / 1.09 / 0.25))
    levels = exact + step_db * (np.arange(6) - 2.5)
    steps = level_steps(16_000, frequency_hz=1000.0, levels_dbfs=levels, step_seconds=0.15)
    result = distortion_of_steps(steps.signal - 0.25 * steps.signal**3, steps)
    # At 3 % the tone has lost 3/4 of 0.25 A^2, 0.12 / 1.09.
    found = np.array([result.operating_level.value, result.operating_level_output.value])
    error = np.abs(found - (exact, exact + db(1.0 - 0.09 / 1.09)))
    said = result.operating_level.uncertainty
    assert result.operating_level_output.uncertainty == said
    assert 0.1 * said < np.max(error) < 2.0 * said


def test_operating_level_that_is_not_there():
    clean = operating_level(lambda x, _: x - 1e-3 * x**3, RATE)
    assert math.isnan(clean.value)
    assert "does not reach 3 %" in clean.warnings[0]
    driven = operating_level(lambda x, _: np.tanh(1000.0 * x), RATE)
    assert math.isnan(driven.value)
    assert "already" in driven.warnings[0]
    for broken in (lambda x, _: 0.0 * x, lambda x, _: x * np.nan):
        reading = operating_level(broken, RATE)
        assert math.isnan(reading.value)
        assert reading.warnings


def test_distortion_against_level_is_the_closed_form_at_every_level():
    result = distortion_against_level(lambda x, _: x - 0.1 * x**3, RATE, levels_dbfs=range(-24, 1, 6))
    for level, third in zip(result.third.x, result.third.y, strict=True):
        u = 0.1 * 10.0 ** (level / 10.0)
        assert third == pytest.approx(100.0 * (u / 4.0) / (1.0 - 0.75 * u), rel=1.15e-4)
    assert result.gain.y == pytest.approx(
        [db(1.0 - 0.075 * 10.0 ** (level / 10.0)) for level in result.gain.x], abs=1e-6
    )
    assert result.thd.y == pytest.approx(result.third.y, rel=1e-6)


def test_steps_are_checked():
    steps = level_steps(RATE, frequency_hz=1000.0, levels_dbfs=(-6.0, 0.0))
    with pytest.raises(MeasureError, match="samples"):
        distortion_of_steps(np.zeros(10), steps)
    with pytest.raises(MeasureError, match="limit_percent"):
        distortion_of_steps(steps.signal, steps, limit_percent=0.0)
    falling = level_steps(RATE, frequency_hz=1000.0, levels_dbfs=(0.0, -6.0))
    with pytest.raises(MeasureError, match="rise"):
        distortion_of_steps(falling.signal, falling)


def test_the_operating_level_is_where_three_percent_is_first_passed():
    """Third harmonic written down: over 3 % at two places, with a fall between them."""
    wanted = {-18.0: 0.01, -12.0: 0.02, -6.0: 0.045, -3.0: 0.02, 0.0: 0.08}

    def bent(audio, rate):
        out = np.zeros_like(audio)
        size = max(1, round(0.01 * rate))
        # Each step is as loud as its largest sample nearby, and gets the share that is wanted there.
        blocks = [slice(start, start + size) for start in range(0, audio.size, size)]
        peaks = np.array([np.max(np.abs(audio[block])) for block in blocks])
        share = np.interp(20.0 * np.log10(np.maximum(peaks, 1e-9)), list(wanted), list(wanted.values()))
        for block, peak_, third in zip(blocks, peaks, share, strict=True):
            x = audio[block] / max(peak_, 1e-12)
            out[block] = peak_ * (x + third * (3.0 * x - 4.0 * x**3))
        return out

    reading = operating_level(bent, RATE, frequency_hz=1_000.0)
    assert -12.0 < reading.value < -6.0
