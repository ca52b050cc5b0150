"""Distortion: harmonics, THD, THD+N, intermodulation, maximum operating level, aliasing; a module for each.

All figures come from fitted lines whose time base is the recording's own phase (see
:mod:`measure.parts.time_base`), so that the flutter of a tape does not count as loss of a harmonic.
"""

from measure.quantities.distortion.against_frequency import (
    FrequencyDistortion,
    distortion_against_frequency,
    distortion_from_sweep,
)
from measure.quantities.distortion.against_level import (
    LevelDistortion,
    distortion_against_level,
    distortion_of_steps,
    operating_level,
)
from measure.quantities.distortion.aliasing import aliasing_to_signal
from measure.quantities.distortion.difference import DifferenceDistortion, difference_frequency_distortion
from measure.quantities.distortion.harmonics import HarmonicDistortion, distortion, harmonic_distortion
from measure.quantities.distortion.modulation import ModulationDistortion, modulation_distortion
from measure.quantities.distortion.residual import thd_plus_noise

__all__ = [
    "DifferenceDistortion",
    "FrequencyDistortion",
    "HarmonicDistortion",
    "LevelDistortion",
    "ModulationDistortion",
    "aliasing_to_signal",
    "difference_frequency_distortion",
    "distortion",
    "distortion_against_frequency",
    "distortion_against_level",
    "distortion_from_sweep",
    "distortion_of_steps",
    "harmonic_distortion",
    "modulation_distortion",
    "operating_level",
    "thd_plus_noise",
]
