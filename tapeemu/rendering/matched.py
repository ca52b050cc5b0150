"""Renders of several chains that can be compared: one tape, one length, one loudness."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapeemu.chain import Chain
from tapeemu.errors import AudioError
from tapeemu.pump import aligned_blocks, aligned_length, cut
from tapeemu.rendering.contender import Contender
from tapeemu.rendering.loudness import LevelMeter
from tapeemu.rendering.threads import in_threads
from tapeemu.units import db_to_gain, seconds_to_samples
from tapeemu.validation import FloatArray

__all__ = [
    "LOUDNESS_TOLERANCE_LU",
    "SPREAD_SECONDS",
    "Render",
    "amplified",
    "decay_of",
    "equalised",
    "loudest_part",
    "render_all",
    "tail_of",
]

LOUDNESS_TOLERANCE_LU = 0.1
LONGEST_TAIL_SECONDS = 10.0
UNDECLARED_TAIL_SECONDS = 2.0
SPREAD_SECONDS = 15.0
"""How much of the stem is rendered on other tapes; what a tape does averages out over more, not less."""

# Blocks that stay in the processor's cache from stage to stage are faster than whole recordings.
_BLOCK = 2**15
_MOST_STEPS = 6
_SPARE_DB = 0.01


@dataclass(frozen=True, kw_only=True, eq=False)
class Render:
    """A stem through one chain, brought to the loudness of all the others.

    Attributes
    ----------
    label : str
        Order or preset.
    order : tuple of str
        Stages that sound, in order; empty for the stem itself.
    chain : Chain
        What it was put through.
    audio : ndarray, shape (channels, samples), float32
        Aligned with the stem to the sample, which begins `lead_samples` later; the gain is applied.
    gain_db : float
        Gain given to what came out of the chain.
    loudness_lufs, true_peak_dbtp : float
        Integrated loudness (BS.1770) and true peak, with the gain.
    lead_samples : int
        Samples before the stem begins: the longest lead of the chains that are compared.
    """

    label: str
    order: tuple[str, ...]
    chain: Chain
    audio: npt.NDArray[np.float32]
    gain_db: float
    loudness_lufs: float
    true_peak_dbtp: float
    lead_samples: int = 0


def tail_of(contenders: Sequence[Contender], *, sample_rate: float, channels: int) -> float:
    """Seconds until the longest of the chains has decayed by 60 dB, 10 s at most."""
    longest = max(
        decay_of(contender.chain, sample_rate=sample_rate, channels=channels) for contender in contenders
    )
    return min(longest, LONGEST_TAIL_SECONDS)


def decay_of(chain: Chain, *, sample_rate: float, channels: int) -> float:
    """Seconds until a chain has decayed by 60 dB, as far as its stages declare it.

    Effects from elsewhere declare nothing; a chain that hosts one is given two seconds.
    """
    stream = chain.stream(sample_rate=sample_rate, channels=channels)
    declared = stream.tail_samples(-60.0) / sample_rate
    return max(declared, UNDECLARED_TAIL_SECONDS) if chain.traits.from_elsewhere else declared


def render_all(
    stem: FloatArray,
    contenders: Sequence[Contender],
    *,
    sample_rate: float,
    tail_seconds: float,
    start_sample: int,
    jobs: int,
    done: Callable[[], None] = lambda: None,
) -> list[Render]:
    """Render a stem through every chain, several at once; the levels are still those that came out.

    All begin together, as early as the chain with the longest lead sounds, and end together. After each, `done` is
    called; `jobs` is a number of threads, 0 for one per core.
    """

    def work(contender: Contender) -> Render:
        render = _render(stem, contender, sample_rate, tail_seconds, start_sample)
        done()
        return render

    renders = in_threads(work, [(contender,) for contender in contenders], jobs=jobs)
    lead = max(render.lead_samples for render in renders)
    longest = max(render.audio.shape[1] - render.lead_samples for render in renders)
    return [_filled(render, lead, longest) for render in renders]


def _filled(render: Render, lead: int, length: int) -> Render:
    """The render with silence around it, so that all begin and end together."""
    early = lead - render.lead_samples
    late = lead + length - early - render.audio.shape[1]
    return replace(render, audio=np.pad(render.audio, ((0, 0), (early, late))), lead_samples=lead)


def _render(
    stem: FloatArray, contender: Contender, sample_rate: float, tail_seconds: float, start_sample: int
) -> Render:
    stream = contender.chain.stream(sample_rate=sample_rate, channels=stem.shape[0], start_sample=start_sample)
    tail = seconds_to_samples(tail_seconds, sample_rate)
    lead = min(stream.lead_samples(), stream.latency)
    audio = np.zeros((stem.shape[0], lead + aligned_length(stream, stem.shape[1], tail)), np.float32)
    meter = LevelMeter(sample_rate=sample_rate, channels=stem.shape[0])
    filled = 0
    for block in aligned_blocks(
        stream, cut(stem, _BLOCK), tail_samples=tail, silence_samples=_BLOCK, lead_samples=lead
    ):
        audio[:, filled : filled + block.shape[1]] = block
        filled += block.shape[1]
        meter.add(np.ascontiguousarray(block))
    return Render(
        label=contender.label,
        order=contender.order,
        chain=contender.chain,
        audio=audio,
        gain_db=0.0,
        loudness_lufs=meter.integrated_lufs,
        true_peak_dbtp=meter.true_peak_dbtp,
        lead_samples=lead,
    )


def equalised(renders: Sequence[Render], *, sample_rate: float, true_peak_dbtp: float, jobs: int) -> list[Render]:
    """Bring all renders to the loudness of the first, or below it where a true peak asks for that.

    Parameters
    ----------
    renders : sequence of Render
        As they came out.
    sample_rate : float
        Samples per second.
    true_peak_dbtp : float
        Ceiling of the true peak; where one render would exceed it, all are lowered alike.
    jobs : int
        Threads; 0 is one per core.

    Raises
    ------
    AudioError
        If a loudness is undefined, so that there is nothing to match.
    """
    for render in renders:
        if not math.isfinite(render.loudness_lufs):
            raise AudioError(
                f"the loudness of {render.label!r} is undefined (shorter than 0.4 s, or below the gate at "
                "-70 LUFS), so the orders cannot be matched; give a longer or louder stem"
            )
    target = min(
        renders[0].loudness_lufs,
        *(render.loudness_lufs + true_peak_dbtp - _SPARE_DB - render.true_peak_dbtp for render in renders),
    )
    gains = [target - render.loudness_lufs for render in renders]
    matched: list[Render] = []
    # The absolute gate of the loudness does not move with the gain, so a further step may be needed.
    for _ in range(_MOST_STEPS):
        matched = in_threads(
            _measured_at,
            [(render, gain_db, sample_rate) for render, gain_db in zip(renders, gains, strict=True)],
            jobs=jobs,
        )
        missed = [target - render.loudness_lufs for render in matched]
        excess = max(render.true_peak_dbtp for render in matched) - true_peak_dbtp
        if max(map(abs, missed)) < 0.5 * LOUDNESS_TOLERANCE_LU and excess <= 0.0:
            break
        lower = max(excess + _SPARE_DB, 0.0)
        target -= lower
        gains = [gain + miss - lower for gain, miss in zip(gains, missed, strict=True)]
    return matched


def amplified(render: Render, gain_db: float) -> Render:
    """Return a render with a gain, its known levels moved along."""
    return replace(
        render,
        audio=render.audio * np.float32(db_to_gain(gain_db)),
        gain_db=gain_db,
        loudness_lufs=render.loudness_lufs + gain_db,
        true_peak_dbtp=render.true_peak_dbtp + gain_db,
    )


def loudest_part(audio: FloatArray, length: int) -> tuple[int, int]:
    """First and last sample (exclusive) of the part of a length that holds the most energy."""
    if audio.shape[1] <= length:
        return 0, audio.shape[1]
    energy = np.concatenate([[0.0], np.cumsum(np.sum(audio**2, axis=0))])
    begin = int(np.argmax(energy[length:] - energy[:-length]))
    return begin, begin + length


def _measured_at(render: Render, gain_db: float, sample_rate: float) -> Render:
    louder = amplified(render, gain_db)
    meter = LevelMeter(sample_rate=sample_rate, channels=louder.audio.shape[0])
    for start in range(0, louder.audio.shape[1], _BLOCK):
        meter.add(louder.audio[:, start : start + _BLOCK].astype(np.float64))
    return replace(louder, loudness_lufs=meter.integrated_lufs, true_peak_dbtp=meter.true_peak_dbtp)
