"""The laboratory: wow and flutter, amplitude fluctuation, distortion, decay, response and level in figures.

Every figure comes as a :class:`Reading` with its method, standard, conditions, uncertainty and warnings; where a
signal does not allow a figure, it is ``nan`` and says why. Names are imported at first use, so that
``import measure`` costs nothing; type checkers see them as they are.
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from measure.errors import LimitsError, MeasureError, RecordingError, ResultsError
    from measure.limits import Limits, LimitsCheck, read_limits
    from measure.parts.sound_file import read_sound_file
    from measure.quantities.amplitude import amplitude_fluctuation
    from measure.quantities.azimuth import azimuth
    from measure.quantities.crosstalk import crosstalk
    from measure.quantities.decay import (
        colouration,
        decay,
        decay_from_impulse,
        decay_from_noise,
        decay_from_sweep,
        decay_of_noise,
        echo_density,
    )
    from measure.quantities.distortion import (
        aliasing_to_signal,
        difference_frequency_distortion,
        distortion,
        distortion_against_frequency,
        distortion_against_level,
        harmonic_distortion,
        modulation_distortion,
        operating_level,
        thd_plus_noise,
    )
    from measure.quantities.flutter import flutter, scrape_flutter
    from measure.quantities.level import level, noise
    from measure.quantities.modulation_noise import modulation_noise
    from measure.quantities.noise_bands import noise_bands
    from measure.quantities.print_through import print_through
    from measure.quantities.response import frequency_response
    from measure.quantities.saturation import saturation
    from measure.quantities.slow_sweep import slow_response
    from measure.recording import read_recording
    from measure.report import Report
    from measure.results import Curve, Reading
    from measure.standard_set import bench

__all__ = [
    "Curve",
    "Limits",
    "LimitsCheck",
    "LimitsError",
    "MeasureError",
    "Reading",
    "RecordingError",
    "Report",
    "ResultsError",
    "aliasing_to_signal",
    "amplitude_fluctuation",
    "azimuth",
    "bench",
    "colouration",
    "crosstalk",
    "decay",
    "decay_from_impulse",
    "decay_from_noise",
    "decay_from_sweep",
    "decay_of_noise",
    "difference_frequency_distortion",
    "distortion",
    "distortion_against_frequency",
    "distortion_against_level",
    "echo_density",
    "flutter",
    "frequency_response",
    "harmonic_distortion",
    "level",
    "modulation_distortion",
    "modulation_noise",
    "noise",
    "noise_bands",
    "operating_level",
    "print_through",
    "read_limits",
    "read_recording",
    "read_sound_file",
    "saturation",
    "scrape_flutter",
    "slow_response",
    "thd_plus_noise",
]

_HOMES = {
    "measure.errors": ("LimitsError", "MeasureError", "RecordingError", "ResultsError"),
    "measure.limits": ("Limits", "LimitsCheck", "read_limits"),
    "measure.parts.sound_file": ("read_sound_file",),
    "measure.quantities.amplitude": ("amplitude_fluctuation",),
    "measure.quantities.azimuth": ("azimuth",),
    "measure.quantities.crosstalk": ("crosstalk",),
    "measure.quantities.decay": (
        "colouration",
        "decay",
        "decay_from_impulse",
        "decay_from_noise",
        "decay_from_sweep",
        "decay_of_noise",
        "echo_density",
    ),
    "measure.quantities.distortion": (
        "aliasing_to_signal",
        "difference_frequency_distortion",
        "distortion",
        "distortion_against_frequency",
        "distortion_against_level",
        "harmonic_distortion",
        "modulation_distortion",
        "operating_level",
        "thd_plus_noise",
    ),
    "measure.quantities.flutter": ("flutter", "scrape_flutter"),
    "measure.quantities.level": ("level", "noise"),
    "measure.quantities.modulation_noise": ("modulation_noise",),
    "measure.quantities.noise_bands": ("noise_bands",),
    "measure.quantities.print_through": ("print_through",),
    "measure.quantities.response": ("frequency_response",),
    "measure.quantities.saturation": ("saturation",),
    "measure.quantities.slow_sweep": ("slow_response",),
    "measure.recording": ("read_recording",),
    "measure.report": ("Report",),
    "measure.results": ("Curve", "Reading"),
    "measure.standard_set": ("bench",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


if not TYPE_CHECKING:  # to a type checker it would make every name exist

    def __getattr__(name: str) -> Any:
        if name not in _HOME_OF:
            raise AttributeError(f"module 'measure' has no attribute {name!r}")
        value = getattr(importlib.import_module(_HOME_OF[name]), name)
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
