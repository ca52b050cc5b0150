"""The one source of randomness: against the generator's definition in whole numbers, and by its statistics."""

from importlib import import_module
from pkgutil import iter_modules

import numpy as np
from scipy import stats

from tapeemu.dsp import kernels
from tapeemu.dsp.kernels import hashing
from tapeemu.dsp.tape_position import Purpose, stream_key

MASK = 2**64 - 1


def splitmix(state: int) -> int:
    """The published finaliser, in Python's own integers (Steele, Lea, Flood 2014, from memory)."""
    z = state & MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & MASK
    return z ^ (z >> 31)


def test_hashes_are_those_of_the_published_generator() -> None:
    # The first outputs of SplitMix64 for seed 1234567, as its reference program prints them (from memory).
    first = [6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431]
    made = [int(hashing.mix_hash(np.uint64(1234567), np.uint64(k))) for k in range(1, 5)]
    assert made == first
    for key, index in ((5, 7), (MASK, MASK), (2**63, 12345678901234567)):
        expected = splitmix(key + index * 0x9E3779B97F4A7C15)
        assert int(hashing.mix_hash(np.uint64(key), np.uint64(index))) == expected


def test_keys_tell_seeds_purposes_and_numbers_apart() -> None:
    seeds = [*range(200), 2**32, 2**32 + 1, 2**63 - 1]
    keys = {stream_key(seed, purpose, number) for seed in seeds for purpose in Purpose for number in range(10)}
    assert len(keys) == len(seeds) * len(Purpose) * 10
    # Each bit of the keys of neighbours is set half the time.
    bits = np.array([[key >> bit & 1 for bit in range(64)] for key in sorted(keys)])
    assert np.max(np.abs(bits.mean(axis=0) - 0.5)) < 4.5 * 0.5 / np.sqrt(len(keys))


def test_white_numbers_are_independent_and_of_unit_variance() -> None:
    first, second = np.empty((2, 1 << 18))
    hashing.fill_white(np.uint64(stream_key(1, Purpose.FLUTTER)), np.int64(-(1 << 17)), first)
    hashing.fill_white(np.uint64(stream_key(2, Purpose.FLUTTER)), np.int64(-(1 << 17)), second)
    doubt = 1.0 / np.sqrt(first.size)
    assert abs(first.mean()) < 4.0 * doubt
    assert abs(first.var() - 1.0) < 4.0 * np.sqrt(2.0) * doubt
    # Eight uniform numbers: their excess is -1.2 / 8.
    assert abs(stats.kurtosis(first) + 0.15) < 4.0 * np.sqrt(24.0) * doubt
    assert np.max(np.abs(first)) < 4.9
    for lag in (1, 2, 3, 7, 64):
        assert abs(np.mean(first[:-lag] * first[lag:])) < 4.5 * doubt
    assert abs(np.mean(first * second)) < 4.0 * doubt
    part = np.empty(100)
    hashing.fill_white(np.uint64(stream_key(1, Purpose.FLUTTER)), np.int64(-50), part)
    np.testing.assert_array_equal(part, first[(1 << 17) - 50 : (1 << 17) + 50])


def test_uniform_numbers_are_uniform() -> None:
    numbers = np.array([hashing.uniform(np.uint64(77), np.uint64(k)) for k in range(20_000)])
    assert stats.kstest(numbers, "uniform").pvalue > 0.001
    assert 0.0 < numbers.min() < numbers.max() < 1.0


def test_a_key_without_a_number_is_that_of_number_zero() -> None:
    assert stream_key(5, Purpose.LEVEL) == stream_key(5, Purpose.LEVEL, 0) != stream_key(5, Purpose.LEVEL, 1)


def test_kernels_give_every_purpose_the_number_it_has_in_python() -> None:
    held: dict[str, set[int]] = {}
    for module in iter_modules(kernels.__path__, f"{kernels.__name__}."):
        for name, value in vars(import_module(module.name)).items():
            if name.lstrip("_") in Purpose.__members__ and isinstance(value, np.uint64):
                held.setdefault(name.lstrip("_"), set()).add(int(value))
    of_tapes = {Purpose.TAPE, Purpose.PLACE}  # seeds drawn from seeds, in Python alone
    assert held == {purpose.name: {int(purpose)} for purpose in Purpose if purpose not in of_tapes}
    assert len(Purpose.__members__) == len(set(Purpose))
