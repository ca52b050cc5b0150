"""The laboratory: wow and flutter, amplitude fluctuation, distortion, decay, response and level in figures.

Every figure comes as a :class:`~measure.results.Reading` with its method, standard, conditions, uncertainty
and warnings; where a signal does not allow a figure, it is ``nan`` and says why. Names are imported at first
use, so that ``import measure`` costs nothing. :func:`measure.flutter.flutter` and :func:`measure.level.level`
are called like their modules and are imported from there.
"""

import importlib
from typing import Any

# Names and the modules they live in.
_HOMES = {
    "Curve": "results",
    "MeasureError": "errors",
    "Reading": "results",
    "Report": "bench",
    "aliasing_to_signal": "distortion",
    "amplitude_fluctuation": "amplitude",
    "colouration": "decay",
    "decay_from_impulse": "decay",
    "decay_from_noise": "decay",
    "decay_from_sweep": "decay",
    "decay_of_noise": "decay",
    "difference_frequency_distortion": "distortion",
    "distortion_against_frequency": "distortion",
    "distortion_against_level": "distortion",
    "echo_density": "decay",
    "frequency_response": "response",
    "harmonic_distortion": "distortion",
    "modulation_distortion": "distortion",
    "noise": "level",
    "operating_level": "distortion",
    "scrape_flutter": "flutter",
    "thd_plus_noise": "distortion",
}

__all__ = [*_HOMES, "bench"]


def __getattr__(name: str) -> Any:
    if name == "bench":  # the module, which can be called
        return importlib.import_module("measure.bench")
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'measure' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"measure.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
