"""The plug-ins in a host that is not ours: what it bounces is what the processors in Python make."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from tapeemu import AmplitudeFlutter, FdnReverb, PreampDrive, Processor, TapeMagnetisation, TapeNoise, WowFlutter
from tapeemu.plugins.tables import plugin_kinds

pedalboard = pytest.importorskip("pedalboard")

KINDS: dict[str, Processor] = {
    "amplitude_flutter": AmplitudeFlutter(),
    "fdn_reverb": FdnReverb(),
    "preamp_drive": PreampDrive(),
    "tape_magnetisation": TapeMagnetisation(),
    "tape_noise": TapeNoise(),
    "wow_flutter": WowFlutter(),
}


def signal(samples: int) -> npt.NDArray[np.float32]:
    return np.random.default_rng(1).normal(0.0, 0.1, (2, samples)).astype(np.float32)


@pytest.mark.parametrize("kind", KINDS)
def test_a_bounce_is_what_python_makes(plugins: Path, kind: str) -> None:
    label = next(each.label for each in plugin_kinds() if each.kind == kind)
    plugin = pedalboard.load_plugin(str(plugins / "tapeemu.vst3"), plugin_name=label)
    audio = signal(4_800)
    out = plugin.process(audio, 48_000.0, buffer_size=300, reset=True)
    np.testing.assert_array_equal(out, KINDS[kind](audio, 48_000.0))
