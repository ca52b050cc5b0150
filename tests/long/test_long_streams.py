"""Ten hours through every processor: the same bits at hour ten as from a start there, in the same memory.

    pytest -m long tests/long/test_long_streams.py

benchmarks/long_stream.py prints the times of each hour.
"""

import resource
import sys

import numpy as np
import pytest

from tapeemu.processors import processor_kinds

RATE = 8_000  # the lowest rate: ten hours in minutes; places on the tape are counted in samples all the same
HOURS = 10
BLOCK = 2**16
KINDS = {kind: made for kind, made in processor_kinds().items() if kind not in ("plugin_effect", "plugin_object")}

pytestmark = pytest.mark.long


@pytest.mark.parametrize("kind", KINDS)
def test_hour_ten_has_the_bits_of_a_start_there(kind: str) -> None:
    processor = KINDS[kind]()
    rng = np.random.default_rng(1)
    noise = rng.uniform(-0.3, 0.3, (2, BLOCK))
    silence = np.zeros((2, BLOCK))
    stream = processor.stream(sample_rate=RATE, channels=2)
    blocks = HOURS * 3600 * RATE // BLOCK
    # The last minutes before hour ten are silent, so that what sounded before has died away to nothing.
    quiet = -(-stream.tail_samples(-2300.0) // BLOCK) + 2
    in_use = []
    for block in range(blocks):
        result = stream.process(silence if block >= blocks - quiet else noise)
        assert np.all(np.isfinite(result))
        if block in (blocks // 10, blocks - 1):
            in_use.append(
                resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
            )
    assert in_use[1] - in_use[0] < 8 * 2**20
    last = rng.uniform(-0.3, 0.3, (2, 5 * BLOCK))
    late = np.concatenate([stream.process(last), stream.flush()], axis=1)[:, stream.latency :]
    fresh = processor(last, sample_rate=RATE, start_sample=blocks * BLOCK)
    # Silence does not demagnetise a tape: what it remembers of hour nine goes when larger swings wipe it out.
    wiped = BLOCK if kind == "tape_magnetisation" else 0
    np.testing.assert_array_equal(late[:, wiped:], fresh[:, wiped:])
