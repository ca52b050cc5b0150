"""Finite input of 1.6e308 left the reverb non-finite for good."""

from typing import Any

import numpy as np
import pytest
from dummy_processors import Hiss, PreEcho

from tapeemu.errors import AudioError
from tapeemu.processor import Processor
from tapeemu.processors import processor_kinds
from tapeemu.validation import LOUDEST

RATE = 48_000


SHIPPED = {
    kind: made for kind, made in processor_kinds().items() if kind not in ("plugin_effect", "plugin_object")
}


KINDS: dict[str, type[Processor]] = {**SHIPPED, Hiss.kind: Hiss, PreEcho.kind: PreEcho}


every_kind = pytest.mark.parametrize("kind", KINDS)


@every_kind
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_loudest_samples_pass_and_louder_ones_are_refused(kind: str, dtype: type[np.floating[Any]]) -> None:
    audio = np.random.default_rng(6).uniform(-1.0, 1.0, (2, 4000)).astype(dtype)
    stream = KINDS[kind]().stream(sample_rate=RATE, channels=2)
    assert np.all(np.isfinite(stream.process(audio * dtype(0.9 * LOUDEST))))
    for far in (3e38, 1.6e308) if dtype is np.float64 else (3e38,):
        wild = audio.copy()
        wild[1, 7] = -far
        with pytest.raises(AudioError, match=r"sample 7 of channel 1 is -.*within 1e\+30.*divide"):
            stream.process(wild)
    assert np.all(np.isfinite(stream.process(audio)))
