"""The stable keys under which reports hold figures and curves, for the standard set and for recordings alike."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from measure.quantities.amplitude import ChannelAmplitude
from measure.quantities.decay import BandDecay
from measure.quantities.distortion import DifferenceDistortion, ModulationDistortion
from measure.quantities.flutter import FlutterResult
from measure.quantities.print_through import PrintThrough
from measure.quantities.saturation import Saturation
from measure.quantities.slow_sweep import SlowResponse
from measure.results import Curve, Reading

__all__ = [
    "Found",
    "decay_figures",
    "difference_figures",
    "modulation_figures",
    "print_figures",
    "saturation_figures",
    "scrape_figures",
    "slow_sweep_figures",
    "steady_tone_figures",
]

_RESPONSE_HZ = (40.0, 100.0, 10_000.0, 16_000.0)

Found = tuple[dict[str, Reading], dict[str, Curve]]
"""Readings and curves by key."""


def steady_tone_figures(speed: FlutterResult, depth: ChannelAmplitude) -> Found:
    """What a steady tone tells about speed and level."""
    readings = {
        "weighted_flutter_percent": speed.weighted["two_sigma"],
        "unweighted_flutter_percent": speed.unweighted["two_sigma"],
        "weighted_flutter_quasi_peak_percent": speed.weighted["quasi_peak"],
        "weighted_flutter_rms_percent": speed.weighted["rms"],
        "unweighted_flutter_rms_percent": speed.unweighted["rms"],
        "wow_percent": speed.wow["two_sigma"],
        "flutter_percent": speed.flutter["two_sigma"],
        "drift_percent": speed.drift,
        "speed_error_percent": speed.speed_error,
        "amplitude_fluctuation_peak_percent": depth.depth["peak"],
        "amplitude_fluctuation_rms_percent": depth.depth["rms"],
        "level_fluctuation_peak_db": depth.level["peak"],
        "level_fluctuation_rms_db": depth.level["rms"],
        "dropouts_count": depth.dropout_count,
    }
    curves = {
        "deviation": speed.deviation,
        "deviation_spectrum": speed.spectrum,
        "amplitude_spectrum": depth.spectrum,
    }
    return readings, curves


def scrape_figures(scrape: FlutterResult) -> Found:
    """What a high tone tells about scrape flutter."""
    return {"scrape_flutter_rms_percent": scrape.unweighted["rms"]}, {"scrape_spectrum": scrape.spectrum}


def modulation_figures(result: ModulationDistortion) -> Found:
    """What a low tone does to a high one."""
    return {
        "modulation_distortion_second_percent": result.second,
        "modulation_distortion_third_percent": result.third,
        "modulation_distortion_percent": result.single,
    }, {}


def difference_figures(result: DifferenceDistortion) -> Found:
    """What two high tones make together."""
    return {
        "difference_distortion_second_percent": result.second,
        "difference_distortion_third_percent": result.third,
    }, {}


def slow_sweep_figures(result: SlowResponse) -> Found:
    """What a slow sweep tells about the response."""
    readings = {
        "low_edge_hz": result.low_edge,
        "high_edge_hz": result.high_edge,
        "bump_hz": result.bump_frequency,
        "bump_db": result.bump_height,
    }
    readings |= {f"response_{hz:g}hz_db": result.at(hz) for hz in _RESPONSE_HZ}
    return readings, {"response": result.magnitude}


def saturation_figures(result: Saturation) -> Found:
    """What loud tones tell: operating level, saturated output and compression by frequency."""
    readings: dict[str, Reading] = {}
    curves = {
        "mol_against_frequency": result.mol,
        "sol_against_frequency": result.sol,
        "compression_against_frequency": result.compression,
    }
    for name, tone in result.tones.items():
        readings[f"mol_{name}_output_db"] = tone.mol
        readings[f"sol_{name}_db"] = tone.sol
        readings[f"compression_{name}_db"] = tone.compression
        curves[f"gain_{name}_against_level"] = tone.gain
    return readings, curves


def print_figures(result: PrintThrough) -> Found:
    """What a short tone tells about print-through."""
    readings = {
        "print_pre_db": result.pre,
        "print_post_db": result.post,
        "print_pre_seconds": result.pre_seconds,
        "print_post_seconds": result.post_seconds,
    }
    return readings, {"print_through": result.course}


def decay_figures(bands: Sequence[BandDecay]) -> Found:
    """Decay times, decays, fits and floors by band."""
    readings: dict[str, Reading] = {}
    curves: dict[str, Curve] = {}
    for band in bands:
        name = band.band.replace(" Hz", "hz")
        readings[f"decay_{name}_seconds"] = band.likelihood
        readings[f"edt_{name}_seconds"] = band.edt
        readings[f"t20_{name}_seconds"] = band.t20
        readings[f"t30_{name}_seconds"] = band.t30
        curves[f"decay_{name}"] = band.curve
        curves[f"decay_{name}_fit"] = band.fit
        if band.fit.x.size and math.isfinite(band.floor_db):
            ends = band.fit.x[[0, -1]]
            curves[f"decay_{name}_floor"] = replace(
                band.fit, quantity=f"floor, {band.band}", x=ends, y=np.full(2, band.floor_db)
            )
    return readings, curves
