"""Oversampling: bounds of its filters, read from responses and from pure tones."""

import numpy as np
import pytest

from tapeemu.dsp.oversampling import CHUNK, Oversampler, oversampling_factor

EDGE = 0.4535
FACTORS = (12, 4, 2)


def straight_through(over: Oversampler, audio: np.ndarray, sizes: list[int] | None = None) -> np.ndarray:
    """Up and down again with nothing in between."""
    out = np.empty_like(audio)
    start = 0
    for size in sizes or [CHUNK] * -(-audio.shape[1] // CHUNK):
        count = min(size, audio.shape[1] - start)
        over.rise(audio, start, count)
        top = count * over.per_base
        over.bent[:, :, over.offset : over.offset + top] = over.high[:, :, :top]
        over.fall(out, start, count)
        start += count
    return out


@pytest.mark.parametrize("factor", FACTORS)
def test_delay_is_declared_and_phase_is_linear(factor: int) -> None:
    over = Oversampler(factor=factor, channels=1)
    impulse = np.zeros((1, 400))
    impulse[0, 0] = 1.0
    response = straight_through(over, impulse)[0]
    assert np.argmax(response) == over.latency
    before, after = response[: over.latency][::-1], response[over.latency + 1 : 2 * over.latency + 1]
    np.testing.assert_allclose(before, after, atol=1e-14)
    assert np.all(response[2 * over.latency + 2 :] == 0.0)


@pytest.mark.parametrize("factor", FACTORS)
def test_pass_band_is_flat(factor: int) -> None:
    impulse = np.zeros((1, 1024))
    impulse[0, 0] = 1.0
    response = straight_through(Oversampler(factor=factor, channels=1), impulse)[0]
    level = 20.0 * np.log10(np.abs(np.fft.rfft(response, 65_536)))
    inside = np.arange(level.size) / 65_536 <= EDGE
    assert np.max(np.abs(level[inside])) < 0.0002


@pytest.mark.parametrize("factor", FACTORS)
@pytest.mark.parametrize("frequency", [0.02, 1 / 6, 0.4167, EDGE])
def test_images_of_a_tone_are_100_db_down(factor: int, frequency: float) -> None:
    over = Oversampler(factor=factor, channels=1)
    length = 8 * CHUNK
    tone = np.sin(2.0 * np.pi * frequency * np.arange(length))[None]
    high = []
    for start in range(0, length, CHUNK):
        over.rise(tone, start, CHUNK)
        high.append(over.high[0].T.reshape(-1).copy())
    top = np.concatenate(high)[CHUNK * factor :]
    spectrum = np.abs(np.fft.rfft(top * np.kaiser(top.size, 20.0)))
    place = round(frequency / factor * top.size)
    peak = spectrum[place]
    spectrum[max(place - 60, 0) : place + 60] = 0.0
    assert 20.0 * np.log10(spectrum.max() / peak) < -100.0


@pytest.mark.parametrize("factor", FACTORS)
def test_what_would_fold_is_100_db_down(factor: int) -> None:
    """The response of the way down at the top rate, put together from impulses at each of its phases."""
    length = 256
    response = np.zeros(length * factor)
    for phase in range(factor):
        over = Oversampler(factor=factor, channels=1)
        impulse = np.zeros(length * factor)
        impulse[phase] = 1.0
        over.bent[0, :, over.offset : over.offset + length * over.per_base] = impulse.reshape(-1, over.rows).T
        out = np.zeros((1, length))
        over.fall(out, 0, length)
        place = factor * np.arange(length) - phase
        response[place[place >= 0]] = out[0][place >= 0]
    bins = factor * 16_384
    level = 20.0 * np.log10(np.abs(np.fft.rfft(response, bins)) + 1e-30)
    frequency = np.arange(level.size) / 16_384
    folded = np.abs(frequency - np.rint(frequency))
    assert level[0] == pytest.approx(0.0, abs=1e-6)
    assert np.max(level[(np.rint(frequency) >= 1) & (folded <= EDGE)]) < -100.0
    assert np.max(level[(frequency >= 0.5203) & (frequency <= 0.6)]) < -100.0


@pytest.mark.parametrize("factor", FACTORS)
def test_blocks_and_channels_change_no_bit(factor: int, rng: np.random.Generator) -> None:
    audio = rng.standard_normal((3, 1500))
    whole = straight_through(Oversampler(factor=factor, channels=3), audio)
    sizes = [1, 2, 3, 1, 5, 7, 11, 13, 64, 127, 1, 500, 512, 300]
    np.testing.assert_array_equal(straight_through(Oversampler(factor=factor, channels=3), audio, sizes), whole)
    for channel in range(3):
        alone = straight_through(Oversampler(factor=factor, channels=1), audio[channel : channel + 1])
        np.testing.assert_array_equal(alone[0], whole[channel])


def test_factor_falls_with_the_rate() -> None:
    rates = (8_000, 44_100, 48_000, 96_000, 176_400, 192_000, 384_000)
    assert [oversampling_factor(rate) for rate in rates] == [12, 12, 12, 12, 4, 4, 2]
