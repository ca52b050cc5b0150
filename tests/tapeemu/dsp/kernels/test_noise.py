"""Hashed numbers are those that others publish."""

import numpy as np

from tapeemu.dsp.kernels.noise import mix_hash

# The first outputs of SplitMix64 for the seed 1234567, as reference implementations print them (from memory).
SEED = 1234567
PUBLISHED = (
    6457827717110365317,
    3203168211198807973,
    9817491932198370423,
    4593380528125082431,
    16408922859458223821,
)


def test_a_counter_and_a_key_give_the_numbers_of_splitmix64() -> None:
    """Its state is the seed and as many steps of the golden ratio: number k is the hash of that sum."""
    found = [int(mix_hash(np.uint64(SEED), np.uint64(index))) for index in range(1, 6)]
    assert found == list(PUBLISHED)
