"""Envelopes of what comes in, at control rate: how loud each voice is, for lights and motors beside the sound.

Time is divided into control periods, counted from the tape's beginning. At the end of each an envelope has a new
value: the root of the mean of the squares of the period's samples. It so needs no time of attack or release, a
tone reads its effective value, and one that is slower than a period is followed through its cycle.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Precise, Precises1, Reals2
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["AT", "ENVELOPE_COUNTS", "PERIOD", "Envelopes", "follow_envelopes", "seek_envelopes"]

AT, PERIOD = 0, 1
ENVELOPE_COUNTS = 2
"""Samples into the period, and its length."""


class Envelopes(NamedTuple):
    """What is kept from one block to the next.

    Attributes
    ----------
    sums : ndarray, shape (channels,)
        Squares of the samples of the period so far, added up.
    counts : ndarray, shape (2,)
        See the places above.
    """

    sums: Precises1
    counts: Integers1


@kernel()
def seek_envelopes(place: np.int64, memory: Envelopes) -> None:
    """Go to a place on the tape: what lies before it in its period counts as silence."""
    period = memory.counts[PERIOD]
    memory.counts[AT] = place - place // period * period
    for channel in range(memory.sums.size):
        memory.sums[channel] = 0.0


@kernel()
def follow_envelopes(block: Reals2, memory: Envelopes, out: Reals2) -> int:
    """Go on by a block of any length.

    Parameters
    ----------
    block : ndarray, shape (channels, samples)
        What comes in.
    memory : Envelopes
        Changed in place.
    out : ndarray, shape (channels, ``samples // period + 1`` or more)
        Gets a value of every channel for every period that ends in the block.

    Returns
    -------
    int
        How many values a channel has got.
    """
    period = memory.counts[PERIOD]
    length: Precise = period
    made = 0
    done = 0
    while done < block.shape[1]:
        count = int(min(period - memory.counts[AT], block.shape[1] - done))
        for channel in range(block.shape[0]):
            total = memory.sums[channel]
            for k in range(count):
                heard: Precise = block[channel, done + k]
                total += heard * heard
            memory.sums[channel] = total
        done += count
        memory.counts[AT] += count
        if memory.counts[AT] == period:
            for channel in range(block.shape[0]):
                out[channel, made] = math.sqrt(memory.sums[channel] / length)
                memory.sums[channel] = 0.0
            memory.counts[AT] = 0
            made += 1
    return made
