"""Chains as a host plays them: the VST3 plug-in, loaded by pedalboard, in place of the processors in Python."""

import functools
import importlib
import os
import tempfile
import threading
from pathlib import Path
from typing import Any

import numpy as np

from tapeemu.chain import Chain, Stage
from tapeemu.errors import ParameterError, TapeemuError
from tapeemu.plugins.building import NAME, build
from tapeemu.plugins.preset_files import vst3_preset
from tapeemu.presets.preset import Preset
from tapeemu.presets.writing import preset_text
from tapeemu.processor import Processor

__all__ = ["HostError", "HostedSystem", "why_not_hosted"]

_LABEL = "Tape Suite Chain"
_BUFFER = 512
_LOADED_CHANNELS = (1, 2)


class HostError(TapeemuError):
    """No host, or one that could not load the plug-in or its state."""


def why_not_hosted(chain: Chain) -> str | None:
    """Why plug-ins in a host cannot play a chain; None if they can.

    Effects that are pedalboard's own stand in the host's row between plug-ins, but not within a plug-in.
    """
    if all(_is_the_hosts(stage) for stage in chain.stages):
        return "no stage of it is a plug-in"
    return _why_refused(chain, outermost=True)


def _why_refused(chain: Chain, *, outermost: bool) -> str | None:
    from tapeemu.plugins.tables import NOT_PLUGINS

    for stage in chain.stages:
        processor = stage.processor
        if outermost and _is_the_hosts(stage):
            continue
        if isinstance(processor, Chain):
            reason = _why_refused(processor, outermost=False)
        else:
            reason = NOT_PLUGINS.get(processor.kind)
        if reason is not None:
            return f"{stage.name}: {reason}"
        if getattr(processor, "speed_error_percent", 0.0) != 0.0:
            return f"{stage.name}: a tape at the wrong speed has another length than a host gives"
    return None


class HostedSystem:
    """What a host bounces of a chain: float32, from the beginning of the song, its latency taken out.

    One plug-in holds the whole chain. An effect of pedalboard, which is the host, that plays itself, between a
    plug-in with the stages before and one with those behind; what filters sound there
    before the beginning and behind the end is lost. Made in the thread that first makes one, called in any.

    Parameters
    ----------
    processor : Processor
        A chain, or a stage of one.
    plugins : Path, optional
        Folder of the plug-ins; built if left out.

    Raises
    ------
    ParameterError
        If no plug-in can hold the chain.
    BuildError
        If there is no compiler.
    HostError
        If pedalboard is not installed, or does not load the plug-in.
    """

    def __init__(self, processor: Processor, plugins: Path | None = None) -> None:
        self._processor = processor
        self._plugins = plugins or build()
        chain = processor if isinstance(processor, Chain) else Chain(stages=[processor])
        reason = _why_refused(chain, outermost=True)
        if reason is not None:
            raise ParameterError(f"no plug-in can hold this chain: {reason}")
        self._row = [
            (part, preset_text(Preset(name="hosted", purpose="As a host plays it.", chain=part)))
            for part in _in_a_row(chain)
        ]
        with _LOCK:
            # The bench calls from threads that come and go; a host loads in one alone.
            for channels in _LOADED_CHANNELS:
                _holder(self._plugins, channels)

    def with_seed(self, seed: int) -> "HostedSystem":
        """The same on another tape."""
        return HostedSystem(self._processor.with_seed(seed), self._plugins)

    def __call__(self, audio: Any, sample_rate: float) -> Any:
        """Bounce a recording.

        Parameters
        ----------
        audio : array_like, shape (samples,) or (channels, samples)
            What the host plays; rounded to float32.
        sample_rate : float
            Samples per second.

        Returns
        -------
        ndarray of float32
            Of the same shape.

        Raises
        ------
        HostError
            If pedalboard does not load the chain.
        """
        given = np.asarray(audio, dtype=np.float32)
        block = np.ascontiguousarray(np.atleast_2d(given))
        made = block
        for part, state in self._row:
            if _is_the_hosts(part.stages[0]):
                made = part(made, sample_rate)
                continue
            with _LOCK:
                made = _holder(self._plugins, len(block)).bounce(state, made, float(sample_rate))
            if made.shape != block.shape:
                raise HostError(f"the host gave {made.shape[-1]} samples for {block.shape[-1]}; report this")
        return made[0] if given.ndim == 1 else made


def _is_the_hosts(stage: Stage) -> bool:
    return stage.traits.from_elsewhere and not isinstance(stage.processor, Chain)


def _in_a_row(chain: Chain) -> list[Chain]:
    """What stands in a host's row: chains that a plug-in holds, and effects of the host, each alone."""
    row: list[list[Stage]] = []
    for stage in chain.stages:
        if row and not _is_the_hosts(stage) and not _is_the_hosts(row[-1][-1]):
            row[-1].append(stage)
        else:
            row.append([stage])
    return [Chain(stages=stages) for stages in row]


class _Holder:
    """A plug-in in its host: to load it takes longer than to give it another state."""

    def __init__(self, plugins: Path) -> None:
        try:
            host: Any = importlib.import_module("pedalboard")
        except ImportError:
            raise HostError("no host is installed; pip install pedalboard, which is one") from None
        try:
            self._plugin = host.load_plugin(str(plugins / f"{NAME}.vst3"), plugin_name=_LABEL)
        except (ImportError, RuntimeError, ValueError) as error:
            raise HostError(
                f"the host did not load {plugins / NAME}.vst3 ({_line(error)}); delete that folder, so that it is "
                "built anew"
            ) from None
        self._state = ""

    def bounce(self, state: str, block: Any, sample_rate: float) -> Any:
        """Play from the beginning, after everything that sounded before."""
        if state != self._state:
            self._take(state)
        return self._plugin(block, sample_rate, buffer_size=_BUFFER, reset=True)

    def _take(self, state: str) -> None:
        handle, name = tempfile.mkstemp(suffix=".vstpreset")
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(vst3_preset("chain", state))
            self._plugin.load_preset(name)
        except RuntimeError as error:
            raise HostError(f"the host did not load the state ({_line(error)}); report this") from None
        finally:
            Path(name).unlink()
        self._state = state


def _line(error: Exception) -> str:
    return " ".join(str(error).split()).rstrip(".")


_LOCK = threading.Lock()


@functools.cache
def _holder(plugins: Path, channels: int) -> _Holder:
    """One for each number of channels in a process: hosts keep the buses that they once agreed on."""
    return _Holder(plugins)
