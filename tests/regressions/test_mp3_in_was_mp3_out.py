"""A lossy source was coded lossily a second time, unasked."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from sound_files import make

from tapeemu.chain import Chain
from tapeemu.rendering.delivery import Delivery, target_in
from tapeemu.rendering.render import render_file
from tapeemu.validation import FloatArray

RATE = 48_000


DRY = Chain(stages=[])


def noise(channels: int = 2, samples: int = 70_001, seed: int = 5) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.3, 0.3, (channels, samples))


@pytest.mark.parametrize("suffix", [".mp3", ".ogg", ".opus"])
def test_a_lossy_source_becomes_a_wav_unless_asked(tmp_path: Path, suffix: str) -> None:
    subtype = {".mp3": "MPEG_LAYER_III", ".ogg": "VORBIS", ".opus": "OPUS"}[suffix]
    fmt = "MP3" if suffix == ".mp3" else "OGG"
    source = make(tmp_path / f"a{suffix}", noise(samples=20_000), subtype=subtype, format=fmt)
    target = target_in(tmp_path / "out", source, Delivery())
    assert target == tmp_path / "out" / "a.wav"
    target.parent.mkdir()
    render_file(source, DRY, target)
    assert (soundfile.info(target).format, soundfile.info(target).subtype) == ("WAV", "PCM_24")
    asked = Delivery(container=fmt.lower())
    same = target_in(tmp_path / "out", source, asked)
    render_file(source, DRY, same, delivery=asked)
    assert (soundfile.info(same).format, soundfile.info(same).subtype) == (fmt, subtype)
