"""Presets written by hand, and figures that might have been measured."""

from measure.results import Reading
from tapeemu import Chain
from tapeemu.presets import parse_preset
from tapeemu.presets.kept_figures import KeptFigure, Measured, settings_digest
from tapeemu.presets.preset import Preset

GOOD = """\
# a lighthouse keeper's radio
format = 1
purpose = "Radio in a lighthouse."   # one sentence
tags = ["radio", "distant"]

[[stages]]
# the stairwell comes first
name = "stairs"
kind = "fdn_reverb"
wet_percent = 40.0        # more than half is fog
decay_by_band_seconds = { at_500_hz_seconds = 2.5, at_4000_hz_seconds = 1.0 }

[[stages]]
name = "valve"
kind = "preamp_drive"
thd_percent = 1.0

[[stages]]
name = "reel"
kind = "wow_flutter"
rotating_parts = [
    { rate_hz = 0.7, peak_percent = 0.1 },  # the reel
    { rate_hz = 9.0, peak_percent = 0.05 },
]
"""


def good() -> Preset:
    return parse_preset(GOOD, name="lighthouse")


def figures_of(value: float) -> dict[str, KeptFigure]:
    reading = Reading(
        quantity="weighted flutter",
        value=value,
        unit="%",
        method="two-sigma",
        standard="AES6-2008",
        conditions={"level_dbfs": -18.0, "tone_hz": 3150.0},
        uncertainty=0.002,
        uncertainty_basis="repeats",
        warnings=("no warning",),
    )
    return {"weighted_flutter_percent": KeptFigure(reading=reading, tolerance=0.003)}


def measured_of(chain: Chain, value: float = 0.1, **more: object) -> Measured:
    known: dict[str, object] = {"chain": figures_of(value), **more}
    return Measured(
        tool_version="0.0.1",
        settings_sha256=settings_digest(chain),
        sample_rate_hz=48_000.0,
        reference_level_dbfs=-18.0,
        seeds=(1, 2, 3),
        **known,  # type: ignore[arg-type]
    )
