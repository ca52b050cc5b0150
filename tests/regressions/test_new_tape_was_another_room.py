"""`--seed` named another tape, and changed the reverberation's room as well."""

import numpy as np

from tapeemu.chain import Chain, Stage
from tapeemu.presets import load_preset
from tapeemu.processors.amplitude_flutter import AmplitudeFlutter
from tapeemu.processors.fdn_reverb import FdnReverb
from tapeemu.processors.saturation import PreampDrive
from tapeemu.processors.wow_flutter import WowFlutter


def test_a_new_tape_keeps_its_room() -> None:
    chain = load_preset("hall-into-drive").chain
    other = chain.with_seed(7)
    assert other.stages[0] == chain.stages[0]
    assert other.stages[2].processor.to_dict()["seed"] != chain.stages[2].processor.to_dict().get("seed", 1)
    hall = Chain(stages=[chain.stages[0]])
    sound = np.random.default_rng(1).uniform(-0.3, 0.3, (2, 4_800))
    np.testing.assert_array_equal(hall.with_seed(7)(sound, sample_rate=48_000), hall(sound, sample_rate=48_000))
    moved = hall.with_setting("hall", "room_seed", 1)
    assert not np.array_equal(moved(sound, sample_rate=48_000), hall(sound, sample_rate=48_000))


CHAIN = Chain(
    stages=[
        Stage(processor=WowFlutter(weighted_flutter_percent=0.2, profile="domestic"), name="wow"),
        Stage(processor=FdnReverb(decay_seconds=0.6, wet_percent=60.0, lines=8), name="room"),
        Stage(processor=PreampDrive(drive_db=20.0), name="drive"),
    ]
)


def test_another_tape_is_the_same_room() -> None:
    other = Chain(stages=[*CHAIN.stages, Chain(stages=[FdnReverb(), AmplitudeFlutter()])]).with_seed(7)
    kept = {stage.name: stage.processor for stage in other.stages}
    assert kept["room"] == CHAIN.stages[1].processor
    assert kept["wow"] != CHAIN.stages[0].processor
    assert kept["chain"].stages[0].processor == FdnReverb()
    assert kept["chain"].stages[1].processor != AmplitudeFlutter()
