"""The response of a tape and what level does to it: see :class:`tapeemu.processors.tape_response.TapeResponse`.

On its way a sound passes a high-pass, the record equaliser, the curve of the magnetisation between a way up and a
way down in rate, what it erases itself, the losses of the replay head with its equaliser, and the bass of that.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.drive import driven
from tapeemu.dsp.kernels.elementary import (
    cosine_of_turns,
    exponential,
    logarithm,
    power_of_ten,
    sine_of_turns,
    tangent_hyperbolic,
)
from tapeemu.dsp.kernels.head_face import FACE_NODES, NODE_ROWS, face_nodes, face_response, face_shares
from tapeemu.dsp.kernels.long_filter import (
    FIT_ROWS,
    FRAME,
    HALF,
    LONG_FILTER_ARRAYS,
    LOW_HALF,
    RAISE_NODES,
    SIDE,
    SLACK,
    SLOW_STEP,
    STEP,
    UNKNOWNS,
    LongFilter,
    add_symmetric,
    fade,
    long_filter_clear,
    long_filter_delay,
    long_filter_design,
    long_filter_frame,
    long_filter_keep,
    long_filter_run,
    long_filter_shapes,
    lower_rate,
    pair_response,
    raise_rate,
    symmetric_tap,
    taper,
)
from tapeemu.dsp.kernels.offset_filter import offset_pole
from tapeemu.dsp.kernels.oversampling import (
    HISTORY_HIGH,
    OVERSAMPLER_ARRAYS,
    SOFTLY_EARLIER,
    Oversampler,
    fall_softly,
    oversampler_clear,
    oversampler_design,
    oversampler_latency,
    oversampler_shapes,
    oversampling_factor,
    per_base,
    rise,
)
from tapeemu.dsp.kernels.small_systems import factorise, solve_factorised
from tapeemu.dsp.kernels.wavelength_losses import (
    Medium,
    flux_curve,
    law_frequency,
    pre_emphasis,
    record_loss,
    replay_losses,
)

__all__ = [
    "TapeResponseMemory",
    "TapeResponseSettings",
    "face_shares_of",
    "record_gain",
    "replay_gain",
    "saturated_output_db",
    "solved_record_loss_um",
    "tape_response_design",
    "tape_response_drives",
    "tape_response_latency",
    "tape_response_lead",
    "tape_response_process",
    "tape_response_seek",
    "tape_response_shapes",
    "tape_response_tail",
    "third_harmonic_percent",
]

SATURATED_HZ = 10_000.0
MOST_RECORD_LOSS_UM = 20.0

_TURN = 6.283185307179586
_LN2 = 0.6931471805599453
_NEPERS_PER_DB = 0.11512925464970229
_HALF_DB = 6.020599913279624
_MOL_HZ = 1_000.0
_QUARTER_POINTS = 256
_BASS_SECONDS = 0.1
_BARE_SECONDS = 0.02
_MIDDLE_BEYOND = 64
_DIRECT = 24
_GROUPS = 8
_NARROW, _WIDE = 8, 32
_NARROW_AT = _DIRECT + 1
_WIDE_AT = _NARROW_AT + _NARROW * _GROUPS
_RECORD_TAPS = _DIRECT + 1 + 2 * _GROUPS
_RECORD_HALF = _WIDE_AT + _WIDE * _GROUPS - 1
_LOW_POINTS = 128
_LOW_RANGE = 3.9  # nepers below 0.005 of the rate: to 5 Hz at 48 kHz
_ERASING_HALF = 8
_ERASING_POINTS = 512
_LEVEL_HALF = 16
_LEVEL_DELAY = 121 + FRAME + STEP * _LEVEL_HALF
_MOST_ERASING = 3.0
_BIAS_TO_TOP_DB = 2.0
_BIAS_LOSS_DB = 3.0
_MOL_FIELD = 0.6287864  # of a sine with 3 % third harmonic, in units of saturation
_GENTLE_FIELD = 2.5
_SPLINE = 4
_LINE_KEPT = _LEVEL_DELAY + 2 * _ERASING_HALF + STEP
_FLUSH = 1e-30

# Where numbers stand in TapeResponseMemory.plan and of a channel in TapeResponseMemory.slopes.
GAIN, ERASING, HIGH_PASS, HIGH_PASS_GAIN, BASS_ZERO, BASS_GAIN, REPLAY_POLE, REPLAY_GAIN = range(8)
_PLAN = 8
_STATE = 6
_AT, _LATENCY_OF_CURVE = 0, 1


class TapeResponseSettings(NamedTuple):
    """Settings of a TapeResponse.

    Attributes
    ----------
    medium : Medium
        The tape, its speed, its heads and its equalisation.
    bass_us : float
        Longer time constant of the equalisation; 0 for none.
    face_mm, bump_set, bump_db
        Length of the face of the replay head (0 for no limit); 1 if the height of its first rise is set; that.
    thin_poles : int
        1 for thin poles, 0 for deep ones, where the height is not set.
    record_loss_um, sol_set, sol_db
        Loss of recording as a distance; 1 if the saturated output at 10 kHz is set instead; that.
    bias_db : float
        Bias re its optimum.
    self_erasure_db : float
        Loss at 10 kHz of a sine whose field is that of saturation.
    mol_db, reference_level_dbfs, high_pass_hz
        As in the processor.
    """

    medium: Medium
    bass_us: Precise
    face_mm: Precise
    bump_set: int
    bump_db: Precise
    thin_poles: int
    record_loss_um: Precise
    sol_set: int
    sol_db: Precise
    bias_db: Precise
    self_erasure_db: Precise
    mol_db: Precise
    reference_level_dbfs: Precise
    high_pass_hz: Precise


class TapeResponseMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (8,)
        See the places above.
    state : ndarray, shape (2,)
        Samples written since what is kept was moved; delay of the curve.
    slopes : ndarray, shape (channels, 6)
        State of the three filters of first order.
    erasing : ndarray, shape (_ERASING_HALF + 1,)
        One half of the filter that loses 6 dB at 10 kHz.
    level_taps : ndarray, shape (_LEVEL_HALF + 1,)
        One half of the window over which the level is taken.
    lowering, raising : ndarray, shapes (32,) and (4, 8)
        Cubic B-splines of a knot every eight samples, that lower and raise the rate of the level.
    squares, levels, level_nodes : ndarray, shape (channels, kept + slack)
        Squared field, the same at an eighth of the rate, and behind the window.
    erased : ndarray, shape (channels, FRAME)
        How much is erased in the frame, in units of 6 dB at 10 kHz.
    bent, once, twice : ndarray, shape (channels, kept + slack)
        Magnetisation, and what the filter takes from it once and twice.
    work : ndarray, shape (4, FRAME)
        Scratch.
    recording : ndarray, shape (41,)
        One half of the record equaliser: 25 taps, 8 for sums of eight samples each, and 8 for sums of 32.
    fresh, narrow, wide : ndarray, shape (channels, kept + slack)
        What it reads, and the sums.
    post : LongFilter
        Losses and replay equaliser.
    over : Oversampler
        The way up and down.
    face : ndarray, shape (5, 118)
        Nodes of the head's response.
    fast_gains, middle_gains, slow_gains, fit, record_fit : ndarray
        Scratch of the design.
    """

    plan: Precises1
    state: Integers1
    slopes: Precises2
    erasing: Reals1
    level_taps: Reals1
    lowering: Reals1
    raising: Reals2
    squares: Reals2
    levels: Reals2
    level_nodes: Reals2
    erased: Reals2
    bent: Reals2
    once: Reals2
    twice: Reals2
    work: Reals2
    recording: Reals1
    fresh: Reals2
    narrow: Reals2
    wide: Reals2
    post: LongFilter
    over: Oversampler
    face: Precises2
    fast_gains: Precises1
    middle_gains: Precises1
    slow_gains: Precises1
    fit: Precises2
    record_fit: Precises2


@kernel()
def _echo_samples(settings: TapeResponseSettings, sample_rate: Precise) -> Precise:
    """Samples from the gap to an edge of the face."""
    return 0.5 * 0.1 * settings.face_mm / settings.medium.tape_speed_cm_s * sample_rate


@kernel()
def _side_at(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """Distance at which the side taps begin."""
    if settings.face_mm == 0.0:
        return 0
    return max(HALF + 1, int(_echo_samples(settings, sample_rate)) - SIDE // 2)


@kernel()
def _eights(count: Precise) -> int:
    """The next multiple of eight."""
    return 8 * (int(count / 8.0) + 1)


@kernel()
def _middle_half(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    return _eights(_echo_samples(settings, sample_rate) / STEP + _MIDDLE_BEYOND)


@kernel()
def _slow_half(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    if settings.face_mm == 0.0:
        return _eights(_BARE_SECONDS * sample_rate / SLOW_STEP)
    return _eights((_echo_samples(settings, sample_rate) + _BASS_SECONDS * sample_rate) / SLOW_STEP)


@kernel()
def _factor(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """How many times the sample rate the curve runs at: four where full scale drives it gently, else as the drive.

    At a field of three times saturation the harmonics of the tangent fall by 4.6 dB each, and of a tone at a
    sixth of the rate that of number 21 is the first to fold into the pass band.
    """
    factor = oversampling_factor(sample_rate)
    full_scale = _MOL_FIELD * power_of_ten(-0.05 * (settings.reference_level_dbfs + settings.mol_db))
    return min(factor, 4) if full_scale <= _GENTLE_FIELD else factor


@kernel()
def _points(least: int) -> int:
    """Points of a design: a power of two, at least 512."""
    points = 512
    while points < least:
        points = 2 * points
    return points


@kernel()
def tape_response_drives(settings: TapeResponseSettings) -> int:
    """Whether it bends loud sound, so that it does not treat a sum as its parts: 1, always."""
    return 1


@kernel()
def tape_response_latency(settings: TapeResponseSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late."""
    post = long_filter_delay(
        _side_at(settings, sample_rate), _middle_half(settings, sample_rate), _slow_half(settings, sample_rate)
    )
    return _RECORD_HALF + _LEVEL_DELAY + post


@kernel()
def tape_response_lead(
    settings: TapeResponseSettings, sample_rate: Precise, channels: int, level_db: Precise
) -> int:
    """Samples that sound ahead of the input: the edge of the head comes before the gap."""
    if settings.face_mm == 0.0 or level_db >= 0.0:
        return 0
    return SLOW_STEP * _slow_half(settings, sample_rate)


@kernel()
def tape_response_tail(
    settings: TapeResponseSettings, sample_rate: Precise, channels: int, level_db: Precise
) -> int:
    """Samples that sound on: the filters' lengths, and the answer of two high-passes in a row."""
    if level_db >= 0.0:
        return 0
    decay = -level_db * _NEPERS_PER_DB
    decay = decay + logarithm(1.0 + decay) + 0.2
    slopes = math.ceil(decay * sample_rate / (_TURN * settings.high_pass_hz))
    return slopes + SLOW_STEP * _slow_half(settings, sample_rate)


@kernel()
def tape_response_shapes(
    settings: TapeResponseSettings, sample_rate: Precise, channels: int, shapes: Integers2
) -> None:
    """Write the shapes of the arrays of :class:`TapeResponseMemory`, a row for each."""
    for row in range(19):
        for axis in range(3):
            shapes[row, axis] = 1
    shapes[0, 0] = _PLAN
    shapes[1, 0] = 2
    shapes[2, 0] = channels
    shapes[2, 1] = _STATE
    shapes[3, 0] = _ERASING_HALF + 1
    shapes[4, 0] = _LEVEL_HALF + 1
    shapes[5, 0] = _SPLINE * STEP
    shapes[6, 0] = _SPLINE
    shapes[6, 1] = STEP
    for row in range(7, 14):
        shapes[row, 0] = channels
    shapes[7, 1] = 3 * LOW_HALF + SLACK
    shapes[8, 1] = _LEVEL_DELAY // STEP + _LEVEL_HALF + 2 * STEP + SLACK // STEP
    shapes[9, 1] = RAISE_NODES + SLACK // STEP
    shapes[10, 1] = FRAME
    for row in range(11, 14):
        shapes[row, 1] = _LINE_KEPT + SLACK
    shapes[14, 0] = 4
    shapes[14, 1] = FRAME
    shapes[15, 0] = _RECORD_TAPS
    for row in range(16, 19):
        shapes[row, 0] = channels
        shapes[row, 1] = 2 * _RECORD_HALF + STEP + SLACK
    first = 19
    side_at = _side_at(settings, sample_rate)
    middle_half = _middle_half(settings, sample_rate)
    slow_half = _slow_half(settings, sample_rate)
    long_filter_shapes(side_at, middle_half, slow_half, channels, first, shapes)
    first += LONG_FILTER_ARRAYS
    oversampler_shapes(_factor(settings, sample_rate), channels, first, shapes)
    first += OVERSAMPLER_ARRAYS
    for row in range(first, first + 6):
        for axis in range(3):
            shapes[row, axis] = 1
    shapes[first, 0] = NODE_ROWS
    shapes[first, 1] = FACE_NODES
    shapes[first + 1, 0] = _points(2 * (side_at + SIDE))
    shapes[first + 2, 0] = _points(2 * middle_half)
    shapes[first + 3, 0] = _points(2 * slow_half)
    shapes[first + 4, 0] = FIT_ROWS
    shapes[first + 4, 1] = UNKNOWNS
    shapes[first + 5, 0] = _RECORD_TAPS + 2
    shapes[first + 5, 1] = _RECORD_TAPS


@kernel()
def face_shares_of(settings: TapeResponseSettings, nodes: Precises2) -> tuple[Precise, Precise]:
    """Shares of the echoes of thin and of deep poles."""
    one: Precise = 1.0
    zero: Precise = 0.0
    if settings.face_mm == 0.0:
        return zero, zero
    if settings.bump_set == 1:
        thin, deep = face_shares(nodes, settings.bump_db)
        return thin, deep
    if settings.thin_poles == 1:
        return one, zero
    return zero, one


@kernel()
def bias_gain(settings: TapeResponseSettings, f: Precise) -> Precise:
    """What another bias than the optimum does to treble: less of it with more bias, which acts as a distance does.

    The sensitivity at 10 kHz is a parabola; its top lies at 2 dB less bias than the optimum, and 3 dB higher.
    """
    above_top = settings.bias_db + _BIAS_TO_TOP_DB
    lost_db = _BIAS_LOSS_DB * ((above_top / _BIAS_TO_TOP_DB) * (above_top / _BIAS_TO_TOP_DB) - 1.0)
    return exponential(-_NEPERS_PER_DB * lost_db * f / SATURATED_HZ)


@kernel()
def replay_gain(
    settings: TapeResponseSettings, lost_um: Precise, nodes: Precises2, thin: Precise, deep: Precise, f: Precise
) -> Precise:
    """What becomes of a wave from the magnetisation to the output, bass equalisation apart (closed forms)."""
    gain = record_loss(settings.medium, lost_um, f) * replay_losses(settings.medium, f)
    gain = gain * bias_gain(settings, f) / flux_curve(settings.medium, f)
    if settings.face_mm > 0.0:
        x = 0.1 * settings.face_mm * f / settings.medium.tape_speed_cm_s
        gain = gain * face_response(nodes, thin, deep, x)
    return gain


@kernel()
def _harmonics(peak: Precise) -> tuple[Precise, Precise]:
    """First and third harmonic of the tangent of a sine, by the rule of equal steps (exact to a peak of 20)."""
    first: Precise = 0.0
    third: Precise = 0.0
    for k in range(_QUARTER_POINTS):
        turns: Precise = (k + 0.5) / (4.0 * _QUARTER_POINTS)
        value = tangent_hyperbolic(peak * sine_of_turns(turns))
        first += value * sine_of_turns(turns)
        third += value * sine_of_turns(3.0 * turns)
    return 2.0 * first / _QUARTER_POINTS, 2.0 * third / _QUARTER_POINTS


@kernel()
def _erased(settings: TapeResponseSettings, peak: Precise, f: Precise) -> Precise:
    """What a sine of a peak field, in units of saturation, erases at a frequency."""
    share = min(settings.self_erasure_db / _HALF_DB * peak * peak, _MOST_ERASING)
    return exponential(-_LN2 * f / SATURATED_HZ * share)


@kernel()
def third_harmonic_percent(
    settings: TapeResponseSettings, lost_um: Precise, nodes: Precises2, thin: Precise, deep: Precise, peak: Precise
) -> Precise:
    """Third harmonic at the output of a 1 kHz sine with a peak field, in percent of the fundamental."""
    first, third = _harmonics(peak)
    at_third = replay_gain(settings, lost_um, nodes, thin, deep, 3.0 * _MOL_HZ)
    at_third = at_third * _erased(settings, peak, 3.0 * _MOL_HZ)
    at_first = replay_gain(settings, lost_um, nodes, thin, deep, _MOL_HZ) * _erased(settings, peak, _MOL_HZ)
    return 100.0 * abs(third * at_third / (first * at_first))


@kernel()
def record_gain(
    settings: TapeResponseSettings, lost_um: Precise, nodes: Precises2, thin: Precise, deep: Precise
) -> Precise:
    """Factor from the pre-emphasised signal to the field in units of saturation, by which MOL is what is set."""
    low: Precise = 0.01
    high: Precise = 10.0
    for _ in range(45):
        middle = math.sqrt(low * high)
        if third_harmonic_percent(settings, lost_um, nodes, thin, deep, middle) < 3.0:
            low = middle
        else:
            high = middle
    level = power_of_ten(0.05 * (settings.reference_level_dbfs + settings.mol_db))
    return high / (level * pre_emphasis(settings.medium, lost_um, _MOL_HZ))


@kernel()
def _highest_fundamental(settings: TapeResponseSettings) -> Precise:
    """Highest fundamental of a sine at 10 kHz behind the curve and its own erasing."""
    highest: Precise = 0.0
    for i in range(120):
        peak = 0.3 * exponential(0.035 * i)
        first, _ = _harmonics(peak)
        highest = max(highest, first * _erased(settings, peak, SATURATED_HZ))
    return highest


@kernel()
def saturated_output_db(
    settings: TapeResponseSettings, lost_um: Precise, nodes: Precises2, thin: Precise, deep: Precise
) -> Precise:
    """Highest output of a sine at 10 kHz, in dB above the reference level."""
    out = _highest_fundamental(settings) * abs(replay_gain(settings, lost_um, nodes, thin, deep, SATURATED_HZ))
    out = out / record_gain(settings, lost_um, nodes, thin, deep)
    return logarithm(out) / _NEPERS_PER_DB - settings.reference_level_dbfs


@kernel()
def solved_record_loss_um(
    settings: TapeResponseSettings, nodes: Precises2, thin: Precise, deep: Precise
) -> Precise:
    """Loss of recording: as set, or what gives the saturated output that is set (the nearer end if none does)."""
    if settings.sol_set == 0:
        return settings.record_loss_um
    low: Precise = 0.0
    high: Precise = MOST_RECORD_LOSS_UM
    for _ in range(36):
        middle = 0.5 * (low + high)
        if saturated_output_db(settings, middle, nodes, thin, deep) > settings.sol_db:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@kernel()
def _group_response(first: int, width: int, turns: Precise) -> Precise:
    """Response of as many pairs of equal taps, the first at a distance from the middle."""
    middle = first + 0.5 * (width - 1)
    total: Precise = 0.0
    for k in range(width // 2):
        total += cosine_of_turns((k + 0.5) * turns)
    return 4.0 * cosine_of_turns(middle * turns) * total


@kernel()
def _record_basis(turns: Precise, basis: Precises1) -> None:
    """Responses of the taps of the record equaliser, at a frequency in turns per sample."""
    basis[0] = 1.0
    for n in range(1, _DIRECT + 1):
        basis[n] = 2.0 * cosine_of_turns(n * turns)
    for k in range(_GROUPS):
        basis[_DIRECT + 1 + k] = _group_response(_NARROW_AT + _NARROW * k, _NARROW, turns)
        basis[_DIRECT + 1 + _GROUPS + k] = _group_response(_WIDE_AT + _WIDE * k, _WIDE, turns)


@kernel()
def _recorded(recording: Reals1, turns: Precise) -> Precise:
    """Response of the record equaliser at a frequency in turns per sample."""
    total = np.double(recording[0]) + pair_response(recording[1:_NARROW_AT], 1, turns)
    for k in range(_GROUPS):
        narrow = _group_response(_NARROW_AT + _NARROW * k, _NARROW, turns)
        wide = _group_response(_WIDE_AT + _WIDE * k, _WIDE, turns)
        total += np.double(recording[_DIRECT + 1 + k]) * narrow
        total += np.double(recording[_DIRECT + 1 + _GROUPS + k]) * wide
    return total


@kernel()
def _fit_recording(
    medium: Medium, lost_um: Precise, sample_rate: Precise, points: int, fit: Precises2, recording: Reals1
) -> None:
    """Fit the record equaliser by least squares of its relative error.

    Points lie in the middles of equal parts of the band, and closer in the bass: there its law has a corner.
    """
    matrix = fit[:_RECORD_TAPS]
    right = fit[_RECORD_TAPS]
    basis = fit[_RECORD_TAPS + 1]
    for row in range(_RECORD_TAPS):
        right[row] = 0.0
        for column in range(_RECORD_TAPS):
            matrix[row, column] = 0.0
    for i in range(points + _LOW_POINTS):
        turns: Precise = 0.5 * (i + 0.5) / points
        if i >= points:
            turns = 0.005 * exponential(-_LOW_RANGE * (i - points) / _LOW_POINTS)
        gain = pre_emphasis(medium, lost_um, law_frequency(turns * sample_rate, sample_rate))
        _record_basis(turns, basis)
        for row in range(_RECORD_TAPS):
            part = basis[row] / (gain * gain)
            right[row] += part * gain
            for column in range(row, _RECORD_TAPS):
                matrix[row, column] += part * basis[column]
    for row in range(_RECORD_TAPS):
        for column in range(row):
            matrix[row, column] = matrix[column, row]
    factorise(matrix)
    solve_factorised(matrix, right)
    for k in range(_RECORD_TAPS):
        recording[k] = right[k]


@kernel()
def _fill(
    settings: TapeResponseSettings,
    sample_rate: Precise,
    rate: Precise,
    lost_um: Precise,
    memory: TapeResponseMemory,
    thin: Precise,
    deep: Precise,
    gains: Precises1,
) -> None:
    """Fill the response of what is behind the tape up to half of a rate.

    What the record equaliser lacks, a tenth of a decibel at the most, is made up for here.
    """
    top = min(20_000.0, 0.4535 * sample_rate)
    for i in range(gains.size):
        f = (i + 0.5) * 0.5 * rate / gains.size
        law = law_frequency(f, sample_rate)
        gain = record_loss(settings.medium, lost_um, law) * replay_losses(settings.medium, law)
        gain = gain * bias_gain(settings, law) / flux_curve(settings.medium, law)
        recorded = _recorded(memory.recording, f / sample_rate)
        gain = gain * pre_emphasis(settings.medium, lost_um, law) / recorded
        if settings.face_mm > 0.0:
            x = 0.1 * settings.face_mm * f / settings.medium.tape_speed_cm_s
            echo = face_response(memory.face, thin, deep, x) - 1.0
            gain = gain * (1.0 + echo * fade(f, 0.5 * sample_rate, top))
        gains[i] = gain


@kernel()
def _design_filters(
    settings: TapeResponseSettings,
    sample_rate: Precise,
    lost_um: Precise,
    memory: TapeResponseMemory,
    thin: Precise,
    deep: Precise,
) -> None:
    """Design the record equaliser, and what is behind the tape."""
    gains = memory.fast_gains
    _fit_recording(settings.medium, lost_um, sample_rate, gains.size, memory.record_fit, memory.recording)
    middle = sample_rate / STEP
    slow = sample_rate / SLOW_STEP
    _fill(settings, sample_rate, sample_rate, lost_um, memory, thin, deep, gains)
    _fill(settings, sample_rate, middle, lost_um, memory, thin, deep, memory.middle_gains)
    _fill(settings, sample_rate, slow, lost_um, memory, thin, deep, memory.slow_gains)
    long_filter_design(
        _side_at(settings, sample_rate),
        _middle_half(settings, sample_rate),
        _slow_half(settings, sample_rate),
        gains,
        memory.middle_gains,
        memory.slow_gains,
        memory.fit,
        memory.post,
    )


@kernel()
def _design_erasing(sample_rate: Precise, memory: TapeResponseMemory) -> None:
    """Design the filter that loses 6 dB at 10 kHz, with a gain of 1 at 0 Hz, and the window of the level."""
    points = memory.slow_gains[:_ERASING_POINTS]
    held = min(SATURATED_HZ, 0.4 * sample_rate)
    steepness: Precise = _LN2 / SATURATED_HZ
    # So short a filter rounds the law off at 0 Hz: with a gain of 1 there it would lose too little above.
    for _ in range(4):
        for i in range(_ERASING_POINTS):
            f = law_frequency((i + 0.5) * 0.5 * sample_rate / _ERASING_POINTS, sample_rate)
            points[i] = exponential(-steepness * f)
        total: Precise = 0.0
        response: Precise = 0.0
        for n in range(_ERASING_HALF + 1):
            tap = symmetric_tap(points, n) * taper(n, _ERASING_HALF)
            memory.erasing[n] = tap
            pair = tap if n == 0 else 2.0 * tap
            total += pair
            response += pair * cosine_of_turns(n * held / sample_rate)
        for n in range(_ERASING_HALF + 1):
            memory.erasing[n] = memory.erasing[n] / total
        steepness = steepness * _LN2 / SATURATED_HZ * held / logarithm(total / response)
    total = 0.0
    for n in range(_LEVEL_HALF + 1):
        tap = fade(1.0 * n, _LEVEL_HALF, 0.0)
        memory.level_taps[n] = tap
        total += tap if n == 0 else 2.0 * tap
    for n in range(_LEVEL_HALF + 1):
        memory.level_taps[n] = memory.level_taps[n] / total


@kernel()
def _design_splines(lowering: Reals1, raising: Reals2) -> None:
    """Cubic B-splines: four means of eight samples in a row, which has no negative weight and adds up to 1."""
    for k in range(lowering.size):
        lowering[k] = 0.0
    middle = lowering.size // 2
    lowering[middle - 14] = 1.0
    for _ in range(_SPLINE):
        for k in range(lowering.size - 1, -1, -1):
            total: Precise = 0.0
            for back in range(min(STEP, k + 1)):
                total += lowering[k - back]
            lowering[k] = total / STEP
    for k in range(_SPLINE):
        for phase in range(STEP):
            place = middle + phase - STEP * (k - 1)
            raising[k, phase] = STEP * lowering[place] if place < lowering.size else 0.0


@kernel()
def tape_response_design(
    settings: TapeResponseSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: TapeResponseMemory,
) -> None:
    """Fill the plan, for memory that is all zeros; the place on the tape decides only where its frames begin."""
    face_nodes(memory.face)
    thin, deep = face_shares_of(settings, memory.face)
    lost_um = solved_record_loss_um(settings, memory.face, thin, deep)
    gain = record_gain(settings, lost_um, memory.face, thin, deep)
    plan = memory.plan
    plan[GAIN] = gain
    # The mean square of a sine is half of its squared peak.
    plan[ERASING] = 2.0 * gain * gain * settings.self_erasure_db / _HALF_DB
    high = offset_pole(settings.high_pass_hz, sample_rate)
    bass = high
    if settings.bass_us > 0.0:
        bass = offset_pole(1e6 / (_TURN * settings.bass_us), sample_rate)
    plan[HIGH_PASS] = high
    plan[HIGH_PASS_GAIN] = 0.5 * (1.0 + high)
    plan[BASS_ZERO] = bass
    plan[BASS_GAIN] = (1.0 + high) / (1.0 + bass)
    plan[REPLAY_POLE] = bass
    plan[REPLAY_GAIN] = 0.5 * (1.0 + bass)
    factor = _factor(settings, sample_rate)
    memory.state[_LATENCY_OF_CURVE] = oversampler_latency(factor) - SOFTLY_EARLIER
    memory.state[_AT] = start_sample - start_sample // FRAME * FRAME
    oversampler_design(factor, memory.over)
    _design_filters(settings, sample_rate, lost_um, memory, thin, deep)
    _design_erasing(sample_rate, memory)
    _design_splines(memory.lowering, memory.raising)


@kernel()
def _clear(rows: Reals2) -> None:
    for channel in range(rows.shape[0]):
        for i in range(rows.shape[1]):
            rows[channel, i] = 0.0


@kernel()
def tape_response_seek(memory: TapeResponseMemory, place: np.int64) -> None:
    """Go to rest; of the place on the tape only where its frames begin matters."""
    memory.state[_AT] = place - place // FRAME * FRAME
    for channel in range(memory.slopes.shape[0]):
        for k in range(_STATE):
            memory.slopes[channel, k] = 0.0
    _clear(memory.squares)
    _clear(memory.levels)
    _clear(memory.level_nodes)
    _clear(memory.erased)
    _clear(memory.bent)
    _clear(memory.once)
    _clear(memory.twice)
    _clear(memory.fresh)
    _clear(memory.narrow)
    _clear(memory.wide)
    long_filter_clear(memory.post)
    oversampler_clear(memory.over)


@kernel()
def _slope(audio: Reals1, pole: Precise, zero: Precise, gain: Precise, state: Precises1) -> None:
    """Filter of first order, in place: ``y[n] = pole * y[n-1] + x[n] - zero * x[n-1]``, times the gain."""
    before = state[0]
    out = state[1]
    for i in range(audio.shape[0]):
        now: Precise = audio[i]
        out = out * pole + (now - zero * before)
        audio[i] = gain * out
        before = now
    state[0] = before
    state[1] = out


@kernel(inline=True)
def _add_groups(sums: Reals1, centre: int, first: int, width: int, taps: Reals1, out: Reals1) -> None:
    """Add pairs of groups of equal taps, the first group at a distance of the middle; FRAME samples or fewer.

    ``sums[n]`` is that of the `width` samples that end with number n.
    """
    older_groups = sums[centre - first - width * (_GROUPS - 1) :]
    newer_groups = sums[centre + first + width - 1 :]
    samples = min(out.shape[0], FRAME)
    for i in range(samples):
        total = out[i]
        for k in range(_GROUPS):
            total += taps[k] * (older_groups[i + width * (_GROUPS - 1 - k)] + newer_groups[i + width * k])
        out[i] = total


@kernel()
def _record(channel: int, at: int, memory: TapeResponseMemory, audio: Reals1) -> None:
    """High-pass, bass and treble of recording, in place."""
    plan = memory.plan
    state = memory.slopes[channel]
    line = memory.fresh[channel]
    write = line.shape[0] - SLACK + at
    count = min(audio.shape[0], FRAME)
    high = plan[HIGH_PASS]
    zero = plan[BASS_ZERO]
    high_gain: float = plan[HIGH_PASS_GAIN]
    bass_gain: float = plan[BASS_GAIN]
    before = state[0]
    out = state[1]
    between = state[2]
    bass = state[3]
    for i in range(count):
        now: Precise = audio[i]
        out = out * high + (now - before)
        before = now
        middle: Precise = high_gain * out
        bass = bass * high + (middle - zero * between)
        between = middle
        line[write + i] = bass_gain * bass
    state[0] = before
    state[1] = out
    state[2] = between
    state[3] = bass
    narrow = memory.narrow[channel]
    wide = memory.wide[channel]
    older = line[write - _NARROW + 1 :]
    sums = narrow[write:]
    for i in range(count):
        total = older[i]
        for k in range(1, _NARROW):
            total += older[i + k]
        sums[i] = total
    fours = narrow[write - 3 * _NARROW :]
    sums = wide[write:]
    for i in range(count):
        left = fours[i] + fours[i + _NARROW]
        right = fours[i + 2 * _NARROW] + fours[i + 3 * _NARROW]
        sums[i] = left + right
    centre = write - _RECORD_HALF
    late = line[centre:]
    for i in range(count):
        audio[i] = memory.recording[0] * late[i]
    add_symmetric(line, centre, 1, memory.recording[1:_NARROW_AT], audio)
    _add_groups(narrow, centre, _NARROW_AT, _NARROW, memory.recording[_DIRECT + 1 :], audio)
    _add_groups(wide, centre, _WIDE_AT, _WIDE, memory.recording[_DIRECT + 1 + _GROUPS :], audio)


@kernel()
def _take(line: Reals1, centre: int, taps: Reals1, out: Reals1) -> None:
    """Write what a filter takes away: ``line`` less the line behind it; FRAME samples or fewer."""
    count = min(out.shape[0], FRAME)
    older = line[centre - _ERASING_HALF :]
    newer = line[centre + 1 :]
    middle = line[centre:]
    part = taps[1:]
    rest = 1.0 - taps[0]
    for i in range(count):
        total = rest * middle[i]
        for k in range(_ERASING_HALF):
            total -= part[k] * (older[i + (_ERASING_HALF - 1 - k)] + newer[i + k])
        out[i] = total


@kernel()
def _keep(line: Reals1, slack: int) -> None:
    """Move what is kept to the front."""
    for i in range(line.shape[0] - slack):
        line[i] = line[i + slack]


@kernel()
def _frame_level(channel: int, at: int, memory: TapeResponseMemory) -> None:
    """Take the level, and make how much is erased in the next frame."""
    squares = memory.squares[channel]
    levels = memory.levels[channel]
    nodes = memory.level_nodes[channel]
    line_end = squares.shape[0] - SLACK + at
    end = levels.shape[0] - SLACK // STEP + at // STEP
    node_end = nodes.shape[0] - SLACK // STEP + at // STEP
    count = FRAME // STEP
    lower_rate(squares, line_end - FRAME + STEP - 1 - LOW_HALF, memory.lowering, levels[end - count : end])
    centre = end - (_LEVEL_DELAY - 57) // STEP + STEP
    fresh = nodes[node_end - count : node_end]
    for i in range(count):
        fresh[i] = memory.level_taps[0] * levels[centre + i]
    add_symmetric(levels, centre, 1, memory.level_taps[1:], fresh)
    erased = memory.erased[channel]
    raise_rate(nodes, node_end - count - RAISE_NODES // 2 - 1, memory.raising, erased)
    most: float = _MOST_ERASING
    for i in range(FRAME):
        erased[i] = min(max(erased[i], 0.0), most)


@kernel()
def _erase(channel: int, at: int, latency: int, memory: TapeResponseMemory, audio: Reals1) -> None:
    """Erase, in place: the filter to the power of what is erased, as a series of what it takes away."""
    count = min(audio.shape[0], FRAME)
    bent = memory.bent[channel]
    once = memory.once[channel]
    twice = memory.twice[channel]
    write = bent.shape[0] - SLACK + at
    for i in range(count):
        bent[write + i] = audio[i]
    delay = _LEVEL_DELAY - latency
    centre = write - delay
    if memory.plan[ERASING] == 0.0:
        for i in range(count):
            audio[i] = bent[centre + i]
    else:
        fresh = write - _ERASING_HALF
        _take(bent, fresh, memory.erasing, once[write : write + count])
        _take(once, fresh, memory.erasing, twice[write : write + count])
        # The third time at the moment that is let out, where the second is late by two halves.
        thrice = memory.work[3, :count]
        _take(twice, centre + 2 * _ERASING_HALF, memory.erasing, thrice)
        erased = memory.erased[channel]
        within = at % FRAME
        for i in range(count):
            r = erased[within + i]
            first = once[centre + _ERASING_HALF + i]
            second = twice[centre + 2 * _ERASING_HALF + i]
            square = 0.5 * r * (r - 1.0)
            cube = square * (r - 2.0) * (1.0 / 3.0)
            total = bent[centre + i]
            total -= r * first
            total += square * second
            total -= cube * thrice[i]
            audio[i] = total


@kernel()
def _saturate(count: int, gain: float, level: float, high: Reals2) -> None:
    """Pass samples through the tangent, in place: ``level * tanh(gain * x)``; one channel at the top rate."""
    for row in range(high.shape[0]):
        samples = high[row, HISTORY_HIGH : HISTORY_HIGH + count]
        for i in range(count):
            samples[i] = level * driven(gain * samples[i], 0.0)


@kernel()
def tape_response_process(memory: TapeResponseMemory, block: Reals2, out: Reals2) -> None:
    """Process a block of any length; `out` may be `block` itself.

    Parameters
    ----------
    memory : TapeResponseMemory
        Designed; changed in place.
    block, out : ndarray, shape (channels, samples)
        Input and output.
    """
    plan = memory.plan
    over = memory.over
    rows_per_base = per_base(over.plan[0])
    gain: float = plan[GAIN]
    level: float = 1.0 / plan[GAIN]
    erasing: float = plan[ERASING]
    latency = int(memory.state[_LATENCY_OF_CURVE])
    done = 0
    while done < block.shape[1]:
        at = int(memory.state[_AT])
        count = min(block.shape[1] - done, FRAME - at % FRAME)
        full = (at + count) % FRAME == 0
        for channel in range(block.shape[0]):
            slopes = memory.slopes[channel]
            audio = memory.work[0, :count]
            for i in range(count):
                audio[i] = block[channel, done + i]
            _record(channel, at, memory, audio)
            squares = memory.squares[channel]
            write = squares.shape[0] - SLACK + at
            for i in range(count):
                squares[write + i] = erasing * audio[i] * audio[i]
            rise(audio, channel, over)
            _saturate(count * rows_per_base, gain, level, over.high[channel])
            fall_softly(channel, over, audio)
            _erase(channel, at, latency, memory, audio)
            long_filter_run(channel, at, audio, memory.post, audio)
            _slope(audio, plan[REPLAY_POLE], 1.0, plan[REPLAY_GAIN], slopes[4:6])
            for i in range(count):
                out[channel, done + i] = audio[i]
            if full:
                # Here alone, for each test would make the next sample wait.
                for k in range(_STATE):
                    slopes[k] = slopes[k] if abs(slopes[k]) > _FLUSH else 0.0
                long_filter_frame(channel, at + count, memory.post)
                if erasing != 0.0:
                    _frame_level(channel, at + count, memory)
                if at + count == SLACK:
                    _keep(memory.fresh[channel], SLACK)
                    _keep(memory.narrow[channel], SLACK)
                    _keep(memory.wide[channel], SLACK)
                    long_filter_keep(channel, memory.post)
                    _keep(memory.squares[channel], SLACK)
                    _keep(memory.levels[channel], SLACK // STEP)
                    _keep(memory.level_nodes[channel], SLACK // STEP)
                    _keep(memory.bent[channel], SLACK)
                    _keep(memory.once[channel], SLACK)
                    _keep(memory.twice[channel], SLACK)
        memory.state[_AT] = 0 if at + count == SLACK else at + count
        done += count
