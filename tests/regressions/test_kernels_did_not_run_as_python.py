"""With `NUMBA_DISABLE_JIT=1` the import failed."""

import os
import pickle
import subprocess
import sys
from typing import Any

import numpy as np
import pytest

import tapeemu
from tapeemu.processors import processor_kinds
from tapeemu.rendering.loudness import LevelMeter

PLAIN = """
import pickle, sys
import numpy as np
from tapeemu.dsp.kernels.interpolation import locate
assert not hasattr(locate, "signatures"), "compiled all the same"
audio, cases = pickle.load(sys.stdin.buffer)
pickle.dump([case(audio, sample_rate=48_000, tail_seconds=0.001) for case in cases], sys.stdout.buffer)
"""


DESIGNED_LONG = ("tape_response", "wow_flutter")  # ten seconds each: a response, a random flutter


@pytest.mark.long  # that they run at all is tried by test_the_environment_chooses_what_runs_the_kernels
def test_kernels_run_as_plain_python_and_say_the_same() -> None:
    """For debuggers and coverage."""
    kinds = {kind: made for kind, made in processor_kinds().items() if not kind.startswith("plugin")}
    del kinds["fdn_reverb"]  # of sixteen lines: minutes
    del kinds["print_through"]  # of a turn of two seconds, and every sample of it
    for kind in DESIGNED_LONG:
        del kinds[kind]
    cases = [made() for made in kinds.values()]
    cases += [
        tapeemu.WowFlutter(random_percent=0.0, speed_error_percent=0.7, reader_taps=48, azimuth_skew_us=30.0),
        tapeemu.AmplitudeFlutter(mode="spacing", dropouts_per_minute=6000.0),
        tapeemu.TapeMagnetisation(bias_percent=0.0, drive_db=20.0),
        tapeemu.FdnReverb(lines=8),
        tapeemu.PrintThrough(hub_radius_mm=5.0, full_radius_mm=5.0, tape_speed_cm_s=152.4),
    ]
    assert len(cases) >= 9
    same(cases)


@pytest.mark.long  # a minute: curves and solvers are made of many points
def test_events_and_solved_settings_run_as_plain_python_too() -> None:
    """What takes long to design, or is done only if asked for: starts, stops, drives that are solved for."""
    same(
        [
            *(processor_kinds()[kind]() for kind in DESIGNED_LONG),
            tapeemu.StartStop(
                events=[{"action": "start", "at_seconds": 0.0002}], start_law="catching_up", start_seconds=0.02
            ),
            tapeemu.StartStop(events=[{"action": "stop", "at_seconds": 0.0002}], stop_seconds=0.02),
            tapeemu.PreampDrive(thd_percent=1.0, level_matched=True),
            tapeemu.TapeMagnetisation(mol_db=6.0),
        ]
    )


def curve(setting: str, one: float, other: float) -> tapeemu.Curve:
    """From one value to another within the sound."""
    ends = ((0.0, one), (0.011, other))
    return tapeemu.Curve(setting=setting, points=tuple({"seconds": at, "value": value} for at, value in ends))


def moved(processor: tapeemu.Processor, *curves: tapeemu.Curve) -> tapeemu.Chain:
    return tapeemu.Chain([tapeemu.Stage(processor=processor, automation=curves)])


@pytest.mark.long  # a minute, and half of it for two designs of rooms
def test_what_moves_ends_and_goes_elsewhere_runs_as_plain_python_too() -> None:
    """Settings that follow curves, tails and leads, other places on the tape, and loudness, at 8 kHz."""
    level = curve("drive_db", 0.0, 12.0)
    cut = {"at_seconds": 0.002, "shift_seconds": 0.01}
    stop, start = {"action": "stop", "at_seconds": -0.3}, {"action": "start", "at_seconds": 0.004}
    answered_the_same(
        [
            moved(tapeemu.PreampDrive(), level),
            moved(tapeemu.PreampDrive(level_matched=True), level),
            moved(tapeemu.TapeMagnetisation(bias_percent=60.0), level),
            moved(tapeemu.FdnReverb(lines=8, decay_seconds=0.1), curve("wet_percent", 0.0, 50.0)),
            moved(tapeemu.EraseResidue(earlier_seconds=0.1), curve("residue_db", -60.0, -40.0)),
            moved(tapeemu.TapeNoise(), curve("hiss_db", -60.0, -40.0)),
            moved(tapeemu.Crosstalk(), curve("mix_percent", 0.0, 100.0)),
            tapeemu.TapeNoise(hiss_db=-60.0, hum_db=-60.0, modulation_noise_db=-40.0, hiss_weighting="itu468"),
            tapeemu.TapeNoise(hiss=False, hum_db=-60.0),
            tapeemu.Splices(
                splices=[cut, {"at_seconds": 0.006, "blank": True}, {"at_seconds": 0.008}],
                tape_speed_cm_s=152.0,
                angle_degrees=80.0,
            ),
            tapeemu.AmplitudeFlutter(
                channel_correlation=0.3,
                dropouts_per_minute=6000.0,
                dropouts_on_all_channels=False,
                periodic_parts=[{"rate_hz": 9.0, "peak_db": 1.0}],
            ),
            tapeemu.AmplitudeFlutter(mode="spacing", channel_correlation=0.3),
            tapeemu.HeadAzimuth(azimuth_urad=200.0, wander_urad=100.0),
            tapeemu.HeadAzimuth(azimuth_urad=200.0),
            tapeemu.StartStop(events=[stop, start], stop_seconds=0.02, start_seconds=0.02),
            tapeemu.FdnReverb(
                lines=8,
                decay_by_band_seconds={"at_125_hz_seconds": 0.2, "at_1000_hz_seconds": 0.1},
                pre_delay_seconds=0.001,
            ),
            tapeemu.PrintThrough(hub_radius_mm=5.0, full_radius_mm=5.0, tape_speed_cm_s=152.4),
            tapeemu.TapeMagnetisation(mol_db=6.0, bias_percent=0.0),
            tapeemu.WowFlutter(random_percent=0.0, azimuth_wander_us=30.0),
        ]
    )


ANSWER = """
def answer(made, audio):
    where = {"sample_rate": 8_000, "channels": len(audio)}
    stream = made.stream(**where, start_sample=7, track=1)
    told = [stream.advance(np.ascontiguousarray(part)) for part in (audio[:, :50], audio[:, 50:])]
    told += [stream.latency, stream.tail_samples(), stream.tail_samples(-90.0)]
    told += [stream.lead_samples(), stream.run_in_samples()]
    if hasattr(stream, "seek"):
        stream.seek(1_000)
        told.append(stream.advance(audio))
    meter = LevelMeter(**where)
    meter.add(audio)
    return [*told, meter.true_peak, meter._open_cell]
"""

ANSWERED = f"""
import pickle, sys
import numpy as np
from tapeemu.dsp.kernels.interpolation import locate
from tapeemu.rendering.loudness import LevelMeter
assert not hasattr(locate, "signatures"), "compiled all the same"
{ANSWER}
audio, cases = pickle.load(sys.stdin.buffer)
pickle.dump([answer(case, audio) for case in cases], sys.stdout.buffer)
"""


def answered_the_same(cases: list[tapeemu.Processor]) -> None:
    """All that a stream says, as plain Python and as compiled."""
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (2, 100))
    names: dict[str, Any] = {"np": np, "LevelMeter": LevelMeter}
    exec(ANSWER, names)
    for case, plain in zip(cases, as_plain_python(ANSWERED, (audio, cases)), strict=True):
        for one, other in zip(plain, names["answer"](case, audio), strict=True):
            np.testing.assert_array_equal(one, other, err_msg=repr(case))


def as_plain_python(program: str, given: Any) -> Any:
    """What a program makes of what it is given, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", program],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        input=pickle.dumps(given),
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode()
    return pickle.loads(done.stdout)


def same(cases: list[tapeemu.Processor]) -> None:
    """As plain Python, in a process of its own, to the bit as compiled."""
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (2, 60))
    for case, plain in zip(cases, as_plain_python(PLAIN, (audio, cases)), strict=True):
        compiled = case(audio, sample_rate=48_000, tail_seconds=0.001)
        np.testing.assert_array_equal(plain, compiled, err_msg=repr(case))
