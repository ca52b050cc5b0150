"""Settings that move while it plays, in WebAssembly and on the emulated Cortex-M7: this machine's bits.

That C has the bits of Python is tested by test_automation.py; here single precision is compared.
"""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tapeemu import (
    AmplitudeFlutter,
    Chain,
    Crosstalk,
    FdnReverb,
    HeadAzimuth,
    PrintThrough,
    TapeResponse,
    WowFlutter,
)
from tapeemu.processor import Processor
from tapeemu.targets.machines import (
    SINGLE,
    STRICT_FLAGS,
    BoardTarget,
    HostTarget,
    MissingToolError,
    Target,
    WebTarget,
)
from tapeemu.targets.setups import Case, setup_of

REEL = PrintThrough(level_db=-40.0, hub_radius_mm=5.0, full_radius_mm=6.0, asymmetry_db=0.0)
BREATHING = AmplitudeFlutter(periodic_parts=({"rate_hz": 5.5, "peak_db": 3.0},), random_db=1.0)
TORN = AmplitudeFlutter(dropouts_per_minute=6_000.0, dropout_least_db=6.0)
HEAD = HeadAzimuth(azimuth_urad=300.0, wander_urad=200.0, tracks=2)
TRACKS = Crosstalk(tracks_heard=2)
MOVED: list[tuple[Processor, str, float]] = [
    (FdnReverb(lines=8, decay_seconds=0.5, size_percent=25.0), "decay_seconds", 0.1),
    (REEL, "level_db", -20.0),
    (REEL, "asymmetry_db", 12.0),
    (WowFlutter(weighted_flutter_percent=0.4), "weighted_flutter_percent", 0.1),
    (WowFlutter(random_percent=0.3), "random_percent", 0.05),
    (WowFlutter(scrape_percent=1.0), "scrape_percent", 0.1),
    (BREATHING, "random_db", 0.2),
    (BREATHING.replace(mode="spacing"), "periodic_percent", 10.0),
    (TORN, "dropout_most_db", 9.0),
    (TORN.replace(mode="spacing"), "dropout_least_db", 1.0),
    (HEAD, "azimuth_urad", -300.0),
    (HEAD, "wander_urad", 50.0),
    (TRACKS, "fringing_db", -6.0),
    (TRACKS, "coupling_db", -30.0),
    (TRACKS, "coupling_step_db", 0.0),
    (TapeResponse(mol_db=0.0), "mol_db", 9.0),
    (TapeResponse(mol_db=0.0), "reference_level_dbfs", -9.0),
]


def cases() -> list[Case]:
    """Far behind the tape's first seconds, in which flutter and azimuth settle."""
    made = []
    for processor, name, value in MOVED:
        channels = 3 if isinstance(processor, Crosstalk) else 2
        setup = setup_of(Chain([processor]), sample_rate=48_000.0, channels=channels)
        late = processor.stream(sample_rate=48_000, channels=channels).latency
        audio = np.zeros((channels, 2_400 + late))
        audio[0] = 0.3 * np.random.default_rng(3).standard_normal(audio.shape[1])
        moved = (0, setup.stages[0].names.index(name), value)
        made.append(Case(setup, audio, cuts=(250,), place=400 * 48_000 + 7, moved=moved))
    return made


@pytest.mark.long
@pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler (gcc) is installed")
@pytest.mark.parametrize("kind", [WebTarget, BoardTarget])
def test_settings_move_elsewhere_as_on_this_machine(kind: type[Target], tmp_path: Path) -> None:
    try:
        there = kind(tmp_path)  # type: ignore[call-arg]
    except MissingToolError as error:
        pytest.skip(str(error))
    here = HostTarget(tmp_path, (*STRICT_FLAGS, SINGLE))
    all_cases = cases()
    ours = here.run(all_cases)
    still = here.run([replace(case, moved=None) for case in all_cases])
    for moved, one, other, before in zip(MOVED, ours, there.run(all_cases), still, strict=True):
        assert not np.array_equal(one.audio, before.audio), moved
        assert np.array_equal(one.audio, other.audio), moved
        assert (one.latency, one.tail) == (other.latency, other.tail)
