"""The response of a tape and what level does to it: see :class:`tapeemu.processors.tape_response.TapeResponse`.

On its way a sound passes a high-pass, the record equaliser, the curve of the magnetisation between a way up and a
way down in rate, what it erases itself, the losses of the replay head with its equaliser, and the bass of that.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.closer_curve import (
    CloserCurve,
    closer_curve_clear,
    closer_curve_delay,
    closer_curve_design,
    closer_curve_follow,
    closer_curve_frame,
    closer_curve_shapes,
    closer_times,
)
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import (
    exponential,
    fade,
    logarithm,
    power_of_ten,
    sine_of_turns,
    tangent_hyperbolic,
)
from tapeemu.dsp.kernels.glides import (
    AT,
    CELL,
    GLIDE_ARRAYS,
    Glide,
    glide_design,
    glide_late_value,
    glide_moves,
    glide_pass,
    glide_rest,
    glide_seek,
    glide_target,
    late_glide_shapes,
)
from tapeemu.dsp.kernels.head_face import FACE_NODES, NODE_ROWS, face_nodes, face_response, face_shares
from tapeemu.dsp.kernels.long_filter import (
    FRAME,
    HALF,
    LONG_FILTER_ARRAYS,
    REACH,
    SIDE,
    SLACK,
    SLOW_STEP,
    STEP,
    LongFilter,
    long_filter_clear,
    long_filter_delay,
    long_filter_design,
    long_filter_frame,
    long_filter_keep,
    long_filter_run,
    long_filter_shapes,
)
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.offset_filter import offset_pole
from tapeemu.dsp.kernels.record_equaliser import (
    RECORD_HALF,
    RecordEqualiser,
    record_equaliser_clear,
    record_equaliser_design,
    record_equaliser_keep,
    record_equaliser_run,
    record_equaliser_shapes,
    recorded_response,
)
from tapeemu.dsp.kernels.self_erasure import (
    ERASED_HZ,
    HALF_DB,
    LEVEL_DELAY,
    SelfErasure,
    left_of_sine,
    self_erasure_clear,
    self_erasure_design,
    self_erasure_frame,
    self_erasure_hear,
    self_erasure_keep,
    self_erasure_run,
    self_erasure_shapes,
)
from tapeemu.dsp.kernels.wavelength_losses import (
    Medium,
    flattened_frequency,
    flux_curve,
    knee_seconds,
    pre_emphasis,
    recording_loss,
    replay_losses,
)

__all__ = [
    "TAPE_RESPONSE_MOVES",
    "TapeResponseMemory",
    "TapeResponseSettings",
    "face_shares_of",
    "record_gain",
    "replay_gain",
    "saturated_output_db",
    "solved_record_loss_um",
    "tape_response_change",
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

TAPE_RESPONSE_MOVES = ("mol_db", "reference_level_dbfs")
"""Settings that it follows while it plays."""

MOST_RECORD_LOSS_UM = 20.0

_TURN = 6.283185307179586
_NEPERS_PER_DB = 0.11512925464970229
_MOL_HZ = 1_000.0
_HIGHEST_HZ = 20_000.0
_QUARTER_POINTS = 256
_BASS_SECONDS = 0.1
_BARE_SECONDS = 0.02
_MIDDLE_BEYOND = 64
_MOST_TIMES = 4
_LONGEST_HALF = 384
_BIAS_TO_TOP_DB = 2.0
_BIAS_LOSS_DB = 3.0
_LOUDEST_POINTS = 64
_FLUSH = 1e-30

# Where numbers stand in TapeResponseMemory.plan and of a channel in TapeResponseMemory.slopes.
GAIN, ERASING, HIGH_PASS, HIGH_PASS_GAIN, BASS_ZERO, BASS_GAIN, REPLAY_POLE, REPLAY_GAIN = range(8)
_MOL_PEAK, _RAISED, _HIGHEST = 8, 9, 10
_PLAN = 11
_STATE = 6
_AT, _LATENCY_OF_CURVE = 0, 1

_WORK, _GAINS, _LEVELS = 0, 1, 2
_ROWS = 3
"""Rows of scratch: sound, and gains into the curve and behind it while they move."""

_LOG_GAIN = 0
_NUMBERS = 1
"""What glides: the logarithm of the gain into the curve, which is undone behind it."""


class TapeResponseSettings(NamedTuple):
    """Settings of a TapeResponse.

    Attributes
    ----------
    medium : Medium
        The tape, its speed, its heads and its equalisation.
    bass_us : float
        Longer time constant of the equalisation; 0 for none.
    face_mm, bump_set, bump_db
        Length of the replay head's face (0 for no limit); 1 if the height of its first rise is set; that height.
    thin_poles : int
        1 for thin poles, 0 for deep ones, where the height is not set.
    record_loss_um, sol_set, sol_db
        Loss of recording as a distance; 1 if the saturated output at 10 kHz is set instead; that output.
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
    plan : ndarray, shape (11,)
        See the places above.
    state : ndarray, shape (2,)
        Samples written since what is kept was moved; delay of the curve.
    slopes : ndarray, shape (channels, 6)
        State of the three filters of first order.
    work : ndarray, shape (3, FRAME)
        Scratch.
    glide : Glide
        What moves.
    recording : RecordEqualiser
        Its treble.
    erasure : SelfErasure
        What strong sound loses.
    post : LongFilter
        Losses and replay equaliser.
    curve : CloserCurve
        The curve of the magnetisation, with the way up and down in rate.
    face : ndarray, shape (5, 118)
        Nodes of the head's response.
    fast_gains, middle_gains, slow_gains, fit : ndarray
        Scratch of the design.
    """

    plan: Precises1
    state: Integers1
    slopes: Precises2
    work: Reals2
    glide: Glide
    recording: RecordEqualiser
    erasure: SelfErasure
    post: LongFilter
    curve: CloserCurve
    face: Precises2
    fast_gains: Precises1
    middle_gains: Precises1
    slow_gains: Precises1
    fit: Precises2


@kernel()
def _echo_samples(settings: TapeResponseSettings, sample_rate: Precise) -> Precise:
    """Samples from the gap to an edge of the face."""
    return 0.5 * 0.1 * settings.face_mm / settings.medium.tape_speed_cm_s * sample_rate


@kernel()
def _times(sample_rate: Precise) -> int:
    """How many times 48 kHz a rate is: filters are as long in seconds at all rates, up to 192 kHz."""
    return min(max(int(sample_rate / 48_000.0 + 0.5), 1), _MOST_TIMES)


@kernel()
def _sharper(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """How many times as long the filter at the sample rate is for bends of the response, a power of two."""
    medium = settings.medium
    lost_um = 0.0 if settings.sol_set == 1 else settings.record_loss_um
    half = _times(sample_rate) * HALF
    needed = knee_seconds(medium, lost_um, REACH * sample_rate / STEP) * sample_rate
    sharper = 1
    while sharper * half < needed and 2 * sharper * half <= _LONGEST_HALF:
        sharper = 2 * sharper
    return sharper


@kernel()
def _fast_half(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """Half length of the filter at the sample rate."""
    return _sharper(settings, sample_rate) * _times(sample_rate) * HALF


@kernel()
def _side(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """Taps of each side group of it."""
    return _sharper(settings, sample_rate) * _times(sample_rate) * SIDE


@kernel()
def _side_at(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """Samples from the middle tap to the first side tap; 0 for none."""
    if settings.face_mm == 0.0:
        return 0
    before = _side(settings, sample_rate) // 2
    return max(_fast_half(settings, sample_rate) + 1, int(_echo_samples(settings, sample_rate)) - before)


@kernel()
def _fast_end(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """Samples from the middle tap to the last one at the sample rate."""
    side_end = _side_at(settings, sample_rate) + _side(settings, sample_rate)
    return max(_fast_half(settings, sample_rate), side_end)


@kernel()
def _eights(count: Precise) -> int:
    """The next multiple of eight."""
    return 8 * (int(count / 8.0) + 1)


@kernel()
def _middle_half(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """Half length of the filter at an eighth of the rate, in its samples: to the edge of the face, and beyond."""
    beyond = _times(sample_rate) * _MIDDLE_BEYOND
    return _eights(_echo_samples(settings, sample_rate) / STEP + beyond)


@kernel()
def _slow_half(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """Half length of the filter at a 64th of the rate, in its samples; short where the face has no limit."""
    if settings.face_mm == 0.0:
        return _eights(_BARE_SECONDS * sample_rate / SLOW_STEP)
    return _eights((_echo_samples(settings, sample_rate) + _BASS_SECONDS * sample_rate) / SLOW_STEP)


@kernel()
def _points(least: int) -> int:
    """Points of a design: a power of two, at least 512."""
    points = 512
    while points < least:
        points = 2 * points
    return points


@kernel()
def tape_response_drives(settings: TapeResponseSettings) -> int:
    """Whether it is nonlinear, so that a sum comes out otherwise than its parts: 1, always."""
    return 1


@kernel()
def tape_response_latency(settings: TapeResponseSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late."""
    post = long_filter_delay(
        _fast_end(settings, sample_rate), _middle_half(settings, sample_rate), _slow_half(settings, sample_rate)
    )
    return RECORD_HALF + LEVEL_DELAY + post


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
def _latest(settings: TapeResponseSettings, sample_rate: Precise) -> int:
    """Samples by which sound that has come back from the curve is later than the input."""
    return RECORD_HALF + closer_curve_delay()


@kernel()
def tape_response_shapes(
    settings: TapeResponseSettings, sample_rate: Precise, channels: int, shapes: Integers2
) -> None:
    """Write the shapes of the arrays of :class:`TapeResponseMemory`, a row for each."""
    first = shape_row(_PLAN, 1, shapes, 0)
    first = shape_row(2, 1, shapes, first)
    first = shape_row(channels, _STATE, shapes, first)
    first = shape_row(_ROWS, FRAME, shapes, first)
    late_glide_shapes(_NUMBERS, _latest(settings, sample_rate), sample_rate, first, shapes)
    first += GLIDE_ARRAYS
    first = record_equaliser_shapes(settings.medium.treble_us, sample_rate, channels, shapes, first)
    first = self_erasure_shapes(channels, shapes, first)
    fast_half = _fast_half(settings, sample_rate)
    side = _side(settings, sample_rate)
    fast_end = _fast_end(settings, sample_rate)
    middle_half = _middle_half(settings, sample_rate)
    slow_half = _slow_half(settings, sample_rate)
    long_filter_shapes(fast_half, side, fast_end, middle_half, slow_half, channels, first, shapes)
    first += LONG_FILTER_ARRAYS
    first = closer_curve_shapes(channels, shapes, first)
    first = shape_row(NODE_ROWS, FACE_NODES, shapes, first)
    first = shape_row(_points(2 * fast_end), 1, shapes, first)
    first = shape_row(_points(2 * middle_half), 1, shapes, first)
    first = shape_row(_points(2 * slow_half), 1, shapes, first)
    taps = fast_half + 1 + side
    shape_row(taps + 2, taps, shapes, first)


@kernel()
def face_shares_of(settings: TapeResponseSettings, nodes: Precises2) -> tuple[Precise, Precise]:
    """Shares of the echoes of thin and of deep pole pieces, which add up to the response of the face."""
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
    """Gain of treble with another bias than the optimum: more bias loses more, as a larger spacing would.

    The sensitivity at 10 kHz is a parabola; its top lies at 2 dB less bias than the optimum, and 3 dB higher.
    """
    above_top = settings.bias_db + _BIAS_TO_TOP_DB
    lost_db = _BIAS_LOSS_DB * ((above_top / _BIAS_TO_TOP_DB) * (above_top / _BIAS_TO_TOP_DB) - 1.0)
    return exponential(-_NEPERS_PER_DB * lost_db * f / ERASED_HZ)


@kernel()
def replay_gain(
    settings: TapeResponseSettings, lost_um: Precise, nodes: Precises2, thin: Precise, deep: Precise, f: Precise
) -> Precise:
    """Gain from the magnetisation to the output, without the bass equalisation (closed forms)."""
    gain = recording_loss(settings.medium, lost_um, f) * replay_losses(settings.medium, f)
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
def third_harmonic_percent(
    settings: TapeResponseSettings, lost_um: Precise, nodes: Precises2, thin: Precise, deep: Precise, peak: Precise
) -> Precise:
    """Third harmonic at the output of a 1 kHz sine with a peak field, in percent of the fundamental."""
    first, third = _harmonics(peak)
    at_third = replay_gain(settings, lost_um, nodes, thin, deep, 3.0 * _MOL_HZ)
    at_third = at_third * left_of_sine(settings.self_erasure_db, peak, 3.0 * _MOL_HZ)
    at_first = replay_gain(settings, lost_um, nodes, thin, deep, _MOL_HZ)
    at_first = at_first * left_of_sine(settings.self_erasure_db, peak, _MOL_HZ)
    return 100.0 * abs(third * at_third / (first * at_first))


@kernel()
def _mol_peak(
    settings: TapeResponseSettings, lost_um: Precise, nodes: Precises2, thin: Precise, deep: Precise
) -> Precise:
    """Peak field of the 1 kHz sine with 3 % third harmonic, in units of saturation."""
    low: Precise = 0.01
    high: Precise = 10.0
    for _ in range(45):
        middle = math.sqrt(low * high)
        if third_harmonic_percent(settings, lost_um, nodes, thin, deep, middle) < 3.0:
            low = middle
        else:
            high = middle
    return high


@kernel()
def _gain_of(settings: TapeResponseSettings, mol_peak: Precise, raised: Precise) -> Precise:
    """Factor from the pre-emphasised signal to the field, of which a sine of MOL reaches that peak.

    `raised` is the pre-emphasis of that sine.
    """
    level = power_of_ten(0.05 * (settings.reference_level_dbfs + settings.mol_db))
    return mol_peak / (level * raised)


@kernel()
def record_gain(
    settings: TapeResponseSettings, lost_um: Precise, nodes: Precises2, thin: Precise, deep: Precise
) -> Precise:
    """Factor from the pre-emphasised signal to the field in units of saturation, by which MOL is what is set."""
    mol_peak = _mol_peak(settings, lost_um, nodes, thin, deep)
    return _gain_of(settings, mol_peak, pre_emphasis(settings.medium, lost_um, _MOL_HZ))


@kernel()
def _highest_fundamental(settings: TapeResponseSettings) -> Precise:
    """Highest fundamental of a sine at 10 kHz behind the curve and its own erasing."""
    highest: Precise = 0.0
    for i in range(120):
        peak = 0.3 * exponential(0.035 * i)
        first, _ = _harmonics(peak)
        highest = max(highest, first * left_of_sine(settings.self_erasure_db, peak, ERASED_HZ))
    return highest


@kernel()
def saturated_output_db(
    settings: TapeResponseSettings, lost_um: Precise, nodes: Precises2, thin: Precise, deep: Precise
) -> Precise:
    """Highest output of a sine at 10 kHz, in dB above the reference level."""
    out = _highest_fundamental(settings) * abs(replay_gain(settings, lost_um, nodes, thin, deep, ERASED_HZ))
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
    """Write the response that the replay filter shall have, up to half of `rate`.

    The error of the record equaliser, a tenth of a decibel at the most, is taken out here.
    """
    top = min(20_000.0, 0.4535 * sample_rate)
    for i in range(gains.size):
        f = (i + 0.5) * 0.5 * rate / gains.size
        law = flattened_frequency(f, sample_rate)
        gain = recording_loss(settings.medium, lost_um, law) * replay_losses(settings.medium, law)
        gain = gain * bias_gain(settings, law) / flux_curve(settings.medium, law)
        recorded = recorded_response(memory.recording.taps, f / sample_rate)
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
    """Design the record equaliser, and the replay filter."""
    gains = memory.fast_gains
    record_equaliser_design(settings.medium, lost_um, sample_rate, gains.size, memory.recording)
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
def _highest_pre_emphasis(settings: TapeResponseSettings, lost_um: Precise, sample_rate: Precise) -> Precise:
    """By how much the record equaliser raises what it raises most."""
    top = min(_HIGHEST_HZ, 0.45 * sample_rate)
    highest: Precise = 0.0
    for i in range(_LOUDEST_POINTS):
        f = top * (i + 1.0) / _LOUDEST_POINTS
        highest = max(highest, pre_emphasis(settings.medium, lost_um, f))
    return highest


@kernel()
def _times_of_curve(gain: Precise, highest: Precise, sample_rate: Precise) -> int:
    """How closely the curve is followed, for the largest field that full scale has behind the record equaliser."""
    return closer_times(gain * highest, logarithm(highest) / _NEPERS_PER_DB, sample_rate)


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
    plan = memory.plan
    plan[_MOL_PEAK] = _mol_peak(settings, lost_um, memory.face, thin, deep)
    plan[_RAISED] = pre_emphasis(settings.medium, lost_um, _MOL_HZ)
    gain = _gain_of(settings, plan[_MOL_PEAK], plan[_RAISED])
    plan[GAIN] = gain
    # The mean square of a sine is half of its squared peak.
    plan[ERASING] = 2.0 * settings.self_erasure_db / HALF_DB
    glide_rest(_LOG_GAIN, logarithm(gain), memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
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
    memory.state[_LATENCY_OF_CURVE] = closer_curve_delay()
    memory.state[_AT] = start_sample - start_sample // FRAME * FRAME
    plan[_HIGHEST] = _highest_pre_emphasis(settings, lost_um, sample_rate)
    closer_curve_design(_times_of_curve(gain, plan[_HIGHEST], sample_rate), memory.curve)
    _design_filters(settings, sample_rate, lost_um, memory, thin, deep)
    self_erasure_design(sample_rate, memory.slow_gains, memory.erasure)


@kernel()
def tape_response_change(
    settings: TapeResponseSettings, sample_rate: Precise, channels: int, memory: TapeResponseMemory
) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `TAPE_RESPONSE_MOVES` may differ from the ones that it was designed for: the field
    that the sine of MOL has stays what it is, and its level moves.
    """
    gain = _gain_of(settings, memory.plan[_MOL_PEAK], memory.plan[_RAISED])
    glide_target(_LOG_GAIN, logarithm(gain), memory.glide)
    times = _times_of_curve(gain, memory.plan[_HIGHEST], sample_rate)
    if times != memory.curve.times[0]:
        closer_curve_follow(times, memory.curve)


@kernel()
def tape_response_seek(memory: TapeResponseMemory, place: np.int64) -> None:
    """Go to rest; of the place on the tape only where its frames begin matters."""
    glide_seek(place, memory.glide)
    memory.state[_AT] = place - place // FRAME * FRAME
    for channel in range(memory.slopes.shape[0]):
        for k in range(_STATE):
            memory.slopes[channel, k] = 0.0
    record_equaliser_clear(memory.recording)
    self_erasure_clear(memory.erasure)
    long_filter_clear(memory.post)
    closer_curve_clear(memory.curve)


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


@kernel()
def _record(channel: int, at: int, memory: TapeResponseMemory, audio: Reals1) -> None:
    """High-pass, bass and treble of recording, in place."""
    plan = memory.plan
    state = memory.slopes[channel]
    line = memory.recording.fresh[channel]
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
    record_equaliser_run(channel, at, memory.recording, audio)


@kernel()
def _find_gains(count: int, memory: TapeResponseMemory) -> None:
    """Write the gains of samples into the curve and behind it: each sound meets those of its own input."""
    at = int(memory.glide.counts[AT]) - RECORD_HALF
    latency = int(memory.state[_LATENCY_OF_CURVE])
    gains, levels = memory.work[_GAINS], memory.work[_LEVELS]
    for i in range(count):
        gains[i] = exponential(glide_late_value(_LOG_GAIN, at + i, memory.glide))
        levels[i] = exponential(-glide_late_value(_LOG_GAIN, at + i - latency, memory.glide))


@kernel()
def _multiply(factors: Reals1, audio: Reals1) -> None:
    """Multiply sound by factors, in place."""
    for i in range(audio.shape[0]):
        audio[i] = factors[i] * audio[i]


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
    gain: float = plan[GAIN]
    level: float = 1.0 / plan[GAIN]
    erasing: float = plan[ERASING]
    latency = int(memory.state[_LATENCY_OF_CURVE])
    done = 0
    while done < block.shape[1]:
        at = int(memory.state[_AT])
        count = min(block.shape[1] - done, FRAME - at % FRAME)
        moving = glide_moves(memory.glide)
        if moving:
            count = min(count, int(memory.glide.counts[CELL] - memory.glide.counts[AT]))
            _find_gains(count, memory)
        full = (at + count) % FRAME == 0
        for channel in range(block.shape[0]):
            slopes = memory.slopes[channel]
            audio = memory.work[_WORK, :count]
            for i in range(count):
                audio[i] = block[channel, done + i]
            _record(channel, at, memory, audio)
            if moving:
                _multiply(memory.work[_GAINS], audio)
            else:
                for i in range(count):
                    audio[i] = gain * audio[i]
            self_erasure_hear(channel, at, erasing, memory.erasure, audio)
            within = at % FRAME
            for i in range(count):
                memory.curve.waiting[channel, within + i] = audio[i]
                audio[i] = memory.curve.bent[channel, within + i]
            if moving:
                _multiply(memory.work[_LEVELS], audio)
            else:
                for i in range(count):
                    audio[i] = level * audio[i]
            self_erasure_run(channel, at, latency, erasing != 0.0, memory.erasure, audio)
            long_filter_run(channel, at, audio, memory.post, audio)
            _slope(audio, plan[REPLAY_POLE], 1.0, plan[REPLAY_GAIN], slopes[4:6])
            for i in range(count):
                out[channel, done + i] = audio[i]
            if full:
                # Here alone, for each test would make the next sample wait.
                for k in range(_STATE):
                    slopes[k] = slopes[k] if abs(slopes[k]) > _FLUSH else 0.0
                closer_curve_frame(channel, memory.curve)
                long_filter_frame(channel, at + count, memory.post)
                if erasing != 0.0:
                    self_erasure_frame(channel, at + count, memory.erasure)
                if at + count == SLACK:
                    record_equaliser_keep(channel, memory.recording)
                    self_erasure_keep(channel, memory.erasure)
                    long_filter_keep(channel, memory.post)
        glide_pass(count, memory.glide)
        memory.state[_AT] = 0 if at + count == SLACK else at + count
        done += count
