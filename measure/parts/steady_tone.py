"""Whether a recording is one steady tone: what is refused with the reason, and what is doubted.

Noise, music, two tones, a sweep and a tone whose harmonics fold back onto it have an instantaneous frequency too,
which says nothing of the speed. An echo, a weak second tone or clipping leave the figure, and make it doubtful.
"""

import math

import numpy as np

from measure.validation import FloatArray

__all__ = [
    "LARGEST_SECOND_TONE",
    "NotMeasurableError",
    "check_clipping",
    "check_envelope",
    "check_second_tone",
    "check_share",
    "check_steadiness",
    "echo_of",
    "second_tone",
]

_LOWEST_SHARE = 0.8
_LARGEST_RIPPLE = 0.42
_LARGEST_CHANGE = 0.03
# Clipped tones: samples a period below which no two lie on one crest; level of a folded harmonic, re the tone,
# that is too strong beside it; and what all weaker ones leave, as a share of the harmonics' amplitude: up to
# 0.4 % of the figure at 48 and 96 kHz by trials, clipped at a hundredth of the peak.
_SAMPLES_A_CREST = 8.0
_FOR_PHASES = 4096
_FEW_PHASES = 64
_STRONG_HARMONIC = 0.02
_FOLDING = 0.01
# An echo is looked for where the envelope moves by 0.02 % and the tone turns against it by 0.2 radian, both RMS.
# It must account for half of the envelope's power, beyond what a straight proportion does.
_LEAST_ECHO = 2e-4
_LEAST_TURN = 0.2
_ECHO_SHOWS = 0.5
_LEAST_SECOND_TONE = 2e-4
LARGEST_SECOND_TONE = 0.02
"""A second tone larger than this, re the first, makes two tones of one."""


class NotMeasurableError(Exception):
    """The signal does not allow the figure; the text is the reason."""


def check_share(
    power: FloatArray, bin_hz: float, carrier: float, flat: float, sample_rate: float, warnings: list[str]
) -> tuple[float, float]:
    """Refuse a tone that is not most of the signal.

    Parameters
    ----------
    power : ndarray, shape (bins,)
        Squared magnitudes of the spectrum of the recording, the first at 0 Hz.
    bin_hz, carrier, flat, sample_rate : float
        Distance of bins, frequency of the tone, and what counts as the tone on either side of it, in Hz.
    warnings : list of str
        Is added to where a percent or more lies elsewhere.

    Returns
    -------
    odd, even : float
        Power of the odd and of the even harmonics, re that of the tone.
    """

    def within(low: float, high: float) -> FloatArray:
        start, stop = math.floor(max(low, 0.0) / bin_hz), math.ceil(min(high, 0.5 * sample_rate) / bin_hz) + 1
        return power[start:stop]

    tone = float(np.sum(within(carrier - flat, carrier + flat)))
    total = float(np.sum(within(20.0, 0.5 * sample_rate)))
    harmonics: list[float] = []
    order = 2
    while 1.01 * order * carrier < 0.5 * sample_rate:
        zone = within(max(0.99 * order * carrier, carrier + flat), 1.01 * order * carrier)
        # What stands out of the noise in the zone; a bin of noise is 20 times its median once in a million.
        harmonics.append(float(np.sum(zone[zone > 20.0 * np.median(zone)])) if zone.size else 0.0)
        order += 1
    share = tone / max(total - sum(harmonics), tone)
    if share < _LOWEST_SHARE or tone < _LOWEST_SHARE * sum(harmonics):
        raise NotMeasurableError(
            f"no single tone: only {100.0 * tone / total:.3g} % of the power lies within {flat:.4g} Hz of "
            f"{carrier:.5g} Hz ({100.0 * _LOWEST_SHARE:g} % wanted)"
        )
    if share < 0.99:
        warnings.append(f"{100.0 * (1.0 - share):.2g} % of the power lies outside the demodulated band")
    # Of the even ones the second and the fourth, for odd ones of high order fold back beside the higher ones.
    return sum(harmonics[1::2]) / tone, sum(harmonics[:3:2]) / tone


def check_envelope(envelope: FloatArray, carrier: float) -> None:
    """Refuse an envelope, of shape (points,), that fluctuates as that of noise does."""
    ripple = float(np.std(envelope) / np.mean(envelope))
    if ripple > _LARGEST_RIPPLE:
        raise NotMeasurableError(
            f"no steady tone near {carrier:.5g} Hz: its envelope fluctuates by {100.0 * ripple:.2g} % RMS, as it "
            "does for noise, two tones or music"
        )


def check_steadiness(frequency: FloatArray, rate: float) -> None:
    """Refuse a tone that changes, or one that is swept: its means over two seconds differ too much."""
    block = max(1, min(round(2.0 * rate), frequency.size // 3))
    total = np.concatenate([[0.0], np.cumsum(frequency)])
    means = (total[block:] - total[:-block]) / block
    change = float(np.ptp(means) / np.mean(means))
    if change > _LARGEST_CHANGE:
        raise NotMeasurableError(
            f"not one steady tone: its frequency, averaged over two seconds, changes by {100.0 * change:.3g} % "
            f"from {float(means.min()):.5g} to {float(means.max()):.5g} Hz"
        )


def check_clipping(
    x: FloatArray,
    sample_rate: float,
    carrier: float,
    highest_rate_hz: float,
    flat: float,
    harmonics: tuple[float, float],
    warnings: list[str],
    *,
    full: bool,
) -> float:
    """Warn about a distorted tone, and refuse one whose harmonics fold back onto it.

    Parameters
    ----------
    x : ndarray, shape (samples,)
        The recording, scaled to a peak of 1.
    sample_rate, carrier, highest_rate_hz, flat : float
        Samples per second, and in Hz the tone, the highest rate of deviation wanted, and the half-width of the
        demodulated band.
    harmonics : tuple of float
        What :func:`check_share` gives.
    warnings : list of str
        Is added to.
    full : bool
        Whether the peak was full scale before.

    Returns
    -------
    float
        Relative doubt of the deviations of a clipped tone.
    """
    odd, even = harmonics
    top = np.abs(x) > 1.0 - 1e-4
    if full and sample_rate < _SAMPLES_A_CREST * carrier:
        # No two samples lie on one crest; of a sine 0.9 % of all are as high, unless it stands still and meets a
        # few phases over and over: half of all at the most.
        share = float(np.mean(top))
        phases = np.unique(np.round(x[:_FOR_PHASES], 4)).size
        clipped = share > 0.6 or (share > 0.05 and phases > _FEW_PHASES)
    else:
        clipped = int(np.sum(top[1:] & top[:-1])) > 0.1 * x.size * carrier / sample_rate
    if clipped:
        warnings.append("the tone is clipped")
        if 3.03 * carrier > 0.5 * sample_rate:
            odd = max(odd, 1.0 / 9.0)  # the third harmonic cannot be seen: as that of a square wave
    total = odd + even
    if total < 1e-6:
        return 0.0
    if total > 1e-4:
        level = 10.0 * math.log10(total)
        warnings.append(f"the tone is distorted, its harmonics lie at {level:.3g} dB, outside the band read")
    if not clipped and total < 0.1:
        return 0.0
    if even < 1e-3 * odd:  # no more than odd harmonics of high order leave there by folding
        even = 0.0
    for order in range(2, 64):
        # The harmonics of the sharpest waveforms fall with their order; the lowest of either kind holds most.
        size = math.sqrt(odd) * 3.0 / order if order % 2 else math.sqrt(even) * 2.0 / order
        folded = abs(order * carrier - round(order * carrier / sample_rate) * sample_rate)
        apart = abs(folded - carrier)
        onto = apart < highest_rate_hz + 0.002 * order * carrier and size > 1e-5
        # A strong one anywhere in the demodulated band bends the phase of the tone.
        beside = apart < flat and size > _STRONG_HARMONIC
        if order * carrier > 0.5 * sample_rate and (onto or beside):
            raise NotMeasurableError(
                f"the tone is {'clipped' if clipped else 'distorted'} and its harmonic {order} folds back to "
                f"{folded:.5g} Hz at {sample_rate:g} samples per second, onto the tone; record at a lower level"
            )
    return _FOLDING * math.sqrt(total) if clipped else 0.0


def check_second_tone(
    envelope: FloatArray, frequency: FloatArray, rate: float, carrier: float, flat: float, warnings: list[str]
) -> float:
    """Refuse a second tone inside the band, or warn of a weak one; return its distance, ``nan`` without any."""
    offset, size = second_tone(envelope, frequency - carrier, rate, highest_hz=flat)
    if size == 0.0:
        return math.nan
    second, relative = carrier + offset, 20.0 * math.log10(size)
    if size > LARGEST_SECOND_TONE:
        raise NotMeasurableError(
            f"two tones: besides {carrier:.5g} Hz there is one at {second:.5g} Hz, {relative:.3g} dB re the first"
        )
    warnings.append(f"a second component at {second:.5g} Hz, {relative:.3g} dB re the tone, counts as deviation")
    return abs(offset)


def second_tone(
    envelope: FloatArray, deviation_hz: FloatArray, rate: float, *, highest_hz: float
) -> tuple[float, float]:
    """Find a second tone beside a demodulated one: the one thing that has a sideband on one side only.

    Frequency modulation alone and amplitude modulation alone have sidebands of equal size on both sides. A
    second tone modulates both by equal amounts, a quarter of a period apart.

    Parameters
    ----------
    envelope, deviation_hz : ndarray, shape (points,)
        Envelope, and deviation of the frequency from its mean.
    rate : float
        Points per second.
    highest_hz : float
        How far from the tone it is looked for.

    Returns
    -------
    offset_hz, size : float
        Distance from the tone, negative below it, and amplitude re the tone; size 0 where there is none.
    """
    from scipy import fft

    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(envelope.size) + 0.5) / envelope.size)
    scale = 2.0 / float(np.sum(window))
    length = fft.next_fast_len(envelope.size, real=True)
    # Of a tone and a weaker one the logarithm of the envelope and the phase are a Hilbert pair, in all orders.
    level = np.log(np.maximum(envelope / np.mean(envelope), 1e-6))
    am = scale * fft.rfft((level - np.mean(level)) * window, length)
    at = np.arange(am.size) * rate / length
    with np.errstate(divide="ignore", invalid="ignore"):
        pm = scale * fft.rfft(deviation_hz * window, length) / (1j * at)
    am, pm, at = am[1:], pm[1:], at[1:]
    upper, lower = 0.5 * np.abs(am + 1j * pm), 0.5 * np.abs(am - 1j * pm)
    weak = np.minimum(upper, lower)
    either = np.maximum(upper, lower)
    strong = either.copy()
    strong[(at < 3.0 * rate / envelope.size) | (at > highest_hz) | (weak > 0.2 * strong)] = 0.0
    best = int(np.argmax(strong))
    beside = np.concatenate([either[max(best - 40, 0) : max(best - 4, 0)], either[best + 5 : best + 41]])
    # A line of its own, not a place between lines of speed and of amplitude.
    lone = beside.size > 0 and strong[best] > max(8.0 * float(np.median(beside)), 0.05 * float(np.max(beside)))
    if strong[best] < _LEAST_SECOND_TONE or not lone:
        return math.nan, 0.0
    return float(at[best]) * (1.0 if upper[best] > lower[best] else -1.0), float(strong[best])


def echo_of(envelope: FloatArray, frequency: FloatArray, rate: float, warnings: list[str]) -> float:
    """Level of an echo that the envelope betrays; 0 where it shows none.

    An echo of level r that comes tau later turns against the tone by what the phase has moved within tau:
    ``phase(t) - phase(t - tau)``. The logarithm of the envelope then follows r times its cosine and sine. Where
    that turn is a good part of a radian no plain modulation of amplitude looks like it: one that moves in
    proportion to the turn, as the two do on a bad bearing, is not counted.
    """
    stride = max(1, int(rate / 1000.0))
    level = np.log(np.maximum(envelope / np.mean(envelope), 1e-6))[::stride]
    phase = (2.0 * np.pi / rate * np.cumsum(frequency - np.mean(frequency)))[::stride]
    longest = min(round(rate / stride), level.size // 3)
    level = level - np.mean(level)
    if longest < 8 or float(np.std(level)) < _LEAST_ECHO:
        return 0.0
    at = np.linspace(longest, level.size - 1, min(level.size - longest, 2048)).astype(np.int64)
    seen = level[at]
    total = float(np.sum(np.square(seen - np.mean(seen))))
    if not total > 0.0:
        return 0.0
    best, delay, size = 0.0, 0, 0.0
    for lag in np.unique(np.geomspace(1.0, longest, 240).astype(np.int64)):
        turn = phase[at] - phase[at - lag]
        turn -= np.mean(turn)
        if float(np.std(turn)) < _LEAST_TURN:
            continue
        basis = np.stack([np.cos(turn), np.sin(turn), turn])
        basis -= basis.mean(axis=1, keepdims=True)
        straight = float(np.sum(basis[2] * seen)) ** 2 / float(np.sum(basis[2] ** 2))
        a, b, c = (float(np.sum(basis[i] * basis[j])) for i, j in ((0, 0), (0, 1), (1, 1)))
        u, v = (float(np.sum(basis[i] * seen)) for i in (0, 1))
        determinant = a * c - b * b
        if not determinant > 1e-9 * a * c:
            continue
        cosine, sine = (c * u - b * v) / determinant, (a * v - b * u) / determinant
        explained = (cosine * u + sine * v - straight) / total
        if explained > best:
            best, delay, size = explained, int(lag), math.hypot(cosine, sine)
    if best < _ECHO_SHOWS or size > 1.0:
        return 0.0
    warnings.append(
        f"the envelope moves as an echo of {20.0 * math.log10(size):.0f} dB after about "
        f"{1000.0 * delay * stride / rate:.2g} ms would make it, which makes the deviation wrong by up to "
        f"{200.0 * size:.2g} % of it"
    )
    return size
