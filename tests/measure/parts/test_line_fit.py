"""Lines at multiples of one tone against signals written down on paper."""

import numpy as np
import pytest
from tones import RATE, tone

from measure.parts.line_fit import fit_lines


def test_lines_in_ratio_to_a_fluttering_tone():
    carrier, angle = tone(7000.0, seconds=2.0, deviation=0.002)
    side = 0.05 * np.cos(angle * 7060.0 / 7000.0) + 0.02 * np.cos(angle * 6880.0 / 7000.0 + 1.0)
    fit = fit_lines(
        carrier + side, RATE, reference_hz=7000.0, lines_hz=[7000.0, 7060.0, 6880.0], neighbour_hz=60.0
    )
    # Beside a neighbour at 60 Hz the time base follows 18 Hz: all but the last sidebands of this flutter.
    assert fit.amplitudes / fit.amplitudes[0] == pytest.approx([1.0, 0.05, 0.02], rel=1e-4)


def test_lines_are_refused_where_the_tone_is_missing():
    fit = fit_lines(
        np.random.default_rng(0).standard_normal(RATE),
        RATE,
        reference_hz=7000.0,
        lines_hz=[7000.0],
        neighbour_hz=60.0,
    )
    assert fit.reason
    assert np.isnan(fit.amplitudes).all()


def test_the_skirt_of_a_strong_tone_elsewhere_is_no_tone():
    # Beside 1 kHz it was followed backwards, and the tone "found" at -100 Hz.
    strong = tone(100.0, seconds=0.5, phase=0.0)[0]
    fit = fit_lines(strong, RATE, reference_hz=1000.0, lines_hz=[500.0, 1000.0], neighbour_hz=370.0)
    assert fit.reason == "no tone was found near 1000 Hz"
    assert np.isnan(fit.reference_hz)


def test_no_tone_is_found_above_half_the_rate():
    sound = tone(1000.0, seconds=1.0)[0]
    fit = fit_lines(sound, RATE, reference_hz=0.6 * RATE, lines_hz=[0.6 * RATE], neighbour_hz=60.0)
    assert fit.reason == "no tone was found near 28800 Hz"
    assert np.isnan(fit.amplitudes).all()
