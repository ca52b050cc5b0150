"""Warnings on figures that reverberation or unsteadiness of the system falsifies."""

import math
from collections.abc import Mapping
from dataclasses import replace

from measure.results import Reading

__all__ = ["cautioned"]

_STEADY_PERCENT = 1e-3  # more flutter or amplitude fluctuation than this is no longer a steady system

# Behind a reverb these figures count its beating as modulation.
_MODULATION = frozenset(
    {
        "weighted_flutter_percent",
        "unweighted_flutter_percent",
        "weighted_flutter_quasi_peak_percent",
        "weighted_flutter_rms_percent",
        "unweighted_flutter_rms_percent",
        "wow_percent",
        "flutter_percent",
        "drift_percent",
        "speed_error_percent",
        "scrape_flutter_rms_percent",
        "amplitude_fluctuation_peak_percent",
        "amplitude_fluctuation_rms_percent",
        "level_fluctuation_peak_db",
        "level_fluctuation_rms_db",
        "dropouts_count",
        "modulation_noise_db",
    }
)
# These have no meaning behind a reverb, whose magnitude response has dips and peaks everywhere.
_EDGES = frozenset({"low_edge_hz", "high_edge_hz", "bump_hz", "bump_db"})
# These are read from single lines, each of which the reverb gives a gain of its own.
_LINES = frozenset(
    {
        "gain_1000hz_db",
        "level_reference_dbfs",
        "thd_reference_percent",
        "thd_r_reference_percent",
        "thd_plus_noise_reference_percent",
        *(f"harmonic_{k}_reference_{unit}" for k in range(2, 11) for unit in ("db", "degrees")),
        "mol_3_percent_dbfs",
        "mol_3_percent_db",
        "mol_3_percent_output_dbfs",
        "modulation_distortion_second_percent",
        "modulation_distortion_third_percent",
        "modulation_distortion_percent",
        "difference_distortion_second_percent",
        "difference_distortion_third_percent",
    }
)
_LINE_KINDS = ("response_", "mol_", "sol_", "compression_")


def cautioned(readings: Mapping[str, Reading], decay_seconds: float | None) -> dict[str, Reading]:
    """Readings of a system with the warnings that its reverberation and its unsteadiness call for.

    Parameters
    ----------
    readings : mapping of str to Reading
        All figures of one system.
    decay_seconds : float or None
        Its decay time, 0 where it is too short to be told; None where it does not reverberate.
    """
    known = dict(readings)
    if decay_seconds is not None:
        known = {key: _behind_reverb(key, reading, decay_seconds) for key, reading in known.items()}
    unsteady = [
        known[key].value
        for key in ("unweighted_flutter_rms_percent", "amplitude_fluctuation_rms_percent")
        if key in known and known[key].defined
    ]
    if "aliasing_to_signal_db" in known and max(unsteady, default=0.0) > _STEADY_PERCENT:
        why = (
            "the system is not steady: its flutter or amplitude fluctuation would count as aliasing; "
            "read the stage alone"
        )
        known["aliasing_to_signal_db"] = replace(known["aliasing_to_signal_db"], value=math.nan, warnings=(why,))
    return known


def _behind_reverb(key: str, reading: Reading, decay_seconds: float) -> Reading:
    seconds = f"the system reverberates ({decay_seconds:.2g} s)" if decay_seconds else "the system reverberates"
    if key in _EDGES and reading.defined:
        return replace(reading, value=math.nan, warnings=(f"{seconds}: it has no edges and no bump",))
    warning = ""
    if key in _MODULATION:
        warning = f"{seconds}: its beating counts as modulation; read the stage before the reverb"
    elif key in _LINES or key.startswith(_LINE_KINDS):
        warning = f"{seconds}: each line has the gain of the reverb at its frequency"
    return replace(reading, warnings=(*reading.warnings, warning)) if warning else reading
