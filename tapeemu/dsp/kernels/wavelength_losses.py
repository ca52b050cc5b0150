"""What a tape and a head lose of short waves, and the equalisation that stands against it.

With the wave number ``k = 2 pi f / v``, all as ratios of amplitudes and without phase:

- spacing: ``exp(-k d)`` (Wallace, Bell System Technical Journal 30, 1951; from memory)
- thickness of the coating: ``(1 - exp(-k c)) / (k c)`` (the same)
- gap: ``sin(k g / 2) / (k g / 2)``, g the effective length, about 1.1 times the one under a
  microscope (rule of thumb, from memory)
- equalisation: the flux of a standard tape falls as one pole, ``1 / sqrt(1 + (2 pi f t)^2)`` (IEC 60094-1); its
  replay is the inverse.
"""

import math
from typing import NamedTuple

from tapeemu.dsp.kernels.arrays import Precise
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import exponential, exponential_less_one, logarithm, sine_of_turns

__all__ = [
    "Medium",
    "boost_limit_db",
    "flattened_frequency",
    "flux_curve",
    "knee_seconds",
    "pre_emphasis",
    "recording_loss",
    "replay_losses",
    "response_fall_db",
]

_TURN = 6.283185307179586
_PI = 3.141592653589793
_LAW_TO_HZ = 20_000.0
_BEND_TO_HZ = 26_000.0
_PASS_BAND = 0.4535
_LEAST = 1e-6
_LIMIT_ORDER = 8.0
_NEPERS_PER_DB = 0.11512925464970229
_REFERENCE_HZ = 1_000.0
_MOST_LIMIT_DB = 40.0
_KNEE_TURNS = 3.4
_KNEE_STEP = 1.01
_KNEE_BELOW = 0.8


class Medium(NamedTuple):
    """A tape, its speed, its heads and its equalisation, as numbers.

    Attributes
    ----------
    tape_speed_cm_s, treble_us : float
        Speed of the tape, and shorter time constant of the equalisation.
    coating_um, spacing_um, gap_um : float
        Thickness of the coating, distance of the replay head, and length of its gap.
    boost_limit_db : float
        Most that the record equaliser raises.
    tolerance_db, tolerance_to_hz : float
        By how much the response falls from 1 kHz to a frequency, where that decides the limit; 0 if it does not.
    """

    tape_speed_cm_s: Precise
    treble_us: Precise
    coating_um: Precise
    spacing_um: Precise
    gap_um: Precise
    boost_limit_db: Precise
    tolerance_db: Precise
    tolerance_to_hz: Precise


@kernel()
def flattened_frequency(frequency_hz: Precise, sample_rate: Precise) -> Precise:
    """Frequency at which losses and equalisers are computed for a filter: the frequency itself up to 20 kHz.

    Above, it rises ever more slowly, along a parabola, level at 26 kHz or at half the sample rate, whichever
    comes first; at rates below 44.1 kHz it begins to bend at 0.4535 of the rate. A filter of symmetric taps has
    no slope at half the sample rate, and frequencies above hearing need no boost.
    """
    one = min(_LAW_TO_HZ, _PASS_BAND * sample_rate)
    two = min(_BEND_TO_HZ, 0.5 * sample_rate)
    u = min(max((frequency_hz - one) / (two - one), 0.0), 1.0)
    return min(frequency_hz, one) + (two - one) * (u - 0.5 * u * u)


@kernel()
def flux_curve(medium: Medium, frequency_hz: Precise) -> Precise:
    """Flux of a standard tape over frequency, 1 at 0 Hz: the treble part of the equalisation."""
    w = _TURN * frequency_hz * 1e-6 * medium.treble_us
    return 1.0 / math.sqrt(1.0 + w * w)


@kernel()
def _wave_number(medium: Medium, frequency_hz: Precise) -> Precise:
    """Radians per micrometre of tape."""
    return _TURN * frequency_hz / (1e4 * medium.tape_speed_cm_s)


@kernel()
def recording_loss(medium: Medium, record_loss_um: Precise, frequency_hz: Precise) -> Precise:
    """Loss in recording, as a ratio of amplitudes: that of a spacing of `record_loss_um` micrometres."""
    return exponential(-_wave_number(medium, frequency_hz) * record_loss_um)


@kernel()
def replay_losses(medium: Medium, frequency_hz: Precise) -> Precise:
    """Loss by spacing, thickness and gap, as a ratio of amplitudes; negative beyond the first zero of the gap."""
    k = _wave_number(medium, frequency_hz)
    thick = k * medium.coating_um
    loss = exponential(-k * medium.spacing_um)
    if thick > 0.0:
        loss = loss * (-exponential_less_one(-thick) / thick)
    half = 0.5 * k * medium.gap_um
    if half > 1e-6:
        loss = loss * (sine_of_turns(half / _TURN) / half)
    return loss


@kernel()
def _wanted(medium: Medium, record_loss_um: Precise, frequency_hz: Precise) -> Precise:
    """Natural logarithm of the gain that would make up for all losses: the flux curve over them."""
    lost = max(abs(replay_losses(medium, frequency_hz)), _LEAST) * recording_loss(
        medium, record_loss_um, frequency_hz
    )
    return logarithm(flux_curve(medium, frequency_hz) / lost)


@kernel()
def response_fall_db(medium: Medium, record_loss_um: Precise, limit_db: Precise) -> Precise:
    """By how much the response falls from 1 kHz to the frequency of the tolerance, with a limit of the boost.

    Losses and equalisers alone: neither the face of the head nor another bias than the optimum is part of it.
    """
    limit = _NEPERS_PER_DB * limit_db
    at_edge = exponential(_LIMIT_ORDER * (_wanted(medium, record_loss_um, medium.tolerance_to_hz) - limit))
    at_one = exponential(_LIMIT_ORDER * (_wanted(medium, record_loss_um, _REFERENCE_HZ) - limit))
    return logarithm((1.0 + at_edge) / (1.0 + at_one)) / (_LIMIT_ORDER * _NEPERS_PER_DB)


@kernel()
def boost_limit_db(medium: Medium, record_loss_um: Precise) -> Precise:
    """Most that the record equaliser raises: as set, or what gives the fall that is set; below 0 if none does.

    The inverse of :func:`response_fall_db`, in closed form.
    """
    if medium.tolerance_db <= 0.0:
        return medium.boost_limit_db
    fall = exponential(_LIMIT_ORDER * _NEPERS_PER_DB * medium.tolerance_db)
    at_edge = exponential(_LIMIT_ORDER * _wanted(medium, record_loss_um, medium.tolerance_to_hz))
    at_one = exponential(_LIMIT_ORDER * _wanted(medium, record_loss_um, _REFERENCE_HZ))
    left = at_edge - fall * at_one
    if left <= 0.0:
        return -1.0
    return logarithm(left / (fall - 1.0)) / (_LIMIT_ORDER * _NEPERS_PER_DB)


@kernel()
def knee_seconds(medium: Medium, record_loss_um: Precise, from_hz: Precise) -> Precise:
    """Time to each side within which a filter must make the sharpest bend of the response from a frequency on.

    The response bends where the record equaliser comes to its limit, and beside a zero of the gap, where it
    comes there and leaves it again. How sharply is told by how steeply what it should do passes the limit: a
    smooth minimum of order eight rings on, until 70 dB are gone, for 3.4 s where that is one neper a hertz. 0
    without a bend up to 26 kHz.
    """
    limit = _NEPERS_PER_DB * boost_limit_db(medium, record_loss_um)
    low = _KNEE_BELOW * from_hz
    before = _wanted(medium, record_loss_um, low) - limit
    steepest: Precise = 0.0
    while low < _BEND_TO_HZ:
        high = _KNEE_STEP * low
        here = _wanted(medium, record_loss_um, high) - limit
        if (here > 0.0) != (before > 0.0):
            steepest = max(steepest, abs(here - before) / (high - low))
        low = high
        before = here
    return _KNEE_TURNS * steepest


@kernel()
def pre_emphasis(medium: Medium, record_loss_um: Precise, frequency_hz: Precise) -> Precise:
    """What the record equaliser does: the flux curve over all losses, up to its limit, which it nears smoothly."""
    wanted = _wanted(medium, record_loss_um, frequency_hz)
    limit = _NEPERS_PER_DB * medium.boost_limit_db
    if medium.tolerance_db > 0.0:
        limit = _NEPERS_PER_DB * min(max(boost_limit_db(medium, record_loss_um), 0.0), _MOST_LIMIT_DB)
    # A smooth minimum of the two: 0.004 dB below `wanted` where that is 6 dB under the limit.
    over = _LIMIT_ORDER * (wanted - limit)
    if over < -40.0:
        return exponential(wanted)
    return exponential(limit - logarithm(1.0 + exponential(-over)) / _LIMIT_ORDER)
