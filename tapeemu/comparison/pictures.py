"""What the plots of a report show: average spectra, levels over time, spectrograms."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from measure.character import average_spectrum
from tapeemu.comparison.rendering import Render
from tapeemu.dsp.shared_tables import read_only
from tapeemu.validation import FloatArray

__all__ = ["Picture", "outline", "picture_of", "shown"]

MOST_SHOWN = 4

_BLOCK_SECONDS = 0.05
_HISTOGRAM_EDGES_DB = read_only(np.arange(-80.0, 2.0, 2.0))
_COLUMNS = 480
_BANDS = 128
_FRAME_SECONDS = 0.085
_LOWEST_HZ = 30.0
_THIRD = 10.0**0.1
_SILENCE = 1e-20


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


def shown(null_db: Sequence[float]) -> list[int]:
    """Which of many orders are drawn: the first, and those that differ most from it."""
    others = sorted(range(1, len(null_db)), key=lambda index: -np.nan_to_num(null_db[index], nan=-np.inf))
    return [0, *sorted(others[: MOST_SHOWN - 1])]


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


def outline(renders: Sequence[Render], points: int = 400) -> list[float]:
    """Largest RMS level of all renders in each of some equal parts of the time, 0 to 1, to be drawn."""
    largest = np.zeros(points)
    for render in renders:
        power = np.mean(np.square(render.audio), axis=0)
        edges = np.linspace(0, power.size, points + 1).astype(int)
        sums = np.concatenate([[0.0], np.cumsum(power, dtype=np.float64)])
        largest = np.maximum(largest, np.diff(sums[edges]) / np.maximum(np.diff(edges), 1))
    top = float(np.max(largest))
    return [round(float(value), 3) for value in np.sqrt(largest / top)] if top > 0.0 else [0.0] * points


def _histogram(audio: npt.NDArray[np.float32], sample_rate: float) -> FloatArray:
    size = max(round(_BLOCK_SECONDS * sample_rate), 1)
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
