"""Plans of rooms as the kernels design them, with names instead of rows, for tests."""

from types import SimpleNamespace

import numpy as np
from room_in_numpy import Absorption

from tapeemu.dsp.kernels import absorption, line_filters, network, octave_readings
from tapeemu.dsp.kernels.octave_decay import READ_POINTS
from tapeemu.dsp.kernels.room_layout import BANDS
from tapeemu.processors.fdn_reverb import FdnReverb

TURN = 2.0 * np.pi


def design_absorption(delays: np.ndarray, decay_seconds: np.ndarray, sample_rate: float) -> Absorption:
    """Filters of all lines, by the kernels."""
    lines = len(delays)
    filters = np.zeros((line_filters.FILTER_ROWS, 4, lines))
    scratch = octave_readings.AbsorptionScratch(
        points=np.zeros((octave_readings.POINT_ROWS, READ_POINTS)),
        centres=np.zeros((octave_readings.CENTRE_ROWS, BANDS)),
        lines=np.zeros((octave_readings.LINE_ROWS, lines, BANDS)),
        trial=np.zeros_like(filters),
        chosen=np.zeros_like(filters),
    )
    whole = np.array(delays, dtype=np.int64)
    absorption.design_absorption(whole, np.array(decay_seconds, dtype=float), float(sample_rate), filters, scratch)
    return absorption_of(filters)


def absorption_of(filters: np.ndarray) -> Absorption:
    """Gains, and the sections that there are."""
    return Absorption(filters[0, 0].copy(), filters[1 : 1 + int(filters[0, 1, 0])].copy())


def plan_of(reverb: FdnReverb, sample_rate: float, channels: int) -> SimpleNamespace:
    """Everything a stream needs that follows from settings, rate and channel count."""
    memory = reverb.stream(sample_rate=sample_rate, channels=channels).memory
    plan = memory.network
    numbers, delays, gains, counters = plan.numbers, plan.delays, plan.gains, memory.state.counters
    return SimpleNamespace(
        dry_gain=numbers[network.DRY],
        own=numbers[network.OWN],
        common=numbers[network.COMMON],
        scale=numbers[network.SCALE],
        depths=TURN * numbers[network.DEPTH : network.DEPTH + network.SWINGS],
        input_delays=delays[network.INPUT_DELAY],
        diffuser_delays=delays[network.DIFFUSER_DELAY],
        line_delays=delays[network.LINE_DELAY],
        diffuser_order=delays[network.DIFFUSER_ORDER],
        line_order=delays[network.LINE_ORDER],
        input_gains=gains[network.INPUT_GAIN],
        diffuser_gains=gains[network.DIFFUSER_GAIN],
        mixing_gains=gains[network.MIXING_GAIN],
        absorption=absorption_of(plan.filters),
        tap_delays=plan.tap_delays,
        tap_gains=plan.tap_gains,
        rates=plan.rates / 2.0**64,
        phases=plan.phases / 2.0**64,
        cell=int(counters[network.CELL]),
        curved=bool(counters[network.CURVED]),
    )
