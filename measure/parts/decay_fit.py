"""Parts of a decay: band envelopes without ringing, and the maximum-likelihood fit of slopes and a floor."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from measure.errors import MeasureError
from measure.validation import FloatArray

__all__ = [
    "NEPERS",
    "Band",
    "BandName",
    "DecayFit",
    "DecayModel",
    "Envelope",
    "band_envelope",
    "band_gain",
    "bands_of",
    "fit_decay",
    "knee",
    "maximise",
    "onset_of",
]

BandName = Literal["octave", "third octave", "broadband"]

NEPERS = math.log(1e6)  # 60 dB of power
# A constant 60 dB below the start is added before fitting. It takes the weight from what lies lower, where
# the smear of the band filter, not the decay, would be fitted; no standard decay time reaches that far.
_CAP = 1e-6
_ATTEMPTS = 6
_ITERATIONS = 80
_SEGMENTS = 24
_OCTAVES = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_THIRDS = (50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000,
           5000, 6300, 8000, 10000, 12500, 16000)  # fmt: skip


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


@dataclass(frozen=True, eq=False)
class DecayModel:
    """Mean power ``sum_i powers[i] * exp(-rates[i] * t) + floor``, fastest slope first."""

    powers: FloatArray
    rates: FloatArray
    floor: float
    cap: float  # power below which nothing was looked at
    rate_sigma: FloatArray  # relative
    log_likelihood: float

    def signal(self, t: FloatArray) -> FloatArray:
        return np.asarray(np.sum(self.powers[:, None] * np.exp(-self.rates[:, None] * t), axis=0))

    def remaining(self, t: FloatArray) -> FloatArray:
        """Energy still to come."""
        return np.asarray(np.sum((self.powers / self.rates)[:, None] * np.exp(-self.rates[:, None] * t), axis=0))


@dataclass(frozen=True, eq=False)
class DecayFit:
    """What explains a decay best."""

    single: DecayModel
    double: DecayModel | None
    begins: float  # seconds after the onset from which data were used
    agrees: bool  # whether the first 5 dB of data agree with the model
    smeared: bool  # whether the filter's smear of the first arrival is as strong as what was fitted
    misfit: float  # of `single`: mean squared deviation of segments, in their variances; 1 for an exponential
    bend: float  # by how much of itself the slope grows from the start to the floor; negative for a sagging decay
    bend_sigma: float

    @property
    def best(self) -> DecayModel:
        return self.double or self.single


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


def band_envelope(signal: FloatArray, rate: float, band: Band, spread: float = 2.0) -> Envelope:
    """Squared complex envelope of a band, sampled some four times as fast as it is wide.

    `spread` is the mean square of the power in a bin over the squared mean: 2 for a Gaussian response, 4 for
    Gaussian noise that went through one.
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
    # For a flat Gaussian spectrum the second expression equals the first; for a few resonances it is smaller.
    actual = spread * float(np.sum(power)) ** 2 / squares * bin_hz if squares > 0.0 else flat
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


def knee(model: DecayModel, end: float) -> float:
    """Time at which the decay sinks to the floor, or so far that it is not looked at; at most `end`."""
    level = max(model.floor, model.cap)
    if not level > 0.0 or float(model.signal(np.array([end]))[0]) >= level:
        return end
    low, high = 0.0, end
    for _ in range(60):
        middle = 0.5 * (low + high)
        if float(model.signal(np.array([middle]))[0]) > level:
            low = middle
        else:
            high = middle
    return low


def fit_decay(envelope: Envelope, band: Band, onset: float) -> tuple[DecayFit | None, str]:
    """Fit one slope, and two where they explain the decay far better.

    Returns
    -------
    fit, reason : DecayFit or None, str
        No fit comes with the reason.

    Notes
    -----
    A direct sound or a slow build-up is no part of an exponential. Where the first 5 dB of the model do
    not agree with the data, or are the filter's smear of the first arrival, the fit begins anew where the energy
    still to come has fallen by 5 dB.
    """
    if envelope.share < 1e-13 or not np.max(envelope.power) > 0.0:
        return None, f"there is nothing between {band.low_hz:.4g} and {band.high_hz:.4g} Hz"
    guard = 1.0 / (band.high_hz - band.low_hz)
    first = math.ceil((onset + guard) / envelope.step)
    last = len(envelope.power) - math.ceil(guard / envelope.step)
    past = envelope.power[: int((onset + 0.5 * guard) / envelope.step) + 1]
    fit: DecayFit | None = None
    for _ in range(_ATTEMPTS):
        power = envelope.power[first:last]
        if len(power) * envelope.step * envelope.bandwidth < 8.0 or len(power) < 32:
            break
        start = first * envelope.step - onset
        smooth = max(1, round(16.0 * guard / envelope.step))
        cap = _CAP * float(np.max(_block_means(power, max(1, len(power) // smooth))))
        if not cap > 0.0:
            break
        found = _fit_from(power, envelope, start, cap)
        if found is None:
            break
        single, double, misfit, bend, bend_sigma = found
        best = double or single
        agrees = _starts_well(power, envelope, start, best)
        since = first - np.arange(len(past))
        smear = float(np.sum(past * envelope.smear[np.minimum(since, len(envelope.smear) - 1)])) * envelope.step
        smeared = not float(best.signal(np.array([start]))[0]) > 2.0 * smear
        fit = DecayFit(
            single=single,
            double=double,
            begins=start,
            agrees=agrees,
            smeared=smeared,
            misfit=misfit,
            bend=bend,
            bend_sigma=bend_sigma,
        )
        # An early slope as steep as the filter's own is the first arrival, too.
        steep = double is not None and NEPERS / double.rates[0] <= max(4.0 * guard, 2.0 * envelope.own_decay)
        if agrees and not smeared and not steep:
            break
        remaining = np.cumsum((power - best.floor)[::-1])[::-1]
        first += max(1, int(np.argmax(remaining <= 10.0**-0.5 * remaining[0])))
    if fit is None:
        return None, f"{max(last - first, 0) * envelope.step:.3g} s after the onset is too short for the band"
    return fit, ""


def _block_means(power: FloatArray, blocks: int) -> FloatArray:
    size = max(1, len(power) // blocks)
    count = len(power) // size
    return np.asarray(power[: count * size].reshape(count, size).mean(axis=1))


def _fit_from(
    power: FloatArray, envelope: Envelope, start: float, cap: float
) -> tuple[DecayModel, DecayModel | None, float, float, float] | None:
    def blocks_of(blocks: int) -> tuple[FloatArray, FloatArray, float]:
        y = _block_means(power, blocks) + cap
        span = max(1, len(power) // blocks) * envelope.step
        centres = (np.arange(float(len(y))) + 0.5) * span - 0.5 * envelope.step
        return start + centres, y, envelope.bandwidth * span

    # Many starts on few blocks, then one climb on many. A thousand blocks describe a decay unless it is over
    # within a few of them.
    rough = _rough_single(*blocks_of(160), cap)
    if rough is None:
        return None
    blocks = 1024
    while True:
        data = blocks_of(blocks)
        single = maximise(*data, cap, rough.powers, rough.rates, rough.floor + cap)
        if single is None:
            return None
        if blocks >= min(len(power), 32_768) or NEPERS / single.rates[0] > 100.0 * data[2] / envelope.bandwidth:
            break
        blocks, rough = 4 * blocks, single
    misfit = _misfit(*blocks_of(_SEGMENTS), single)
    double = None
    # Else too little is left for a second slope to explain.
    if misfit >= _SEGMENTS + 14.0 and (pair := _rough_double(*blocks_of(320), cap, single)) is not None:
        double = maximise(*data, cap, pair.powers, pair.rates, pair.floor + cap)
        if double is not None and not _deserves(double, single, data[2] * len(data[1])):
            double = None
    # Three parameters were fitted to the segments.
    return single, double, misfit / (_SEGMENTS - 3.0), *_bend(*blocks_of(320), double or single)


def _bend(t: FloatArray, y: FloatArray, weight: float, model: DecayModel) -> tuple[float, float]:
    """By how much of itself the slope grows over the decay, and the standard uncertainty of that.

    The estimate of Rao's score test for one more parameter, q, in a signal times exp(-q t^2).
    """
    decays = model.powers[:, None] * np.exp(-model.rates[:, None] * t)
    mean = decays.sum(axis=0) + model.floor + model.cap
    rows = np.concatenate(
        [
            decays / mean,
            -model.rates[:, None] * t * decays / mean,
            [np.full(len(t), 1.0) * (model.floor + model.cap) / mean],
            [-(t**2) * decays.sum(axis=0) / mean],
        ]
    )
    information = weight * rows @ rows.T
    score = weight * rows @ (y / mean - 1.0)
    others = np.linalg.lstsq(information[:-1, :-1], information[:-1, -1], rcond=1e-12)[0]
    own = float(information[-1, -1] - others @ information[:-1, -1])
    if not own > 1e-12 * float(information[-1, -1]):
        return 0.0, math.inf
    reach = knee(model, float(t[-1]))
    scale = 2.0 * reach / float(model.rates[-1])
    return scale * float(score[-1] - others @ score[:-1]) / own, scale / math.sqrt(own)


def _misfit(t: FloatArray, y: FloatArray, weight: float, model: DecayModel) -> float:
    """Sum of squared deviations of block means, in their standard deviations."""
    return float(np.sum(((y / (model.signal(t) + model.floor + model.cap) - 1.0) ** 2) * weight))


def _starts_well(power: FloatArray, envelope: Envelope, start: float, model: DecayModel) -> bool:
    """Whether the model holds, to four standard deviations, in each quarter of its first 5 dB."""
    t = start + np.arange(float(len(power))) * envelope.step
    mean = model.signal(t) + model.floor
    extent = int(np.argmax(mean <= 10.0**-0.5 * mean[0])) or len(power)
    quarter = extent // 4
    if quarter * envelope.step * envelope.bandwidth < 1.0:
        quarter = extent
    independent = quarter * envelope.step * envelope.bandwidth
    if independent < 1.0:
        return True
    ratios = (power[: extent // quarter * quarter] / mean[: extent // quarter * quarter]).reshape(-1, quarter)
    # A tenth is let pass: real decays are never exact, and the figure does not suffer from that much.
    allowed = 4.0 / math.sqrt(independent) + 0.1
    return bool(np.all(np.abs(ratios.mean(axis=1) - 1.0) < allowed))


def _rough_single(t: FloatArray, y: FloatArray, weight: float, cap: float) -> DecayModel | None:
    floor = float(np.mean(y[-max(1, len(y) // 10) :]))
    top = float(np.max(_block_means(y, max(1, len(y) // 4))))
    span = float(t[-1] - t[0])
    found = []
    for nepers in (1.0, 3.0, 10.0, 40.0, 150.0):
        level = floor * (1.0 if nepers > 3.0 else 0.1)
        model = maximise(t, y, weight, cap, np.array([top]), np.array([nepers / span]), level, tolerance=1e-3)
        if model is not None:
            found.append(model)
    return max(found, key=lambda model: model.log_likelihood) if found else None


def _rough_double(
    t: FloatArray, y: FloatArray, weight: float, cap: float, single: DecayModel
) -> DecayModel | None:
    power, rate = float(single.powers[0]), float(single.rates[0])
    found = []
    for fast, slow, share in ((1.5, 0.6, 0.3), (4.0, 0.9, 0.1), (8.0, 0.8, 0.5), (1.2, 0.3, 0.02)):
        powers, rates = np.array([0.9 * power, share * power]), np.array([fast * rate, slow * rate])
        model = maximise(t, y, weight, cap, powers, rates, single.floor + cap, tolerance=1e-3)
        if model is not None:
            found.append(model)
    if not found:
        return None
    best = max(found, key=lambda model: model.log_likelihood)
    again = maximise(t, y, weight, cap, single.powers, single.rates, single.floor + cap)
    return best if again is not None and _deserves(best, again, weight * len(y)) else None


def _deserves(double: DecayModel, single: DecayModel, samples: float) -> bool:
    """Whether two slopes are worth their two parameters."""
    # Bayesian information criterion, and ten to spare.
    price = 2.0 * math.log(max(samples, 2.0)) + 10.0
    if 2.0 * (double.log_likelihood - single.log_likelihood) < price:
        return False
    # A second slope that never stands clear of the floor is the floor.
    return bool(
        double.rates[0] > 1.3 * double.rates[1]
        and np.max(double.rate_sigma) < 0.25
        and double.powers[1] > 2.0 * max(double.floor, double.cap)
    )


def maximise(
    t: FloatArray,
    y: FloatArray,
    weight: float,
    cap: float,
    powers: FloatArray,
    rates: FloatArray,
    floor: float,
    *,
    tolerance: float = 1e-7,
) -> DecayModel | None:
    """Fisher scoring with damping on the logarithms of all parameters.

    `weight` is the number of independent samples in a block: the likelihood and the information of a
    block are that many times those of one exponentially distributed power.
    """
    slopes = len(powers)
    theta = np.log(np.concatenate([powers, rates, [floor]]))
    # The cap is a floor that was added, so no floor can lie below it.
    least = math.log(cap)

    def parts(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        decays = np.exp(at[:slopes, None] - np.exp(at[slopes : 2 * slopes, None]) * t)
        return decays, np.sum(decays, axis=0) + math.exp(at[-1])

    def likelihood(mean: FloatArray) -> float:
        return -float(np.sum(np.log(mean) + y / mean))

    theta[-1] = max(theta[-1], least)
    decays, mean = parts(theta)
    value = likelihood(mean)
    damping = 1e-3
    information = np.eye(len(theta))
    for _ in range(_ITERATIONS):
        gradient = np.empty((2 * slopes + 1, len(t)))
        gradient[:slopes] = decays / mean
        gradient[slopes : 2 * slopes] = -np.exp(theta[slopes : 2 * slopes, None]) * t * gradient[:slopes]
        gradient[-1] = math.exp(theta[-1]) / mean
        score = gradient @ (y / mean - 1.0)
        information = gradient @ gradient.T
        improved = False
        for _ in range(12):
            damped = information + damping * np.diag(np.diag(information) + 1e-12)
            step = np.clip(np.linalg.solve(damped, score), -1.0, 1.0)
            trial = theta + step
            trial[:-1] = np.clip(trial[:-1], -600.0, 600.0)
            trial[-1] = min(max(trial[-1], least), 600.0)
            new_decays, new_mean = parts(trial)
            new_value = likelihood(new_mean)
            if math.isfinite(new_value) and new_value >= value:
                improved = True
                break
            damping *= 8.0
        if not improved:
            break
        gain = new_value - value
        theta, decays, mean, value = trial, new_decays, new_mean, new_value
        damping = max(damping * 0.2, 1e-9)
        if gain * weight < 1e-3 * tolerance**0.5 and float(np.max(np.abs(step[:-1]))) < tolerance:
            break
    if not np.all(np.isfinite(theta)):
        return None
    order = np.argsort(-theta[slopes : 2 * slopes])
    try:
        covariance = np.linalg.pinv(information * weight, rcond=1e-14)
    except np.linalg.LinAlgError:
        return None
    sigma = np.sqrt(np.maximum(np.diag(covariance)[slopes : 2 * slopes], 0.0))
    return DecayModel(
        powers=np.exp(theta[:slopes])[order],
        rates=np.exp(theta[slopes : 2 * slopes])[order],
        floor=max(math.exp(theta[-1]) - cap, 0.0),
        cap=cap,
        rate_sigma=sigma[order],
        log_likelihood=value * weight,
    )
