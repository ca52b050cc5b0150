"""A longer tail changed samples before it.

Late stages were flushed with zeros, not with what earlier stages go on sounding.
"""

import numpy as np
import pytest

from tapeemu import Chain, FdnReverb, PreampDrive, Stage, WowFlutter

RATE = 48_000


@pytest.mark.parametrize(
    "chain",
    [
        Chain([FdnReverb(decay_seconds=2.4), PreampDrive(thd_percent=1.0)]),
        Chain(
            [
                Stage(processor=WowFlutter(weighted_flutter_percent=0.2)),
                Stage(processor=FdnReverb(decay_seconds=2.4), mix_percent=60.0),
                Stage(processor=PreampDrive(thd_percent=1.0)),
            ]
        ),
    ],
    ids=["hall into drive", "tape before a hall mixed with its input"],
)
def test_the_output_of_a_shorter_tail_begins_that_of_a_longer_one(chain: Chain, rng: np.random.Generator) -> None:
    """The audit's case: the last 92 samples of the input's length differed by 0.0015, and by 0.0083 mixed."""
    audio = 0.3 * rng.standard_normal((2, RATE // 4))
    short = chain(audio, sample_rate=RATE)
    for seconds in (0.001, 1.0):
        longer = chain(audio, sample_rate=RATE, tail_seconds=seconds)
        np.testing.assert_array_equal(longer[:, : short.shape[1]], short)
        assert np.any(longer[:, short.shape[1] :])
