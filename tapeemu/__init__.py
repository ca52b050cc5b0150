"""Artefacts of magnetic tape for audio stems, in the units of the meter.

Names load at first use, so that importing the package costs little.
"""

import importlib
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "AmplitudeFlutter": "tapeemu.processors.amplitude_flutter",
    "Chain": "tapeemu.chain",
    "FdnReverb": "tapeemu.processors.fdn_reverb",
    "PreampDrive": "tapeemu.processors.saturation",
    "Preset": "tapeemu.presets",
    "Processor": "tapeemu.processor",
    "Stage": "tapeemu.chain",
    "Stream": "tapeemu.processor",
    "TapeMagnetisation": "tapeemu.processors.saturation",
    "WowFlutter": "tapeemu.processors.wow_flutter",
    "compare": "tapeemu.comparison",
    "load_preset": "tapeemu.presets",
    "render_file": "tapeemu.render",
    "render_files": "tapeemu.render",
}

__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'tapeemu' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
