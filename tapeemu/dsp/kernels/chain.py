"""Stages in a row: where each stands on the tape, and how a dry signal waits for the wet one it is mixed with.

Which processor a stage is, no kernel needs to know. What a chain does is a list of steps: a stage on the current
block, or one of the moves of blocks here. Whoever runs them holds the stages, and a block more than the levels of
mixes within mixes.

Stages are numbered in the order of the signal, through chains within the chain, bypassed ones left out. A group is
a row of stages that is mixed with its own input, or a chain within the chain, or both; it is never empty.
"""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.kept_rows import clear_rows

__all__ = [
    "DELAY",
    "END",
    "KEEP",
    "MIX",
    "PROCESS",
    "STILL",
    "ChainMemory",
    "ChainSettings",
    "delay_block",
    "delay_step",
    "keep_block",
    "mix_blocks",
    "place_behind",
    "plan_chain",
    "reset_chain",
    "seek_chain",
    "shape_chain",
]

END, PROCESS, KEEP, DELAY, STILL, MIX = range(6)
"""Steps, each with a level and a number; END follows the last.

PROCESS: the stage of the number, on the current block. KEEP: the current block is copied to the level. DELAY: the
delay line of that number, on the block of the level. STILL: the stage of the number without its movements, a tape
at its constant speed, on the block of the level; each such step has a stage of its own. MIX: the group of the
number, the block of the level into the current block.
"""

_FIRST, _BEHIND = 0, 1
_START, _LATE, _OPEN_BEHIND, _OPEN_GROUP = 0, 1, 2, 3
LATENCY, LENGTH_RATIO, LEVELS = 0, 1, 2
_COLUMN, _LENGTH, _PLACE = 0, 1, 2


class ChainSettings(NamedTuple):
    """What a chain must know of its stages and groups.

    Attributes
    ----------
    latencies : ndarray, shape (stages,)
        Latency of every stage.
    still_latencies : ndarray, shape (stages,)
        That of the stage without its movements; read where the ratio is not 1.
    ratios : ndarray, shape (stages,)
        Samples that leave a stage per sample that enters.
    groups : ndarray, shape (groups, 2)
        First stage of a group, and the one behind its last; in order of the first, outer groups before inner ones.
    shares : ndarray, shape (groups,)
        Share of the processed signal, 0 to 1; at 1 nothing is mixed.
    """

    latencies: Integers1
    still_latencies: Integers1
    ratios: Precises1
    groups: Integers2
    shares: Precises1


class ChainMemory(NamedTuple):
    """What a chain holds besides its stages.

    Attributes
    ----------
    steps : ndarray, shape (steps, 3)
        What is done to a block: step, level, number.
    starts : ndarray, shape (stages,)
        Place on the tape of what enters each stage first.
    totals : ndarray, shape (3,)
        Latency, length ratio, and levels of dry blocks.
    shares : ndarray, shape (groups,)
        Shares of the processed signals.
    rings : ndarray, shape (delays, 3)
        First column of a delay in `lines`, its length, and where in it the next sample goes.
    lines : ndarray, shape (channels, columns)
        Delay lines.
    open : ndarray, shape (groups + 1, 4)
        Scratch: groups that are open where the steps are written.
    open_ratios : ndarray, shape (groups + 1,)
        Scratch.
    heard : ndarray, shape (groups,)
        Place on the tape of what each group lets out first.
    """

    steps: Integers2
    starts: Integers1
    totals: Precises1
    shares: Reals1
    rings: Integers2
    lines: Reals2
    open: Integers2
    open_ratios: Precises1
    heard: Integers1


@kernel()
def place_behind(place: np.int64, ratio: Precise) -> np.int64:
    """Place on the tape behind a stage that changes the length; halves go to the even side, as in Python."""
    if ratio == 1.0:
        return place
    exact = ratio * place
    whole = np.floor(exact)
    rest = exact - whole
    near = np.int64(whole)
    up = rest > 0.5
    if rest == 0.5:
        up = near % 2 != 0
    return near + 1 if up else near


@kernel()
def shape_chain(settings: ChainSettings, channels: int, shapes: Integers2) -> None:
    """Write the dimensions of the arrays of :class:`ChainMemory`, one row each; unused ones are 1.

    Parameters
    ----------
    settings : ChainSettings
        Of the chain.
    channels : int
        Channels of every block.
    shapes : ndarray, shape (9, 3)
        Gets them.
    """
    groups = settings.groups
    stages = settings.latencies.size
    steps = stages + 1
    delays = 0
    columns = np.int64(0)
    for group in range(groups.shape[0]):
        if settings.shares[group] < 1.0:
            steps += 3
            delays += 1
            for stage in range(groups[group, _FIRST], groups[group, _BEHIND]):
                steps += 2
                delays += 1
                columns += settings.latencies[stage]
    for row in range(shapes.shape[0]):
        for axis in range(shapes.shape[1]):
            shapes[row, axis] = 1
    shapes[0, 0] = steps
    shapes[0, 1] = 3
    shapes[1, 0] = stages
    shapes[2, 0] = 3
    shapes[3, 0] = groups.shape[0]
    shapes[4, 0] = delays
    shapes[4, 1] = 3
    shapes[5, 0] = channels
    shapes[5, 1] = columns
    shapes[6, 0] = groups.shape[0] + 1
    shapes[6, 1] = 4
    shapes[7, 0] = groups.shape[0] + 1
    shapes[8, 0] = groups.shape[0]


@kernel()
def seek_chain(settings: ChainSettings, place: np.int64, memory: ChainMemory) -> None:
    """Write where stages and groups start for a chain that starts at a place on the tape, and silence its delays.

    A chain within the chain counts from its own beginning, as if it stood alone there.
    """
    groups = settings.groups
    starts = memory.starts
    opened = memory.open
    ratios = memory.open_ratios
    stages = settings.latencies.size
    depth = 0
    opened[0, _START] = place
    opened[0, _LATE] = 0
    opened[0, _OPEN_BEHIND] = stages
    ratios[0] = 1.0
    group = 0
    for stage in range(stages):
        while group < groups.shape[0] and groups[group, _FIRST] == stage:
            begin = place_behind(opened[depth, _START], ratios[depth]) - opened[depth, _LATE]
            depth += 1
            opened[depth, _START] = begin
            opened[depth, _LATE] = 0
            opened[depth, _OPEN_BEHIND] = groups[group, _BEHIND]
            opened[depth, _OPEN_GROUP] = group
            ratios[depth] = 1.0
            group += 1
        starts[stage] = place_behind(opened[depth, _START], ratios[depth]) - opened[depth, _LATE]
        late = place_behind(opened[depth, _LATE], settings.ratios[stage])
        opened[depth, _LATE] = late + settings.latencies[stage]
        ratios[depth] = ratios[depth] * settings.ratios[stage]
        while depth > 0 and opened[depth, _OPEN_BEHIND] == stage + 1:
            ended = opened[depth, _OPEN_GROUP]
            memory.heard[ended] = place_behind(opened[depth, _START], ratios[depth]) - opened[depth, _LATE]
            late = place_behind(opened[depth - 1, _LATE], ratios[depth])
            opened[depth - 1, _LATE] = late + opened[depth, _LATE]
            ratios[depth - 1] = ratios[depth - 1] * ratios[depth]
            depth -= 1
    memory.totals[LATENCY] = opened[0, _LATE]
    memory.totals[LENGTH_RATIO] = ratios[0]
    reset_chain(memory)


@kernel()
def reset_chain(memory: ChainMemory) -> None:
    """Silence the delays of a chain."""
    clear_rows(memory.lines)
    for delay in range(memory.rings.shape[0]):
        memory.rings[delay, _PLACE] = 0


@kernel()
def _add_step(memory: ChainMemory, at: int, step: int, level: int, number: int) -> int:
    """Write a step, and return where the next one goes."""
    memory.steps[at, 0] = step
    memory.steps[at, 1] = level
    memory.steps[at, 2] = number
    return at + 1


@kernel()
def _add_delay(memory: ChainMemory, at: int, level: int, delay: int, samples: np.int64) -> int:
    """Write the step of a delay, and return where the next step goes."""
    column = np.int64(0)
    if delay > 0:
        column = memory.rings[delay - 1, _COLUMN] + memory.rings[delay - 1, _LENGTH]
    memory.rings[delay, _COLUMN] = column
    memory.rings[delay, _LENGTH] = samples
    memory.rings[delay, _PLACE] = 0
    return _add_step(memory, at, DELAY, level, delay)


@kernel()
def plan_chain(settings: ChainSettings, start_sample: np.int64, memory: ChainMemory) -> None:
    """Write the steps of a chain.

    Beside a processor its input is as late; beside a tape at the wrong speed it is the same tape without its
    movements. Delays in a row are one.

    Parameters
    ----------
    settings : ChainSettings
        Of the chain.
    start_sample : int64
        Place on the tape of the first sample that enters.
    memory : ChainMemory
        Of the shapes that :func:`shape_chain` gives; gets the plan, and is silent.
    """
    groups = settings.groups
    opened = memory.open
    stages = settings.latencies.size
    at = 0
    delay = 0
    depth = 0
    level = 0
    levels = 0
    group = 0
    for number in range(groups.shape[0]):
        memory.shares[number] = settings.shares[number]
    for stage in range(stages):
        while group < groups.shape[0] and groups[group, _FIRST] == stage:
            opened[depth, _OPEN_GROUP] = group
            depth += 1
            if settings.shares[group] < 1.0:
                at = _add_step(memory, at, KEEP, level, group)
                level += 1
                levels = max(levels, level)
            group += 1
        at = _add_step(memory, at, PROCESS, 0, stage)
        while depth > 0 and groups[opened[depth - 1, _OPEN_GROUP], _BEHIND] == stage + 1:
            depth -= 1
            ended = opened[depth, _OPEN_GROUP]
            if settings.shares[ended] < 1.0:
                level -= 1
                waiting = np.int64(0)
                for inner in range(groups[ended, _FIRST], groups[ended, _BEHIND]):
                    waiting += settings.latencies[inner]
                    if settings.ratios[inner] != 1.0:
                        waiting -= settings.latencies[inner]
                        if waiting > 0:
                            at = _add_delay(memory, at, level, delay, waiting)
                            delay += 1
                        at = _add_step(memory, at, STILL, level, inner)
                        waiting = settings.latencies[inner] - settings.still_latencies[inner]
                if waiting > 0:
                    at = _add_delay(memory, at, level, delay, waiting)
                    delay += 1
                at = _add_step(memory, at, MIX, level, ended)
    _add_step(memory, at, END, 0, 0)
    memory.totals[LEVELS] = levels
    seek_chain(settings, start_sample, memory)


@kernel()
def keep_block(block: Reals2, dry: Reals2) -> None:
    """Copy a block, shape (channels, samples)."""
    for channel in range(block.shape[0]):
        for sample in range(block.shape[1]):
            dry[channel, sample] = block[channel, sample]


@kernel()
def delay_block(line: Reals2, first: int, length: int, place: int, block: Reals2, out: Reals2) -> int:
    """Delay a block by whole samples, in place or not.

    Parameters
    ----------
    line : ndarray, shape (channels, columns)
        Samples that wait.
    first, length : int
        Columns of this delay in it; its length is the delay.
    place : int
        Column among them where the next sample goes.
    block, out : ndarray, shape (channels, samples)
        Input and output; they may be the same.

    Returns
    -------
    int
        The next place.
    """
    samples = block.shape[1]
    after = place
    for channel in range(block.shape[0]):
        at = place
        for sample in range(samples):
            value = block[channel, sample]
            if length > 0:
                waited = line[channel, first + at]
                line[channel, first + at] = value
                value = waited
                at += 1
                if at == length:
                    at = 0
            out[channel, sample] = value
        after = at
    return after


@kernel()
def delay_step(memory: ChainMemory, number: int, block: Reals2) -> None:
    """The step DELAY on a block, shape (channels, samples), in place."""
    rings = memory.rings
    first = int(rings[number, _COLUMN])
    length = int(rings[number, _LENGTH])
    place = int(rings[number, _PLACE])
    rings[number, _PLACE] = delay_block(memory.lines, first, length, place, block, block)


@kernel()
def mix_blocks(share: float, dry: Reals2, wet: Reals2) -> None:
    """Mix a processed signal with its input, into the former.

    Parameters
    ----------
    share : float
        Of the processed signal, 0 to 1.
    dry, wet : ndarray, shape (channels, samples)
        Input, as late as the processed signal, and the processed signal, which gets the mix.
    """
    rest = 1.0 - share
    for channel in range(wet.shape[0]):
        for sample in range(wet.shape[1]):
            wet[channel, sample] = rest * dry[channel, sample] + share * wet[channel, sample]
