"""Bands of a decay, and the power of a signal in one without ringing of the filter."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError
from measure.validation import FloatArray

__all__ = ["Band", "BandName", "Envelope", "band_envelope", "band_gain", "bands_of", "onset_of"]

BandName = Literal["octave", "third octave", "broadband"]

_OCTAVES = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_THIRDS = (50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000,
           5000, 6300, 8000, 10000, 12500, 16000)  # fmt: skip

_CHANCE = 2.0  # standard deviations by which a bandwidth must be smaller to count


@dataclass(frozen=True)
class Band:
    """A band of frequencies by its half-power edges."""

    name: str
    centre_hz: float
    low_hz: float
    high_hz: float
    low_skirt: float  # octaves to either side of an edge within which the gain falls
    high_skirt: float


@dataclass(frozen=True, eq=False)
class Envelope:
    """Power of one band on a grid of its own."""

    power: FloatArray
    step: float
    seconds: float  # how long it lasts
    bandwidth: float  # statistical: independent complex samples per second
    share: float  # of the whole signal's energy
    smear: FloatArray  # power of a unit of energy at time 0, from there on
    own_decay: float  # seconds per 60 dB of the smear, over its first 35 dB


def bands_of(kind: BandName, rate: float) -> list[Band]:
    """Return the bands of a kind that lie below half the rate, skirts included."""
    if kind == "broadband":
        return [Band("broadband", math.nan, 40.0, min(20_000.0, 0.45 * rate), 1.0, 0.1)]
    if kind == "octave":
        # IEC 61260-1: base-ten octaves, G = 10^0.3, about 1 kHz.
        chosen = [(nominal, 3 * (k - 4)) for k, nominal in enumerate(_OCTAVES)]
        half, skirt = 0.15, 0.3
    elif kind == "third octave":
        chosen = [(float(nominal), k - 13) for k, nominal in enumerate(_THIRDS)]
        half, skirt = 0.05, 0.1
    else:
        raise MeasureError(f"bands is {kind!r}, but must be 'octave', 'third octave' or 'broadband'")
    bands = [
        Band(
            f"{nominal:g} Hz",
            nominal,
            10.0 ** (3.0 + tenths / 10.0 - half),
            10.0 ** (3.0 + tenths / 10.0 + half),
            skirt,
            skirt,
        )
        for nominal, tenths in chosen
    ]
    return [band for band in bands if band.high_hz * 2.0**band.high_skirt < 0.5 * rate]


def onset_of(h: FloatArray) -> int:
    """First sample within 20 dB of the peak (ISO 3382-1)."""
    magnitude = np.abs(h)
    return int(np.argmax(magnitude >= 0.1 * np.max(magnitude)))


def _edge(x: FloatArray) -> FloatArray:
    """Gain across an edge, from 0 at -1 over half power at 0 to 1 at 1; neighbours add up to one in power.

    A sine of Meyer's polynomial: three derivatives vanish at both ends, so the filter's smear falls fast.
    """
    u = np.clip(0.5 + 0.5 * x, 0.0, 1.0)
    return np.sin(0.5 * np.pi * u**4 * (35.0 - 84.0 * u + 70.0 * u**2 - 20.0 * u**3))


def band_gain(frequencies: FloatArray, band: Band) -> FloatArray:
    """Gain of a band's filter at frequencies above zero: class 1 of IEC 61260-1, and nothing beyond its skirts."""
    octaves = np.log2(frequencies)
    return _edge((octaves - math.log2(band.low_hz)) / band.low_skirt) * _edge(
        (math.log2(band.high_hz) - octaves) / band.high_skirt
    )


def _scatter_of_bandwidth(
    envelope: npt.NDArray[np.complex128], step: float, bandwidth: float, factors: int
) -> float:
    """Relative standard deviation, by chance alone, of the bandwidth that the powers of the bins tell.

    It is that of ``mean(p)^2 / mean(p^2)`` over n independent bins, by the delta method; a product of f
    independent exponentials has the moments ``(k!)^f``, so this is ``1 / sqrt(n)`` for one and ``sqrt(15 / n)``
    for two. Bins are independent that lie one over the duration of the energy apart.
    """
    power = np.abs(envelope) ** 2
    lasting = float(np.sum(power)) ** 2 / max(float(np.sum(power**2)), 1e-300) * step
    second, third, fourth = 2.0**factors, 6.0**factors, 24.0**factors
    variance = fourth / second**2 - 1.0 + 4.0 * (second - 1.0) - 4.0 * (third / second - 1.0)
    return math.sqrt(variance / max(bandwidth * lasting, 1.0))


def band_envelope(signal: FloatArray, rate: float, band: Band, *, factors: int = 1) -> Envelope:
    """Squared complex envelope of a band, sampled some four times as fast as it is wide.

    The spectrum is a Gaussian one, or with two `factors` that of Gaussian noise that went through a Gaussian
    response.
    """
    from scipy.fft import next_fast_len

    n = len(signal)
    # The filter's smear lasts for a few over the width of its narrower edge and must not wrap from start to end.
    edge_hz = band.low_hz * (2.0**band.low_skirt - 2.0**-band.low_skirt)
    padded = next_fast_len(n + int(8.0 * rate / edge_hz), real=True)
    spectrum = np.fft.rfft(signal, padded)
    frequencies = np.asarray(np.fft.rfftfreq(padded, 1.0 / rate), dtype=np.float64)
    first = int(np.searchsorted(frequencies, band.low_hz / 2.0**band.low_skirt, side="right"))
    last = int(np.searchsorted(frequencies, band.high_hz * 2.0**band.high_skirt, side="left"))
    gain = band_gain(frequencies[first:last], band)
    selected = spectrum[first:last] * gain
    size = next_fast_len(4 * len(selected))
    envelope = np.fft.ifft(selected, size) * (size / padded) * math.sqrt(2.0)
    step = padded / size / rate
    bin_hz = rate / padded
    power = np.abs(selected) ** 2
    flat = float(np.sum(gain**2) ** 2 / np.sum(gain**4)) * bin_hz
    squares = float(np.sum(power**2))
    # For a flat Gaussian spectrum the second expression equals the first; for a few resonances it is smaller. What
    # may be smaller by chance alone does not count: the smaller of the two would be too small on average.
    actual = 2.0**factors * float(np.sum(power)) ** 2 / squares * bin_hz if squares > 0.0 else flat
    if actual > flat * (1.0 - _CHANCE * _scatter_of_bandwidth(envelope, step, flat, factors)):
        actual = flat
    smear = np.abs(np.fft.ifft(gain, size)) ** 2
    smear = (smear / (np.sum(smear) * step))[: size // 2]
    left = np.cumsum(smear[::-1])[::-1]
    own = 60.0 / 35.0 * step * int(np.argmax(left <= 10.0**-3.5 * left[0]))
    return Envelope(
        power=(np.abs(envelope) ** 2)[: max(1, int(n / rate / step))],
        step=step,
        seconds=n / rate,
        bandwidth=min(flat, actual),
        share=float(np.sum(power)) / max(float(np.sum(np.abs(spectrum) ** 2)), 1e-300),
        smear=smear,
        own_decay=own,
    )
