"""Whole presets in a host that is not ours: files of its preset browser, bounces, and the bench."""

import functools
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tapeemu import AmplitudeFlutter, Chain, PreampDrive, WowFlutter
from tapeemu.errors import ParameterError
from tapeemu.plugins import hosted
from tapeemu.plugins.hosted import HostedSystem, HostError, why_not_hosted
from tapeemu.plugins.preset_files import vst3_preset
from tapeemu.plugins.tables import shipped_presets
from tapeemu.presets import load_preset
from tapeemu.presets.host_states import vst3_preset_text
from tapeemu.presets.measuring import measure_chain
from tapeemu.presets.places import list_places
from tapeemu.processors.plugin_effect import PluginEffect

pytest.importorskip("pedalboard", reason="pedalboard, which is the host, is not installed")

BOUNCE = """
import sys
import numpy as np
from tapeemu.plugins.hosted import HostedSystem
from tapeemu.presets import load_preset
audio = np.random.default_rng(2).normal(0.0, 0.1, (2, 30_000)).astype(np.float32)
for name in sys.argv[1:]:
    chain = load_preset(name).chain
    for channels in (1, 2):
        if not np.array_equal(HostedSystem(chain)(audio[:channels], 48_000.0), chain(audio[:channels], 48_000.0)):
            print(name, channels)
"""


def differing(names: list[str]) -> str:
    """Presets whose bounce is not the command line's to the bit, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", BOUNCE, *names],
        capture_output=True,
        text=True,
        check=True,
        timeout=1200,
    )
    return done.stdout


@pytest.mark.long
@pytest.mark.usefixtures("plugins")
def test_every_preset_bounces_bit_for_bit_what_the_command_line_makes() -> None:
    names = [
        place.name for place in list_places() if place.origin == "shipped" and place.name in shipped_presets()
    ]
    assert len(names) >= 20
    assert differing(names) == ""


@pytest.mark.long
@pytest.mark.usefixtures("plugins")
def test_the_bench_reads_the_plugin_as_loaded_by_a_host() -> None:
    chain = load_preset("preamplifier-alone").chain
    keys = ("thd_reference_percent",)
    (python, _), (hosted, reports) = (
        measure_chain(chain, keys=keys, system_of=system) for system in (None, HostedSystem)
    )
    assert set(hosted.chain) == set(keys)
    # What a host plays is rounded to float32, -150 dB below full scale.
    assert hosted.chain[keys[0]].reading.value == pytest.approx(python.chain[keys[0]].reading.value, rel=1e-4)
    assert set(reports) == {"chain"}


def test_a_seed_makes_another_tape(plugins: Path) -> None:
    audio = np.random.default_rng(2).normal(0.0, 0.1, 4_800).astype(np.float32)
    system = HostedSystem(AmplitudeFlutter(), plugins)
    one, other = system.with_seed(1)(audio, 48_000.0), system.with_seed(2)(audio, 48_000.0)
    assert not np.array_equal(one, other)
    assert np.array_equal(one, system.with_seed(1)(audio, 48_000.0))


@pytest.mark.long
@pytest.mark.parametrize("name", ["loop-echo-after-drive", "loop-echo-before-drive"])
def test_an_effect_of_the_host_stands_between_plugins(plugins: Path, name: str) -> None:
    """What the command line mixes in double precision, the host mixes in single; both ends are silent here."""
    chain = load_preset(name).chain
    assert why_not_hosted(chain) is None
    audio = np.random.default_rng(2).normal(0.0, 0.1, (2, 60_000)).astype(np.float32)
    audio[:, :8_000] = audio[:, 40_000:] = 0.0
    made, expected = HostedSystem(chain, plugins)(audio, 48_000.0)[:, :58_000], chain(audio, 48_000.0)[:, :58_000]
    assert np.max(np.abs(made - expected)) < 1e-6
    assert np.max(np.abs(expected[:, 50_000:])) > 0.01


def test_what_no_plugin_can_hold_is_said() -> None:
    delay = PluginEffect(effect="Delay")
    for chain, reason in (
        (
            Chain([Chain([delay, PreampDrive()]), PreampDrive()]),
            "chain: plugin_effect: an effect of another library",
        ),
        (Chain([PreampDrive(), WowFlutter(speed_error_percent=1.0)]), "wow_flutter: a tape at the wrong speed"),
    ):
        assert (why_not_hosted(chain) or "").startswith(reason)
        with pytest.raises(ParameterError, match="no plug-in can hold this chain"):
            HostedSystem(chain, Path("nowhere"))
    assert why_not_hosted(Chain([delay])) == "no stage of it is a plug-in"


def test_a_host_that_does_not_load_the_plugin_is_told_in_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(*_: object, **__: object) -> None:
        raise ImportError("Failed to load plugin:\nscan failure.")

    monkeypatch.setattr("pedalboard.load_plugin", refuses)
    chain = load_preset("preamplifier-alone").chain
    with pytest.raises(HostError, match=r"the host did not load .*tapeemu\.vst3 .*; delete that folder") as told:
        HostedSystem(chain, tmp_path)
    assert "\n" not in str(told.value)


def test_a_preset_file_gives_back_its_text() -> None:
    text = load_preset("studio-at-38").text
    data = vst3_preset("chain", text)
    assert vst3_preset_text(data) == text
    for cut in range(0, len(data), 97):
        assert vst3_preset_text(data[:cut]) is None
    assert vst3_preset_text(data.replace(b"Comp", b"Prog")) is None


def test_a_host_loads_the_plugin_in_the_thread_that_makes_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hosts refuse to load in another thread than the first; the bench calls from threads that come and go."""
    loaded: list[tuple[int, str]] = []

    class Silent:
        def bounce(self, state: str, block: Any, sample_rate: float) -> Any:
            return np.zeros_like(block)

    @functools.cache
    def holder(plugins: Path, channels: int) -> Silent:
        loaded.append((channels, threading.current_thread().name))
        return Silent()

    monkeypatch.setattr(hosted, "_holder", holder)
    system = HostedSystem(PreampDrive(), Path())
    for channels in (1, 2):
        call = threading.Thread(target=system, args=(np.zeros((channels, 10)), 48_000.0))
        call.start()
        call.join()
    here = threading.current_thread().name
    assert loaded == [(1, here), (2, here)]
