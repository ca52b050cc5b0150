"""A second host of VST3 plug-ins, which has nothing in common with the first but the format.

dawdreamer needs other versions of libraries than the suite, so it may live in a Python of its own, which the
environment variable TAPEEMU_SECOND_HOST names.
"""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tapeemu.plugins.preset_files import vst3_preset
from tapeemu.presets import load_preset

pytestmark = pytest.mark.long

PYTHON = os.environ.get("TAPEEMU_SECOND_HOST", sys.executable)

SCRIPT = """
import sys
import dawdreamer
import numpy as np
engine = dawdreamer.RenderEngine(48_000, 512)
audio = np.load("in.npy")
plugin = engine.make_plugin_processor("plugin", sys.argv[1])
assert plugin.load_vst3_preset(sys.argv[2])
engine.load_graph([(engine.make_playback_processor("play", audio), []), (plugin, ["play"])])
engine.render(audio.shape[1] / 48_000)
np.save("out.npy", engine.get_audio())
print(plugin.get_latency_samples())
"""


@pytest.mark.parametrize("name", ["studio-at-38", "quarter-inch-at-38", "hall-into-drive"])
def test_another_host_bounces_what_the_command_line_makes(plugins: Path, tmp_path: Path, name: str) -> None:
    wanted = [PYTHON, "-c", "import dawdreamer, numpy"]
    if subprocess.run(wanted, capture_output=True, check=False, timeout=120).returncode:
        pytest.skip("dawdreamer and numpy are neither in this Python nor in that of TAPEEMU_SECOND_HOST")
    preset = load_preset(name)
    stream = preset.chain.stream(sample_rate=48_000.0, channels=2)
    audio = np.random.default_rng(8).normal(0.0, 0.1, (2, 48_000)).astype(np.float32)
    np.save(tmp_path / "in.npy", audio)
    (tmp_path / "it.vstpreset").write_bytes(vst3_preset("chain", preset.text))
    done = subprocess.run(
        [PYTHON, "-c", SCRIPT, str(plugins / "tapeemu.vst3"), "it.vstpreset"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
    )
    assert int(done.stdout.split()[-1]) == stream.latency
    made, expected = np.load(tmp_path / "out.npy"), stream.process(audio)
    assert made.shape == expected.shape
    assert np.all(np.abs(made - expected) <= 2.0 * np.spacing(np.abs(expected)) + 1e-10)
