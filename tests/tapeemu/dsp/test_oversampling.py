"""Oversampling: bounds of its filters, read from responses and from pure tones."""

import numpy as np
import pytest

from tapeemu.dsp.kernels import oversampling as kernels
from tapeemu.dsp.kernels.oversampling import CHUNK, oversampling_factor

EDGE = 0.4535
FACTORS = (12, 6, 4, 2)


class Oversampler:
    """The kernels' group with memory, and what tests ask of it."""

    def __init__(self, *, factor: int, channels: int) -> None:
        shapes = np.ones((kernels.OVERSAMPLER_ARRAYS, 3), np.int64)
        kernels.oversampler_shapes(factor, channels, 0, shapes)
        plan, taps, low, high, scratch = (tuple(int(size) for size in shape) for shape in shapes)
        self.group = kernels.Oversampler(
            np.zeros(plan[:1], np.int64),
            np.zeros(taps[:1]),
            np.zeros(low[:2]),
            np.zeros(high),
            np.zeros(scratch[:1]),
        )
        kernels.oversampler_design(factor, self.group)
        self.channels = channels
        self.rows, self.per_base = high[1], kernels.per_base(factor)
        self.latency = kernels.oversampler_latency(factor)
        self.high = self.group.high[:, :, kernels.HISTORY_HIGH :]

    def rise(self, block: np.ndarray) -> None:
        for channel in range(self.channels):
            kernels.rise(np.ascontiguousarray(block[channel]), channel, self.group)

    def fall(self, count: int) -> np.ndarray:
        out = np.empty((self.channels, count))
        for channel in range(self.channels):
            kernels.fall(channel, self.group, out[channel])
        return out


def straight_through(over: Oversampler, audio: np.ndarray, sizes: list[int] | None = None) -> np.ndarray:
    """Up and down again with nothing in between."""
    out = np.empty_like(audio)
    start = 0
    for size in sizes or [CHUNK] * -(-audio.shape[1] // CHUNK):
        count = min(size, audio.shape[1] - start)
        over.rise(audio[:, start : start + count])
        out[:, start : start + count] = over.fall(count)
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
    length = 32 * CHUNK
    tone = np.sin(2.0 * np.pi * frequency * np.arange(length))[None]
    high = []
    for start in range(0, length, CHUNK):
        over.rise(tone[:, start : start + CHUNK])
        high.append(over.high[0].T.reshape(-1).copy())
    top = np.concatenate(high)[512 * factor :]
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
        out = np.zeros((1, length))
        for start in range(0, length, CHUNK):
            part = impulse[start * factor : (start + CHUNK) * factor]
            over.high[0] = part.reshape(-1, over.rows).T
            out[:, start : start + CHUNK] = over.fall(CHUNK)
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
    sizes = [1, 2, 3, 1, 5, 7, 11, 13, 64, 127, 1, *[128] * 9, 113]
    np.testing.assert_array_equal(straight_through(Oversampler(factor=factor, channels=3), audio, sizes), whole)
    for channel in range(3):
        alone = straight_through(Oversampler(factor=factor, channels=1), audio[channel : channel + 1])
        np.testing.assert_array_equal(alone[0], whole[channel])


def test_factor_falls_with_the_rate() -> None:
    rates = (8_000, 44_100, 48_000, 96_000, 176_400, 192_000, 384_000)
    assert [oversampling_factor(rate) for rate in rates] == [12, 12, 12, 12, 4, 4, 2]


def test_taps_are_those_of_numpy() -> None:
    """What it must be: numpy's Bessel function and sinc, filters as the module says."""

    def sinc(distance: np.ndarray, cutoff: float, half_width: float, shape: float) -> np.ndarray:
        inside = np.clip(1.0 - (distance / half_width) ** 2, 0.0, None)
        window = np.i0(shape * np.sqrt(inside)) / np.i0(shape)
        return np.asarray(2.0 * cutoff * np.sinc(2.0 * cutoff * distance) * window)

    first = sinc(np.arange(36) + 0.5, 0.5, 36, 10.5)
    second = sinc(np.arange(8) + 0.5, 0.5, 8, 11.0)
    third = sinc(np.arange(-4, 6) - 1.0 / 3.0, 0.5, 5, 11.0)
    down = sinc(np.arange(-14, 15.0), 1.0 / 6.0, 15.0, 11.0)
    wide = sinc(np.arange(-7, 9) - 1.0 / 3.0, 0.5, 8, 11.0)
    wide_down = sinc(np.arange(-23, 24.0), 1.0 / 6.0, 24.0, 11.0)
    last = sinc(np.arange(104.0), 0.5 * (0.5 * (0.4535 + 0.52)), 104.0, 10.5)
    last[0] *= 0.5
    last /= 2.0 * last.sum()
    expected = [
        first[::-1] / (2.0 * first.sum()),
        second[::-1] / (2.0 * second.sum()),
        third / third.sum(),
        down / down.sum(),
        0.5 * second / (2.0 * second.sum()),
        last[::2],
        last[1::2],
        wide / wide.sum(),
        wide_down / wide_down.sum(),
    ]
    taps = Oversampler(factor=12, channels=1).group.taps
    np.testing.assert_allclose(taps, np.concatenate(expected), rtol=0.0, atol=1e-15)
