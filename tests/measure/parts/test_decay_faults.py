"""Recordings that stop, are clipped, bend or stand on an offset: no plausible wrong figure without a word."""

import math

import numpy as np
import pytest
from made_decays import RATE, SECONDS, bands, decay, noise

from measure.parts.decay_faults import _clipped, recording_end
from measure.parts.signals import noise_burst
from measure.quantities.decay import decay_from_impulse, decay_of_noise


def gated(milliseconds: float, begin_seconds: float = 0.8) -> np.ndarray:
    """The decay through a gate that closes with half a cosine."""
    t = np.arange(3 * RATE) / RATE - begin_seconds
    return decay() * np.where(t < 0.0, 1.0, 0.5 + 0.5 * np.cos(np.pi * np.clip(1e3 * t / milliseconds, 0.0, 1.0)))


@pytest.mark.parametrize("milliseconds", [1.0, 5.0, 20.0, 60.0])
@pytest.mark.parametrize("floor_db", [None, -85.0])
def test_a_gate_is_the_end_or_is_named(milliseconds: float, floor_db: float | None) -> None:
    h = gated(milliseconds)
    for band in bands(h if floor_db is None else h + noise(len(h), floor_db)):
        for reading in (band.edt, band.t20, band.t30, band.likelihood):
            right = abs(reading.value - SECONDS) < 3.5 * reading.uncertainty
            assert not reading.defined or right or reading.warnings, str(reading)
        assert band.t30.warnings


def test_a_slow_gate_over_noise_is_named() -> None:
    for band in bands(gated(100.0) + noise(3 * RATE, -80.0)):
        assert any("ever faster" in warning for warning in band.t30.warnings)
        assert not band.likelihood.defined or band.likelihood.warnings


@pytest.mark.parametrize("offset", [0.5, 0.01, -0.2])
@pytest.mark.parametrize("floor_db", [None, -60.0])
def test_an_offset_changes_nothing(offset: float, floor_db: float | None) -> None:
    """0.5 is beyond the 20 dB below the peak at which a response is taken to begin."""
    h = np.concatenate([np.zeros(RATE // 4), decay(0.6, duration=1.2)])
    h = h if floor_db is None else h + noise(len(h), floor_db)
    plain, shifted = (decay_from_impulse(each, RATE, bands="broadband").bands[0] for each in (h, h + offset))
    for name in ("edt", "t20", "t30", "likelihood"):
        assert getattr(shifted, name).value == pytest.approx(getattr(plain, name).value, rel=2e-3)
    assert shifted.t30.conditions["offset_removed"] == pytest.approx(offset, rel=0.02)


SOUND = {
    "no floor": decay(),
    "a floor": decay() + noise(3 * RATE, -70.0),
    "leading silence": np.concatenate([np.zeros(RATE), decay()]),
    "two seconds of padding below -120 dB": np.concatenate([decay(), np.zeros(2 * RATE)]),
    "16 bits": np.round(0.2 * decay() * 32767) / 32767,
    "one fifth of a second": decay(0.1, duration=0.2),
}


@pytest.mark.parametrize("name", SOUND)
def test_sound_recordings_are_left_alone(name: str) -> None:
    seconds = 0.1 if name == "one fifth of a second" else SECONDS
    for band in bands(SOUND[name]):
        for reading in (band.edt, band.t20, band.t30, band.likelihood):
            if band.centre_hz == 500.0 and seconds < 1.0:
                continue  # too little of it for an octave of 350 Hz
            assert reading.value == pytest.approx(seconds, abs=3.5 * reading.uncertainty), str(reading)
            words = " ".join(reading.warnings)
            assert not any(word in words for word in ("stops", "clipped", "ever faster")), str(reading)


def test_where_a_recording_ends() -> None:
    h = decay()
    cut = round(0.9 * RATE)
    assert recording_end(h, RATE) == len(h)
    assert recording_end(np.concatenate([h[:cut], np.zeros(RATE)]), RATE) == cut
    # A cut to noise is found to within the noise's own reach.
    assert abs(recording_end(np.concatenate([h[:cut], noise(RATE, -90.0)]), RATE) - cut) < 20
    # The closing gate begins at 0.8 s; what is kept ends within the part of it that hardly closes.
    assert 0.70 * RATE < recording_end(gated(20.0), RATE) < 0.81 * RATE


def test_steady_noise_and_direct_sound_do_not_stop() -> None:
    """A direct sound far above its reverberation, and noise alone, fall at once or not at all, and end nowhere."""
    direct = 0.005 * decay()
    direct[0] = 1.0
    for h in (direct + noise(len(direct), -110.0), noise(RATE, 0.0), direct):
        assert recording_end(h, RATE) == len(h)


def test_noise_that_stops_into_padding() -> None:
    """Interrupted noise whose recordings were cut 30 dB after the stop and padded."""
    h = decay(1.0, duration=1.6)
    h /= math.sqrt(float(np.sum(h**2)))
    bursts = [noise_burst(RATE, seconds=1.2, silence_seconds=1.6, seed=k) for k in range(3)]
    size = 1 << (len(bursts[0].signal) + len(h)).bit_length()
    recordings = [
        np.fft.irfft(np.fft.rfft(burst.signal, size) * np.fft.rfft(h, size), size)[: len(burst.signal)]
        for burst in bursts
    ]
    for recording in recordings:
        recording[bursts[0].stop + RATE // 2 :] = 0.0
    band = decay_of_noise(recordings, bursts[0], bands="broadband").bands[0]
    assert math.isnan(band.t20.value)
    assert "stops" in band.t20.warnings[0]
    assert band.edt.value == pytest.approx(1.0, abs=3.5 * band.edt.uncertainty)


def test_what_is_no_band_of_noise_has_no_fit() -> None:
    """A bare exponential of 0.8 s: above 40 Hz there is only the edge at its start."""
    h = 10.0 ** (-3.0 * np.arange(2 * RATE) / RATE / 0.8)
    band = decay_from_impulse(h, RATE, bands="broadband").bands[0]
    for reading in (band.edt, band.t20, band.t30, band.likelihood):
        assert reading.warnings
    assert math.isnan(band.likelihood.value)


def test_one_flat_top_of_three_samples_is_clipping_however_coarse_the_steps() -> None:
    h = np.round(20.0 * decay()) / 20.0
    top = float(np.max(np.abs(h))) + 1.0
    for length, end in ((2, -math.inf), (3, 303.0)):
        flat = h.copy()
        flat[300 : 300 + length] = top
        assert _clipped(flat) == end
