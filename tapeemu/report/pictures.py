"""What the plots of a report show: average spectra, levels over time, spectrograms."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from measure.quantities.character import average_spectrum
from tapeemu.dsp.shared_tables import read_only
from tapeemu.rendering.matched import Render
from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray

__all__ = ["Picture", "envelope", "loudest_moment", "picture_of", "shown"]

MOST_SHOWN = 4

_BLOCK_SECONDS = 0.05
_HISTOGRAM_EDGES_DB = read_only(np.arange(-80.0, 2.0, 2.0))
_COLUMNS = 480
_BANDS = 128
_FRAME_SECONDS = 0.085
_LOWEST_HZ = 30.0
_THIRD = 10.0**0.1
_SILENCE = 1e-20
_MOMENT_SECONDS = 0.2


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """One render as plots show it.

    Attributes
    ----------
    third_hz, third_dbfs : ndarray, shape (bands,)
        Levels in third octaves (AES17), mean of the channels.
    level_dbfs, level_percent : ndarray, shape (bins,)
        Lower edges of 2 dB wide bins, and the share of 50 ms blocks whose RMS level lies in each; blocks
        below the first bin are left out.
    spectrogram_db : ndarray, shape (bands, columns)
        Power in mel bands, in dB.
    band_hz : ndarray, shape (bands,)
        Centre frequencies of those bands.
    seconds : float
        Duration.
    """

    third_hz: FloatArray
    third_dbfs: FloatArray
    level_dbfs: FloatArray
    level_percent: FloatArray
    spectrogram_db: FloatArray
    band_hz: FloatArray
    seconds: float


def shown(null_db: Sequence[float], most: int = MOST_SHOWN) -> list[int]:
    """Which of many orders are drawn: the first, and those that differ most from it."""
    others = sorted(range(1, len(null_db)), key=lambda index: -np.nan_to_num(null_db[index], nan=-np.inf))
    return [0, *sorted(others[: most - 1])]


def picture_of(render: Render, sample_rate: float) -> Picture:
    """Compute what the plots of a render show."""
    audio = render.audio
    frequency, power = average_spectrum(audio.astype(np.float64), sample_rate)
    thirds = 1000.0 * _THIRD ** np.arange(-15.0, 14.0)
    thirds = thirds[thirds * np.sqrt(_THIRD) < 0.5 * sample_rate]
    share = np.array(
        [
            np.sum(power[(frequency >= centre / np.sqrt(_THIRD)) & (frequency < centre * np.sqrt(_THIRD))])
            for centre in thirds
        ]
    )
    histogram = _histogram(audio, sample_rate)
    spectrogram, bands = _spectrogram(audio, sample_rate)
    return Picture(
        third_hz=thirds,
        third_dbfs=10.0 * np.log10(2.0 * share / audio.shape[0] + _SILENCE),
        level_dbfs=_HISTOGRAM_EDGES_DB[:-1],
        level_percent=histogram,
        spectrogram_db=spectrogram,
        band_hz=bands,
        seconds=audio.shape[1] / sample_rate,
    )


def envelope(render: Render, first: int, last: int, points: int) -> FloatArray:
    """Largest absolute sample of all channels in each of some equal parts of a stretch of a render."""
    peaks = np.max(np.abs(render.audio[:, first:last]), axis=0, initial=0.0)
    edges = np.linspace(0, peaks.size, points + 1).astype(int)[:-1]
    # A part shorter than a sample shows the sample it falls into.
    return np.asarray(np.maximum.reduceat(peaks, edges), dtype=np.float64) if peaks.size else np.zeros(points)


def loudest_moment(render: Render, sample_rate: float, seconds: float = _MOMENT_SECONDS) -> tuple[int, int]:
    """First and last sample (exclusive) of a short stretch around the largest sample, a third of it before."""
    size = min(max(seconds_to_samples(seconds, sample_rate), 1), render.audio.shape[1])
    peak = int(np.argmax(np.max(np.abs(render.audio), axis=0)))
    first = min(max(peak - size // 3, 0), render.audio.shape[1] - size)
    return first, first + size


def _histogram(audio: npt.NDArray[np.float32], sample_rate: float) -> FloatArray:
    size = max(seconds_to_samples(_BLOCK_SECONDS, sample_rate), 1)
    count = audio.shape[1] // size
    if not count:
        return np.zeros(_HISTOGRAM_EDGES_DB.size - 1)
    blocks = audio[:, : count * size].reshape(audio.shape[0], count, size)
    power = np.mean(np.square(blocks, dtype=np.float64), axis=(0, 2))
    found, _ = np.histogram(10.0 * np.log10(2.0 * power + _SILENCE), bins=_HISTOGRAM_EDGES_DB)
    return np.asarray(100.0 * found / count, dtype=np.float64)


def _spectrogram(audio: npt.NDArray[np.float32], sample_rate: float) -> tuple[FloatArray, FloatArray]:
    import librosa

    frame = 1 << round(np.log2(_FRAME_SECONDS * sample_rate))
    hop = int(np.clip(audio.shape[1] // _COLUMNS, frame // 32, frame // 2))
    highest = min(20_000.0, 0.5 * sample_rate)
    power: npt.NDArray[np.floating] | None = None
    for channel in audio:
        spectrum = np.abs(librosa.stft(channel, n_fft=frame, hop_length=hop)) ** 2
        power = spectrum if power is None else power + spectrum
    mel = librosa.feature.melspectrogram(
        S=power, sr=sample_rate, n_fft=frame, n_mels=_BANDS, fmin=_LOWEST_HZ, fmax=highest
    )
    columns = min(_COLUMNS, mel.shape[1])
    edges = np.linspace(0, mel.shape[1], columns + 1).astype(int)
    reduced = np.add.reduceat(mel, edges[:-1], axis=1) / np.diff(edges)
    centres = librosa.mel_frequencies(n_mels=_BANDS + 2, fmin=_LOWEST_HZ, fmax=highest)[1:-1]
    return 10.0 * np.log10(reduced.astype(np.float64) + 1e-12), np.asarray(centres, dtype=np.float64)
