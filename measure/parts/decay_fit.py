"""Which slopes explain the decay of a band best: one or two of them, from which moment on, and how well."""

import math
from dataclasses import dataclass

import numpy as np

from measure.parts.decay_bands import Band, Envelope
from measure.parts.decay_model import NEPERS, DecayModel, PowerBlocks, knee, maximise
from measure.validation import FloatArray

__all__ = ["DecayFit", "fit_decay"]

# A constant 60 dB below the start is added before fitting. It takes the weight from what lies lower, where
# the smear of the band filter, not the decay, would be fitted; no standard decay time reaches that far.
_CAP = 1e-6
_ATTEMPTS = 6
_SEGMENTS = 24


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
        return None, f"there is nothing between {band.low_hz:.5g} and {band.high_hz:.5g} Hz"
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
    def blocks_of(blocks: int) -> PowerBlocks:
        y = _block_means(power, blocks) + cap
        span = max(1, len(power) // blocks) * envelope.step
        centres = (np.arange(float(len(y))) + 0.5) * span - 0.5 * envelope.step
        return PowerBlocks(start + centres, y, envelope.bandwidth * span, cap)

    # Many starts on few blocks, then one climb on many. A thousand blocks describe a decay unless it is over
    # within a few of them.
    rough = _rough_single(blocks_of(160))
    if rough is None:
        return None
    blocks = 1024
    while True:
        data = blocks_of(blocks)
        single = maximise(data, rough.powers, rough.rates, rough.floor + cap)
        if single is None:
            return None
        if (
            blocks >= min(len(power), 32_768)
            or NEPERS / single.rates[0] > 100.0 * data.weight / envelope.bandwidth
        ):
            break
        blocks, rough = 4 * blocks, single
    misfit = _misfit(blocks_of(_SEGMENTS), single)
    double = None
    # Else too little is left for a second slope to explain.
    if misfit >= _SEGMENTS + 14.0 and (pair := _rough_double(blocks_of(320), single)) is not None:
        double = maximise(data, pair.powers, pair.rates, pair.floor + cap)
        if double is not None and not _deserves(double, single, data.weight * len(data.power)):
            double = None
    # Three parameters were fitted to the segments.
    return single, double, misfit / (_SEGMENTS - 3.0), *_bend(blocks_of(320), double or single)


def _bend(data: PowerBlocks, model: DecayModel) -> tuple[float, float]:
    """By how much of itself the slope grows over the decay, and the standard uncertainty of that.

    The estimate of Rao's score test for one more parameter, q, in a signal times exp(-q t^2).
    """
    t, weight = data.t, data.weight
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
    score = weight * rows @ (data.power / mean - 1.0)
    others = np.linalg.lstsq(information[:-1, :-1], information[:-1, -1], rcond=1e-12)[0]
    own = float(information[-1, -1] - others @ information[:-1, -1])
    if not own > 1e-12 * float(information[-1, -1]):
        return 0.0, math.inf
    reach = knee(model, float(t[-1]))
    scale = 2.0 * reach / float(model.rates[-1])
    return scale * float(score[-1] - others @ score[:-1]) / own, scale / math.sqrt(own)


def _misfit(data: PowerBlocks, model: DecayModel) -> float:
    """Sum of squared deviations of block means, in their standard deviations."""
    mean = model.signal(data.t) + model.floor + model.cap
    return float(np.sum(((data.power / mean - 1.0) ** 2) * data.weight))


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


def _rough_single(data: PowerBlocks) -> DecayModel | None:
    y = data.power
    floor = float(np.mean(y[-max(1, len(y) // 10) :]))
    top = float(np.max(_block_means(y, max(1, len(y) // 4))))
    span = float(data.t[-1] - data.t[0])
    found = []
    for nepers in (1.0, 3.0, 10.0, 40.0, 150.0):
        level = floor * (1.0 if nepers > 3.0 else 0.1)
        model = maximise(data, np.array([top]), np.array([nepers / span]), level, tolerance=1e-3)
        if model is not None:
            found.append(model)
    return max(found, key=lambda model: model.log_likelihood) if found else None


def _rough_double(data: PowerBlocks, single: DecayModel) -> DecayModel | None:
    power, rate = float(single.powers[0]), float(single.rates[0])
    found = []
    for fast, slow, share in ((1.5, 0.6, 0.3), (4.0, 0.9, 0.1), (8.0, 0.8, 0.5), (1.2, 0.3, 0.02)):
        powers, rates = np.array([0.9 * power, share * power]), np.array([fast * rate, slow * rate])
        model = maximise(data, powers, rates, single.floor + data.cap, tolerance=1e-3)
        if model is not None:
            found.append(model)
    if not found:
        return None
    best = max(found, key=lambda model: model.log_likelihood)
    again = maximise(data, single.powers, single.rates, single.floor + data.cap)
    return best if again is not None and _deserves(best, again, data.weight * len(data.power)) else None


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
