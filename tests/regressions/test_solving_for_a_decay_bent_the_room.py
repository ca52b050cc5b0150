"""`solve rt60=1.8` moved one band (4.03 / 2.85 / 1.80 / 2.84 / 2.05 s) instead of scaling the room."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tapeemu import Chain, FdnReverb
from tapeemu.presets import load_preset
from tapeemu.presets.preset import Preset
from tapeemu.presets.solving import solve
from tapeemu.presets.writing import save_preset
from tapeemu.processors.fdn_reverb import DecayByBand

Run = Callable[..., str]
TABLE = dict(zip(DecayByBand.model_fields, (0.7, 0.9, 0.8, 0.75, 0.7, 0.6, 0.5, 0.4, 0.3), strict=True))
ROOM = FdnReverb(decay_by_band_seconds=DecayByBand(**TABLE), lines=8)


def keeps_its_shape(before: object, after: object) -> None:
    """Ratios between octaves as before, exactly."""
    assert isinstance(before, FdnReverb)
    assert isinstance(after, FdnReverb)
    factors = after.target_decay_seconds() / before.target_decay_seconds()
    np.testing.assert_allclose(factors, factors[0], rtol=1e-9)
    # Said in one setting: the table stays as it stood in the file.
    assert after == before.replace(decay_seconds=after.decay_seconds)


def test_solving_for_one_decay_keeps_the_shape_of_the_room() -> None:
    """What was asked for is read by the bench."""
    found = solve({"decay_500hz_seconds": 0.5}, start=Chain([ROOM]))
    keeps_its_shape(ROOM, found.chain.stages[0].processor)
    assert found.reached["decay_500hz_seconds"].value == pytest.approx(0.5, rel=0.01)


@pytest.mark.long
def test_the_command_keeps_the_shape_of_the_room(run: Run, own: Path) -> None:
    own.mkdir()
    save_preset(Preset(name="cellar", purpose="A cellar.", chain=Chain(stages=[ROOM])), own / "cellar.toml")
    run("solve", "smaller", "rt60=0.5s", "--from", "cellar")
    before, after = (load_preset(name) for name in ("cellar", "smaller"))
    keeps_its_shape(before.chain.stages[0].processor, after.chain.stages[0].processor)
    assert after.readings["decay_500hz_seconds"].value == pytest.approx(0.5, rel=0.01)
