"""A recorded tone and its harmonics by least squares, on the time base that the tone itself gives.

See :mod:`measure.parts.time_base` for why.
"""

import math
from dataclasses import dataclass

import numpy as np

from measure.errors import MeasureError
from measure.parts.line_solver import SolvedLines, edge_weights, solve_lines
from measure.parts.spectrum import band_power, find_tone, power_spectrum
from measure.parts.steady_tone import LARGEST_SECOND_TONE, NotMeasurableError, second_tone
from measure.parts.time_base import MIN_PERIODS, STOPBAND_DB, TimeBase, image_gain, time_base, tracked_band_hz
from measure.validation import FloatArray, check_rate, check_signal, unusable

__all__ = ["ToneFit", "fit_tone"]

_MODELLED_HARMONICS = 20
_ROUNDING = 5e-12  # what is left of a steady component, re the tone
_STOPBAND = 10.0 ** (-STOPBAND_DB / 20.0)
_UNEVEN = 0.05  # share by which level or harmonics change before a word is said


@dataclass(frozen=True, kw_only=True, eq=False)
class ToneFit:
    """A tone and its harmonics, ``dc + sum_k amplitude[k] * cos(k * phase(t) + phase_rad[k])``.

    Attributes
    ----------
    frequency_hz, frequency_uncertainty_hz : float
        Mean frequency of the tone, and its standard uncertainty.
    amplitudes : ndarray, shape (orders + 1,)
        Peak amplitudes; index 0 is the steady component, index 1 the tone itself. ``nan`` above half the rate.
    phases_rad : ndarray, shape (orders + 1,)
        Phase of harmonic ``k`` at the positive crest of the tone; entry 1 is zero by definition.
    sigmas : ndarray, shape (orders + 1,)
        Standard uncertainty of each amplitude, from the noise found around that line.
    errors : ndarray, shape (orders + 1,)
        Standard uncertainty of each amplitude from the method itself: what is wrong with the time base.
    residual_rms : float
        RMS of what tone and modelled harmonics leave.
    total_rms : float
        RMS of the recording without its steady component.
    seconds, sample_rate : float
        Length that was used, and the rate.
    tracked : bool
        Whether the harmonics follow the measured phase (true) or one fixed frequency (false).
    reason : str
        Why there is no fit; empty when there is one.
    warnings : tuple of str
        What limits it.
    """

    frequency_hz: float
    frequency_uncertainty_hz: float
    amplitudes: FloatArray
    phases_rad: FloatArray
    sigmas: FloatArray
    errors: FloatArray
    residual_rms: float
    total_rms: float
    seconds: float
    sample_rate: float
    tracked: bool
    reason: str = ""
    warnings: tuple[str, ...] = ()


def fit_tone(
    signal: FloatArray, sample_rate: float, *, frequency_hz: float | None = None, orders: int = 10
) -> ToneFit:
    """Fit a tone and its harmonics to a recording.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording of one tone, at any frequency, coherent with the length or not.
    sample_rate : float
        Samples per second.
    frequency_hz : float, optional
        Where the tone should be; it is looked for within 5 %. Without it, the strongest line is the tone.
    orders : int
        Highest harmonic to report, 2 or more.

    Returns
    -------
    ToneFit
        With `reason` set, and ``nan`` for all figures, when no single tone dominates the recording.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape.
    """
    y = check_signal(signal)
    rate = check_rate(sample_rate)
    if isinstance(orders, bool) or not isinstance(orders, int) or orders < 2:
        raise MeasureError(f"orders is {orders!r}, but must be a whole number of 2 or more")
    if frequency_hz is not None and not 0.0 < frequency_hz < 0.5 * rate:
        raise MeasureError(f"frequency_hz is {frequency_hz!r}, but must lie between 0 and half the rate")
    try:
        return _fitted(y, time_base(y, rate, frequency_hz=_tone_in(y, rate, frequency_hz)), orders, frequency_hz)
    except NotMeasurableError as refusal:
        return _no_fit(str(refusal), orders, rate)


def _tone_in(y: FloatArray, rate: float, expected_hz: float | None) -> float:
    """Frequency of the strongest line."""
    if reason := unusable(y):
        raise NotMeasurableError(reason)
    found = find_tone(y, rate, near_hz=expected_hz)
    if not found > 0.0:
        where = "" if expected_hz is None else f" within 5 % of {expected_hz:g} Hz"
        raise NotMeasurableError(f"no tone was found{where}")
    # A line so low that hardly any period of it fits is a trend, not a tone.
    if found * len(y) / rate < MIN_PERIODS:
        raise NotMeasurableError(
            f"the recording holds {found * len(y) / rate:.1f} periods of {found:.4g} Hz, fewer than {MIN_PERIODS}"
        )
    return found


def _fitted(y: FloatArray, base: TimeBase, orders: int, expected_hz: float | None) -> ToneFit:
    multiples = _multiples(base, orders)
    part = base.part(y)
    solved, cut = _solved(part, base, multiples)
    strength = np.abs(solved.lines)
    _require_one_tone(part, base, strength, solved.mean_square)
    swing, unsteady = _unsteadiness(base, solved, disturbed=bool(cut))
    mean_hz = base.mean_hz
    if expected_hz is not None and abs(mean_hz / expected_hz - 1.0) > 0.05:
        raise NotMeasurableError(f"no tone was found within 5 % of {expected_hz:g} Hz")
    relative = np.angle(solved.lines * np.exp(-1j * multiples * np.angle(solved.lines[1])))
    relative[0] = 0.0
    signed = strength.copy()
    signed[0] = solved.lines[0].real
    turn = math.pi * float(strength[1]) * len(base.phase) / base.sample_rate
    return ToneFit(
        frequency_hz=mean_hz,
        frequency_uncertainty_hz=math.sqrt(6.0) * float(solved.sigmas[1]) / turn,
        amplitudes=_to_order(signed, orders),
        phases_rad=_to_order(relative, orders),
        sigmas=_to_order(solved.sigmas, orders),
        errors=_to_order(_time_base_errors(base, multiples, strength, swing), orders),
        residual_rms=float(np.sqrt(np.mean(solved.residual**2))),
        total_rms=math.sqrt(solved.mean_square),
        seconds=base.seconds,
        sample_rate=base.sample_rate,
        tracked=base.tracked,
        warnings=(*cut, *unsteady, *_cautions(y, base)),
    )


def _multiples(base: TimeBase, orders: int) -> FloatArray:
    """Multiples of the tone that are modelled, from 0 on."""
    rate, found = base.sample_rate, base.found_hz
    # Harmonic and mirror image may not fall together, or the fit has no unique answer.
    highest = int((0.5 * rate - 4.0 * rate / len(base.phase)) / found)
    if highest < 1:
        raise NotMeasurableError(f"the tone at {found:.4g} Hz lies too close to half the rate")
    return np.arange(min(highest, max(orders, _MODELLED_HARMONICS)) + 1, dtype=np.float64)


def _solved(part: FloatArray, base: TimeBase, multiples: FloatArray) -> tuple[SolvedLines, tuple[str, ...]]:
    """The lines, and what was left out of the recording for them."""
    rate = base.sample_rate
    weights = edge_weights(len(part))
    solved = solve_lines(part, base.phase, multiples, rate, weights)
    said: tuple[str, ...] = ()
    if outside := _interruptions(solved.residual, rate, base.found_hz, float(np.abs(solved.lines[1])), base.start):
        kept, lost = outside
        solved = solve_lines(part, base.phase, multiples, rate, weights * kept)
        said = (
            f"the tone is interrupted, spliced or disturbed; {1000.0 * lost / rate:.3g} ms were left out. "
            "If its polarity changed there, even harmonics are too small",
        )
    if base.tracked:
        solved.sigmas[1] *= math.sqrt(2.0)  # the time base has taken half of the noise around the tone itself
    return solved, said


def _require_one_tone(part: FloatArray, base: TimeBase, strength: FloatArray, mean_square: float) -> None:
    """Refuse a recording that does not hold one tone from its beginning to its end."""
    held = 0.5 * float(np.sum(strength[1:] ** 2))
    if not held > 0.5 * mean_square:
        share = 100.0 * held / mean_square if mean_square > 0.0 else 0.0
        raise NotMeasurableError(
            f"no tone stands out: the strongest line (at {base.found_hz:.4g} Hz) and its harmonics hold "
            f"{min(share, 100.0):.0f} % of the power"
        )
    if base.tracked and np.std(base.envelope) > 0.3 * np.mean(base.envelope):
        raise NotMeasurableError(
            "the tone's amplitude swings by more than 30 %: it is interrupted, or two tones beat"
        )
    if second := _beside(part, base.sample_rate, base.found_hz, float(strength[1])):
        raise NotMeasurableError(second)


def _unsteadiness(base: TimeBase, solved: SolvedLines, *, disturbed: bool) -> tuple[float, tuple[str, ...]]:
    """By how many radians the time base may swing about the truth, and what is to be said of the tone.

    Of a tone that was interrupted (`disturbed`) nothing more is said: the interruption explains it.
    """
    rate, found = base.sample_rate, base.found_hz
    if not base.tracked:
        # A fixed frequency cannot follow the speed: what is left round the tone is taken for its flutter.
        left = band_power(solved.residual, rate, low_hz=0.5 * found, high_hz=1.5 * found)
        swing = 2.0 * math.sqrt(left) / max(float(np.abs(solved.lines[1])), 1e-300)
        uneven = 0.25 * 4.0 * swing**2 > _UNEVEN
        note = "too short to follow the speed, and the tone is not steady: harmonics may be too small"
        return swing, (note,) if uneven else ()
    deviation = np.gradient(base.phase) * (rate / (2.0 * np.pi))
    offset, size = second_tone(base.envelope, deviation - np.mean(deviation), rate, highest_hz=0.5 * found)
    # It swings the time base by its relative size, in radians.
    if disturbed:
        return size, ()
    if size > LARGEST_SECOND_TONE:
        raise NotMeasurableError(
            f"there is a second tone at {found + offset:.4g} Hz, {20.0 * math.log10(size):.1f} dB re the one "
            f"at {found:.4g} Hz"
        )
    if size > 0.0:
        level_db = 20.0 * math.log10(size)
        return size, (f"there is a weak second tone at {found + offset:.4g} Hz, {level_db:.0f} dB re the first",)
    level_swing = float(np.std(base.envelope) / np.mean(base.envelope))
    note = f"the tone's level swings by {100.0 * level_swing:.2g} % (RMS); the figures are means over that"
    return size, (note,) if level_swing > _UNEVEN else ()


def _time_base_errors(base: TimeBase, multiples: FloatArray, strength: FloatArray, swing: float) -> FloatArray:
    """Standard uncertainty of each amplitude from a time base that is not quite the tone's phase."""
    # A time base that swings by s weakens harmonic k by (k s)^2 / 4.
    loss = 0.25 * np.square(np.minimum(multiples * swing, 2.0)) * strength
    # The image of the tone swings it at twice the tone's frequency, which moves harmonics by two orders.
    image = image_gain(base.found_hz, base.sample_rate) if base.tracked else 0.0
    sidebands = np.concatenate([[0.0], multiples[1:] * strength[1:], [0.0, 0.0]])
    moved = 0.5 * image * (np.concatenate([[0.0, 0.0], sidebands[:-4]]) + sidebands[2:])
    rounding = _ROUNDING * float(strength[1])
    return np.asarray((multiples > 1.0) * np.sqrt(loss**2 + moved**2 + (_STOPBAND * strength) ** 2 + rounding**2))


def _cautions(y: FloatArray, base: TimeBase) -> tuple[str, ...]:
    """What limits a fit that there is."""
    said = []
    if clipped := _flat_tops(y):
        said.append(
            f"{clipped} samples in a row sit at the peak value: if the recorder clipped, this is its distortion"
        )
    if base.seconds * base.found_hz < 50.0:
        said.append(f"only {base.seconds * base.found_hz:.0f} periods were used")
    return tuple(said)


def _to_order(values: FloatArray, orders: int) -> FloatArray:
    """The values of the harmonics up to `orders`; ``nan`` for those above half the rate."""
    shown = np.full(orders + 1, np.nan)
    shown[: min(len(values), orders + 1)] = values[: orders + 1]
    return shown


def _no_fit(reason: str, orders: int, rate: float) -> ToneFit:
    undefined = np.full(orders + 1, np.nan)
    return ToneFit(
        frequency_hz=math.nan,
        frequency_uncertainty_hz=math.nan,
        amplitudes=undefined,
        phases_rad=undefined,
        sigmas=undefined,
        errors=undefined,
        residual_rms=math.nan,
        total_rms=math.nan,
        seconds=math.nan,
        sample_rate=rate,
        tracked=False,
        reason=reason,
    )


def _beside(signal: FloatArray, rate: float, frequency_hz: float, amplitude: float) -> str:
    """Say where a second tone of a tenth of the first or more is; empty when there is none."""
    n = len(signal)
    frequencies, power = power_spectrum(signal - np.mean(signal), rate)
    margin = max(4.0 * rate / n, tracked_band_hz(frequency_hz, frequency_hz))
    distance = np.abs(frequencies - frequency_hz * np.rint(frequencies / frequency_hz))
    power[(distance < margin) & (frequencies > 0.5 * frequency_hz)] = 0.0
    # Three bins of a Hann window hold a line.
    lines = np.convolve(power, np.ones(3), mode="same")
    top = int(np.argmax(lines))
    found = math.sqrt(2.0 * float(lines[top]))
    if found < 0.1 * amplitude:
        return ""
    return (
        f"there is a second tone at {frequencies[top]:.4g} Hz, {20.0 * math.log10(found / amplitude):.1f} dB "
        f"re the one at {frequency_hz:.4g} Hz"
    )


def _interruptions(
    residual: FloatArray, rate: float, frequency_hz: float, amplitude: float, reach: int
) -> tuple[FloatArray, int] | None:
    """Weights that leave out gaps, clicks and splices, and the number of samples left out; nothing without any.

    They are short stretches in which the residual stands eightfold (18 dB) above its median; the time base is
    disturbed as far as its filter reaches on either side. Where more than a fifth would be left out there is no
    rule from which they could be the exception.
    """
    block = max(8, math.ceil(rate / min(frequency_hz, 1000.0)))
    count = len(residual) // block
    if count < 16:
        return None
    energy = np.sqrt(np.mean(np.square(residual[: count * block].reshape(count, block)), axis=1))
    bad = np.flatnonzero(energy > max(8.0 * float(np.median(energy)), 1e-3 * amplitude))
    if not bad.size:
        return None
    kept = np.ones(len(residual))
    for index in bad:
        kept[max(index * block - reach, 0) : (index + 1) * block + reach] = 0.0
    lost = int(np.sum(kept == 0.0))
    return (kept, lost) if lost <= 0.2 * len(residual) else None


def _flat_tops(signal: FloatArray) -> int:
    """Length of the longest run of one and the same extreme value; 0 when under three samples."""
    longest = 0
    for extreme in (float(np.max(signal)), float(np.min(signal))):
        held = np.concatenate([[0], (signal == extreme).astype(np.int8), [0]])
        edges = np.diff(held)
        longest = max(longest, int(np.max(np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1))))
    return longest if longest >= 3 else 0
