"""What is no steady tone is refused with the reason; what makes a figure doubtful is told."""

import numpy as np
import pytest
from demodulated_tone import FS, demodulated

from measure.parts.signals import Modulation, modulated_tone, tone
from measure.parts.steady_tone import NotMeasurableError

STEADY = tone(3150, duration_seconds=6, sample_rate=FS)
TIME = np.arange(STEADY.size) / FS


@pytest.mark.parametrize(
    ("signal", "rate", "reason"),
    [
        (np.zeros(6 * FS), FS, "silent"),
        (np.zeros(0), FS, "0 sample"),
        (np.ones(1), FS, "1 sample"),
        (np.full(6 * FS, 0.3), FS, "constant at 0.3"),
        (np.append(STEADY, np.nan), FS, "1 sample.* not finite, the first at index 288000"),
        (np.append(np.inf, STEADY), FS, "not finite, the first at index 0"),
        (tone(1000, duration_seconds=6, sample_rate=FS), FS, "no tone within 3 %.* near 1000 Hz.*give carrier_hz"),
        (STEADY, 44_100, "3150 Hz recorded at 48000 samples per second: is 44100 the right"),
        (STEADY, 96_000, "3150 Hz recorded at 48000 samples per second: is 96000 the right"),
        (STEADY, 6000, "no room for deviations up to 200 Hz"),
        (STEADY[:200], FS, "too short"),
        (STEADY + tone(3000, duration_seconds=6, sample_rate=FS), FS, "two tones"),
        (STEADY + tone(1000, duration_seconds=6, sample_rate=FS), FS, "no single tone"),
        (STEADY + tone(3050, duration_seconds=6, sample_rate=FS, level_dbfs=-30), FS, "two tones.*3050 Hz, -24"),
        (np.where(TIME < 3, STEADY, 0), FS, "no steady tone"),
        (np.where(TIME < 3, STEADY, tone(3000, duration_seconds=6, sample_rate=FS)), FS, "not one steady tone"),
        (STEADY * (1 - 0.999 * (np.remainder(TIME, 1) < 0.1)), FS, "below its median for 9"),
        (np.where(TIME > 0.3, STEADY, 0), FS, "below its median for 4.9 % of the time; cut off the silence"),
    ],
)  # fmt: skip
def test_what_is_no_steady_tone_is_refused_with_the_reason(signal: np.ndarray, rate: float, reason: str) -> None:
    with pytest.raises(NotMeasurableError, match=reason):
        demodulated(signal, rate)


def test_noise_is_refused(rng: np.random.Generator) -> None:
    for signal in (rng.standard_normal(6 * FS), np.cumsum(rng.standard_normal(6 * FS))):
        with pytest.raises(NotMeasurableError, match=r"no single tone|no tone within"):
            demodulated(signal)


def test_band_of_noise_round_the_nominal_frequency_is_refused(rng: np.random.Generator) -> None:
    """All its power lies where the tone should be; only the envelope tells it from a tone."""
    from scipy.signal import firwin, oaconvolve

    band = oaconvolve(rng.standard_normal(6 * FS), firwin(4001, [3100, 3200], pass_zero=False, fs=FS), mode="same")
    with pytest.raises(NotMeasurableError, match="no steady tone"):
        demodulated(band)


def test_a_weak_second_tone_is_reported() -> None:
    signal = STEADY + tone(3050, duration_seconds=6, sample_rate=FS, level_dbfs=-56.0)
    (warning,) = demodulated(signal).warnings
    assert "3050 Hz, -50" in warning


def test_amplitude_and_speed_at_one_rate_are_not_a_second_tone() -> None:
    """A part that disturbs both has sidebands of unequal size, but two of them."""
    for phase in (0.0, 0.5 * np.pi, np.pi):
        signal = modulated_tone(
            3150,
            duration_seconds=6,
            sample_rate=FS,
            speed=[Modulation(rate_hz=40, peak_percent=0.05)],
            amplitude=[Modulation(rate_hz=40, peak_percent=1.5, phase_radians=phase)],
        )
        assert demodulated(signal).warnings == ()


def test_hum_and_a_constant_outside_the_band_are_reported_or_ignored() -> None:
    hum = 0.2 * np.sin(2 * np.pi * 50 * TIME)
    (warning,) = demodulated(STEADY + hum).warnings
    assert "of the power lies outside" in warning
