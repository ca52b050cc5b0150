"""With `NUMBA_DISABLE_JIT=1` the import failed."""

import os
import pickle
import subprocess
import sys

import numpy as np
import pytest

import tapeemu
from tapeemu.processors import processor_kinds

PLAIN = """
import pickle, sys
import numpy as np
from tapeemu.dsp.kernels.interpolation import locate
assert not hasattr(locate, "signatures"), "compiled all the same"
audio, cases = pickle.load(sys.stdin.buffer)
pickle.dump([case(audio, sample_rate=48_000, tail_seconds=0.001) for case in cases], sys.stdout.buffer)
"""


DESIGNED_LONG = ("tape_response", "wow_flutter")  # ten seconds each: a response, a random flutter


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


def same(cases: list[tapeemu.Processor]) -> None:
    """As plain Python, in a process of its own, to the bit as compiled."""
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (2, 60))
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", PLAIN],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        input=pickle.dumps((audio, cases)),
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode()
    for case, plain in zip(cases, pickle.loads(done.stdout), strict=True):
        compiled = case(audio, sample_rate=48_000, tail_seconds=0.001)
        np.testing.assert_array_equal(plain, compiled, err_msg=repr(case))
