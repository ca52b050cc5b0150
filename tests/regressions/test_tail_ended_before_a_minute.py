"""No test noticed the bound of a minute on tails."""

from pathlib import Path

import numpy as np
import pytest
from sound_files import make

import tapeemu
from tapeemu.chain import Chain
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.render import render_file
from tapeemu.validation import FloatArray

RATE = 48_000


def noise(channels: int = 2, samples: int = 70_001, seed: int = 5) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.3, 0.3, (channels, samples))


@pytest.mark.parametrize(("decay_seconds", "cut"), [(20.0, False), (60.0, True)])
def test_a_tail_ends_after_a_minute_unless_more_is_asked_for(
    tmp_path: Path, decay_seconds: float, cut: bool
) -> None:
    """What a chain declares counts up to 60 s; what is asked for counts as it is."""
    rate = 8_000
    chain = Chain(stages=[tapeemu.FdnReverb(decay_seconds=decay_seconds)])
    declared = chain.stream(sample_rate=rate, channels=1).tail_samples(-80.0)
    assert (declared > 60 * rate) == cut
    source = make(tmp_path / "a.wav", noise(1, 800), rate=rate, subtype="PCM_16")
    report = render_file(source, chain, tmp_path / "b.wav", delivery=Delivery(tail_level_db=-80.0))
    assert round(report.seconds_out * rate) == 800 + (60 * rate if cut else declared)
    assert report.notes == (("tail cut at 60 s; tail_seconds asks for more",) if cut else ())
    if cut:
        longer = render_file(source, chain, tmp_path / "c.wav", delivery=Delivery(tail_seconds=61.0))
        assert round(longer.seconds_out * rate) == 800 + 61 * rate
        assert longer.notes == ()
