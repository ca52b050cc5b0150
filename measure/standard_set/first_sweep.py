"""What the sweep tells: response and distortion, and how long a system sounds on, by which other rows are planned.

In the deconvolved sweep harmonics stand before the linear response, where sound ahead of the input (a pre-echo)
stands too. A burst of noise, before which no harmonics stand, tells whether there is such sound.
"""

import math

import numpy as np

from measure.keys import Found
from measure.parts.signals import SynchronisedSweep, noise_burst, synchronised_sweep
from measure.quantities.decay import decay_from_impulse
from measure.quantities.distortion import distortion_from_sweep
from measure.quantities.response import Response
from measure.standard_set.rows import REVERBERANT_SECONDS, Row
from measure.validation import FloatArray, System

__all__ = ["lead_of", "read_sweep", "rough_decay", "sweep_of"]

_TAIL_SECONDS = 3.0
# Share of the energy that must come late for a system to reverberate. Flutter smears the deconvolved sweep up to
# -44 dB of it (a transport at 1.6 %), so less than -40 dB is not taken for a decay.
_AUDIBLE = 1e-4
_LONGEST_LEAD_SECONDS = 2.0
_QUIET_SECONDS = 0.5
_BURST_SECONDS = 0.25
_LEAD_FRAME_SECONDS = 0.01
_NEAR_FRAMES = 5
_FAINTEST = 1e-8  # -80 dB


def sweep_of(row: Row, rate: float, reference_level_dbfs: float) -> SynchronisedSweep:
    """The sweep of the standard set."""
    return synchronised_sweep(
        rate, seconds=row.seconds, tail_seconds=_TAIL_SECONDS, level_dbfs=reference_level_dbfs + row.level_db
    )


def lead_of(system: System, rate: float, reference_level_dbfs: float) -> float:
    """Seconds by which a system sounds before its input, up to two; 0 for one that does not.

    Sound counts that is at most 80 dB below a burst at the reference level, at least 3 dB above what the system
    sounds without input, and more than 50 ms early: linear-phase filters and flutter are less early than that.
    """
    silence = round((_LONGEST_LEAD_SECONDS + _QUIET_SECONDS) * rate)
    burst = noise_burst(rate, seconds=_BURST_SECONDS, silence_seconds=0.0, level_dbfs=reference_level_dbfs)
    answer = system(np.concatenate([np.zeros(silence), burst.signal]), rate)
    frame = round(_LEAD_FRAME_SECONDS * rate)
    count = silence // frame
    powers = np.mean(answer[silence - count * frame : silence].reshape(count, frame) ** 2, axis=1)
    quiet = round(_QUIET_SECONDS / _LEAD_FRAME_SECONDS)
    least = max(_FAINTEST * float(np.mean(answer[silence:] ** 2)), 2.0 * float(np.max(powers[:quiet])))
    sounding = np.flatnonzero(powers[quiet:-_NEAR_FRAMES] > least)
    return float((count - quiet - sounding[0]) * _LEAD_FRAME_SECONDS) if sounding.size else 0.0


def rough_decay(response: Response, rate: float) -> float:
    """Decay time to plan by, from the impulse response; 0 for a system that does not reverberate."""
    if not math.isfinite(response.arrival_seconds):
        return 0.0
    # Later than the tail the noise of a deconvolved sweep thins out, which would look like a decay.
    heard = response.impulse_response[response.origin : response.origin + round(_TAIL_SECONDS * rate)]
    late = heard[round((max(response.arrival_seconds, 0.0) + REVERBERANT_SECONDS / 2.0) * rate) :]
    if not float(np.sum(late**2)) > _AUDIBLE * float(np.sum(heard**2)):
        return 0.0
    found = [
        band.likelihood.value
        for band in decay_from_impulse(heard, rate, bands="octave").bands
        if band.likelihood.defined
    ]
    # The response of a band-limited system is over within milliseconds, and no band of it can be fitted.
    return float(np.median(found)) if len(found) >= 3 else 0.0


def read_sweep(
    recording: FloatArray, sweep: SynchronisedSweep, response: Response, lead_seconds: float = 0.0
) -> Found:
    """Readings and curves of the response and of the harmonics, by key; the lead is that of the system."""
    distortion = distortion_from_sweep(recording, sweep, lead_seconds=lead_seconds)
    readings = {
        "latency_samples": response.latency_samples,
        "latency_seconds": response.latency_seconds,
        "polarity": response.polarity,
        "gain_1000hz_db": response.gain,
        "low_edge_hz": response.low_edge,
        "high_edge_hz": response.high_edge,
    }
    curves = {
        "magnitude": response.magnitude,
        "phase": response.phase,
        "group_delay": response.group_delay,
        "thd_against_frequency": distortion.thd,
    }
    for k, order in enumerate(distortion.orders, start=2):
        curves[f"harmonic_{k}_against_frequency"] = order
    return readings, curves
