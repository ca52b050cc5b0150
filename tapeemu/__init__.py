"""Artefacts of magnetic tape for audio stems, in the units of the meter.

Names load at first use, so that importing the package costs little; type checkers see them as they are.
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tapeemu.automation import Curve, CurvePoint
    from tapeemu.chain import Chain, Stage
    from tapeemu.comparison import compare
    from tapeemu.presets import Preset, load_preset
    from tapeemu.processor import Processor, Stream
    from tapeemu.processors.amplitude_flutter import AmplitudeFlutter
    from tapeemu.processors.crosstalk import Crosstalk
    from tapeemu.processors.erase_residue import EraseResidue
    from tapeemu.processors.fdn_reverb import FdnReverb
    from tapeemu.processors.head_azimuth import HeadAzimuth
    from tapeemu.processors.print_through import PrintThrough
    from tapeemu.processors.saturation import PreampDrive, TapeMagnetisation
    from tapeemu.processors.splices import Splices
    from tapeemu.processors.start_stop import StartStop
    from tapeemu.processors.tape_noise import TapeNoise
    from tapeemu.processors.tape_response import TapeResponse
    from tapeemu.processors.wow_flutter import WowFlutter
    from tapeemu.rendering.render import render_file, render_files

__version__ = "0.1.0"

__all__ = [
    "AmplitudeFlutter",
    "Chain",
    "Crosstalk",
    "Curve",
    "CurvePoint",
    "EraseResidue",
    "FdnReverb",
    "HeadAzimuth",
    "PreampDrive",
    "Preset",
    "PrintThrough",
    "Processor",
    "Splices",
    "Stage",
    "StartStop",
    "Stream",
    "TapeMagnetisation",
    "TapeNoise",
    "TapeResponse",
    "WowFlutter",
    "__version__",
    "compare",
    "load_preset",
    "render_file",
    "render_files",
]

_HOMES = {
    "tapeemu.automation": ("Curve", "CurvePoint"),
    "tapeemu.chain": ("Chain", "Stage"),
    "tapeemu.comparison": ("compare",),
    "tapeemu.presets": ("Preset", "load_preset"),
    "tapeemu.processor": ("Processor", "Stream"),
    "tapeemu.processors.amplitude_flutter": ("AmplitudeFlutter",),
    "tapeemu.processors.crosstalk": ("Crosstalk",),
    "tapeemu.processors.erase_residue": ("EraseResidue",),
    "tapeemu.processors.fdn_reverb": ("FdnReverb",),
    "tapeemu.processors.head_azimuth": ("HeadAzimuth",),
    "tapeemu.processors.print_through": ("PrintThrough",),
    "tapeemu.processors.saturation": ("PreampDrive", "TapeMagnetisation"),
    "tapeemu.processors.splices": ("Splices",),
    "tapeemu.processors.start_stop": ("StartStop",),
    "tapeemu.processors.tape_noise": ("TapeNoise",),
    "tapeemu.processors.tape_response": ("TapeResponse",),
    "tapeemu.processors.wow_flutter": ("WowFlutter",),
    "tapeemu.rendering.render": ("render_file", "render_files"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


if not TYPE_CHECKING:  # to a type checker it would make every name exist

    def __getattr__(name: str) -> Any:
        if name not in _HOME_OF:
            raise AttributeError(f"module 'tapeemu' has no attribute {name!r}")
        return getattr(importlib.import_module(_HOME_OF[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
