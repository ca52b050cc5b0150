"""A comparison of two orders whose names are markup."""

from functools import cache

import numpy as np

from tapeemu.chain import Chain, Stage
from tapeemu.comparison import Comparison, MeasuringPlan, compare
from tapeemu.processors.fdn_reverb import FdnReverb
from tapeemu.processors.saturation import PreampDrive

RATE = 32_000


HOSTILE = "</script><script>alert(1)</script><!-- ${x} $\\alpha$ _hidden {{ 7*7 }} \" ' & \u2028"


@cache
def comparison() -> Comparison:
    chain = Chain(
        stages=[
            Stage(processor=FdnReverb(decay_seconds=0.5, lines=8), name=HOSTILE),
            Stage(processor=PreampDrive(drive_db=18.0), name="drive"),
        ]
    )
    random = np.random.default_rng(4)
    clock = np.arange(2 * RATE) / RATE
    sound = 0.3 * np.sin(2.0 * np.pi * 300.0 * clock) * np.exp(-3.0 * (clock % 0.5))
    stereo = np.stack([sound, 0.5 * sound + 0.01 * random.standard_normal(clock.size)])
    plan = MeasuringPlan(glide_decays=1.0, glides=1, bursts=1, most_bursts=1, tapes=1, most_tapes=1)
    return compare(stereo, chain, sample_rate=RATE, plan=plan, name=HOSTILE)
