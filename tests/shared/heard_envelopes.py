"""Envelopes of an input, by the kernel in Python."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from tapeemu.dsp.kernels.envelopes import ENVELOPE_COUNTS, PERIOD, Envelopes, follow_envelopes, seek_envelopes


def envelopes_of(audio: Any, period: int, cuts: Sequence[int], place: int = 0) -> Any:
    """Values of every channel, of audio that comes in blocks of these sizes in turn, from a place on the tape."""
    channels, samples = audio.shape
    memory = Envelopes(np.zeros(channels), np.zeros(ENVELOPE_COUNTS, np.int64))
    memory.counts[PERIOD] = period
    seek_envelopes(np.int64(place), memory)
    parts, start, turn = [np.zeros((channels, 0))], 0, 0
    while start < samples:
        part = np.ascontiguousarray(audio[:, start : start + cuts[turn % len(cuts)]])
        out = np.zeros((channels, part.shape[1] // period + 1))
        parts.append(out[:, : follow_envelopes(part, memory, out)].copy())
        start += cuts[turn % len(cuts)]
        turn += 1
    return np.concatenate(parts, axis=1)
