"""A preset for a small device: C files, its constants, an example, and what it costs there."""

import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from tapeemu.chain import Chain
from tapeemu.errors import ParameterError
from tapeemu.native.generate import C_FOLDER, library_files
from tapeemu.processor import Processor
from tapeemu.targets.machines import (
    BOARD,
    SINGLE,
    STRICT_FLAGS,
    BoardTarget,
    HostTarget,
    Result,
    Target,
    found,
)
from tapeemu.targets.setups import Case, Setup, setup_of

__all__ = [
    "CONTROL_HZ",
    "Costs",
    "DeviceBuild",
    "DeviceSystem",
    "Reduction",
    "board_for",
    "build_for_device",
    "control_samples",
    "costs_of",
    "device_files",
    "figures_on_device",
    "host_of_device",
    "memory_of",
    "runs_of",
    "sheet",
]

FLAGS = ("-O3", "-ffp-contract=off", "-fno-math-errno", "-fno-trapping-math", SINGLE)
"""How the device's program is compiled. Nobody there reads `errno` or catches exceptions of arithmetic; that
neither is kept changes no bit, and saves a twentieth of the instructions."""

BLOCK = 64
SLOW_FROM = 2048
CONTROL_HZ = 100.0
"""Envelopes of the input a second, if nothing else is asked for."""

LONGEST_CONTROL = 1_000_000
"""Longest control period in samples, as in tapeemu.h."""

_SECONDS = 0.5
"""Noise that costs are counted on."""

CYCLES_PER_INSTRUCTION = 1.5
"""Assumed for a Cortex-M7 whose memory has no wait states: up to two instructions a cycle, fewer where one waits
for the result of another. Recursions and divisions take more cycles, copies fewer. No hardware was measured."""


@dataclass(frozen=True)
class Costs:
    """What a chain costs on the emulated Cortex-M7, in single precision.

    Attributes
    ----------
    flash_bytes : int
        Code and constants of the library, without the frame of the emulator.
    fast_bytes, slow_bytes : int
        Memory for small arrays, and for those of ``SLOW_FROM`` bytes and more.
    stack_bytes : int
        Deepest use of the stack.
    instructions, worst_instructions : float
        Per sample of all channels: mean, and in the slowest block.
    design_instructions : int
        To make the chain.
    latency, tail : int
        In samples; the tail to 60 dB below.
    """

    flash_bytes: int
    fast_bytes: int
    slow_bytes: int
    stack_bytes: int
    instructions: float
    worst_instructions: float
    design_instructions: int
    latency: int
    tail: int

    @property
    def ram_bytes(self) -> int:
        """All memory, stack included."""
        return self.fast_bytes + self.slow_bytes + self.stack_bytes


@dataclass(frozen=True)
class Reduction:
    """What was changed to fit.

    Attributes
    ----------
    stage, setting : str
        Where.
    before, after : object
        Values.
    """

    stage: str
    setting: str
    before: Any
    after: Any

    def __str__(self) -> str:
        return f"{self.stage}.{self.setting}: {self.before:g} became {self.after:g}"


@dataclass(frozen=True)
class DeviceBuild:
    """A chain for a device.

    Attributes
    ----------
    name : str
        Of the preset.
    chain : Chain
        What plays on the device.
    sample_rate : float
        Samples per second.
    channels : int
        1 or 2.
    setup : Setup
        The chain as numbers.
    costs : Costs
        On the emulated board.
    reductions : tuple of Reduction
        What was changed to fit into a budget.
    most_oversampling : int or None
        Most times the rate that curves are followed at; None for as often as they need.
    control : int
        Samples of a control period, for envelopes of the input.
    price : float
        Price of the reductions, in points, see :mod:`tapeemu.targets.budgets`.
    """

    name: str
    chain: Chain
    sample_rate: float
    channels: int
    setup: Setup
    costs: Costs
    reductions: tuple[Reduction, ...] = field(default=())
    most_oversampling: int | None = None
    control: int = 480
    price: float = 0.0

    @property
    def told_reductions(self) -> str:
        """What was changed, in words."""
        return ", ".join(map(str, self.reductions)) or "nothing reduced"


def control_samples(control_hz: float, sample_rate: float) -> int:
    """Samples of a control period: the whole number that is nearest.

    Raises
    ------
    ParameterError
        If there is none.
    """
    if not sample_rate / LONGEST_CONTROL <= control_hz <= sample_rate:
        raise ParameterError(
            f"--control-rate is {control_hz:g} Hz, but must be {sample_rate / LONGEST_CONTROL:g} to "
            f"{sample_rate:g} Hz; leave it out for {CONTROL_HZ:g} Hz"
        )
    return round(sample_rate / control_hz)


def board_for(setup: Setup, folder: Path) -> BoardTarget:
    """The emulated board with the library as the device has it: the kinds that a chain needs, and no others."""
    return BoardTarget(folder, (*FLAGS, *_kinds_flags(_kinds_of(setup))))


def memory_of(
    setups: Sequence[Setup], *, sample_rate: float, channels: int, board: Target, control: int
) -> list[int]:
    """Bytes that chains take on a board, stack left out: told without making them."""
    nothing = np.zeros((channels, 0))
    cases = [
        Case(setup, nothing, sample_rate, (), slow_from=SLOW_FROM, block=BLOCK, control=control)
        for setup in setups
    ]
    return [result.fast_bytes + result.slow_bytes for result in board.run(cases)]


def runs_of(
    setups: Sequence[Setup], *, sample_rate: float, channels: int, board: Target, control: int, seconds: float
) -> list[Result]:
    """Run noise through chains on a board, and count."""
    samples = int(seconds * sample_rate)
    audio = 0.25 * np.random.default_rng(1).standard_normal((channels, samples))
    return board.run(
        [
            Case(
                *(setup, audio, sample_rate, (BLOCK,)),
                slow_from=SLOW_FROM,
                block=BLOCK,
                room=2 * samples,
                control=control,
            )
            for setup in setups
        ]
    )


def costs_of(setup: Setup, *, sample_rate: float, channels: int, board: BoardTarget, control: int = 480) -> Costs:
    """Run half a second of noise through a chain on the emulated board and count."""
    (result,) = runs_of(
        [setup], sample_rate=sample_rate, channels=channels, board=board, control=control, seconds=_SECONDS
    )
    samples = int(_SECONDS * sample_rate)
    return Costs(
        flash_bytes=_flash_bytes(_kinds_of(setup), board.program.parent),
        fast_bytes=result.fast_bytes,
        slow_bytes=result.slow_bytes,
        stack_bytes=result.stack_bytes,
        instructions=result.ticks * board.INSTRUCTIONS_PER_TICK / samples,
        worst_instructions=result.most_ticks * board.INSTRUCTIONS_PER_TICK / BLOCK,
        design_instructions=result.design_ticks * board.INSTRUCTIONS_PER_TICK,
        latency=result.latency,
        tail=result.tail,
    )


def _kinds_of(setup: Setup) -> tuple[str, ...]:
    return tuple(sorted({stage.kind.name for stage in setup.stages}))


def _kinds_flags(kinds: Sequence[str]) -> list[str]:
    return ["-DTAPEEMU_SOME", *(f"-DTAPEEMU_WITH_{name.upper()}" for name in kinds)]


@lru_cache
def _flash_bytes(kinds: tuple[str, ...], folder: Path) -> int:
    """Text of the library alone, with the kinds that are used."""
    compiler, size = (
        found("arm-none-eabi-gcc", "gcc-arm-none-eabi"),
        found("arm-none-eabi-size", "binutils-arm-none-eabi"),
    )
    path = folder / "alone.o"
    command = [compiler, *BOARD, "-std=c99", *FLAGS, *_kinds_flags(kinds), "-c", str(C_FOLDER / "tapeemu.c")]
    subprocess.run([*command, "-o", str(path)], check=True, capture_output=True)
    told = subprocess.run([size, str(path)], check=True, capture_output=True, text=True)
    return int(told.stdout.splitlines()[1].split()[0])


def build_for_device(
    name: str,
    chain: Chain,
    *,
    sample_rate: float,
    channels: int,
    folder: Path,
    board: BoardTarget | None = None,
    control_hz: float = CONTROL_HZ,
) -> DeviceBuild:
    """A chain and what it costs.

    Parameters
    ----------
    name : str
        Of the preset.
    chain : Chain
        What shall play.
    sample_rate : float
        Samples per second.
    channels : int
        1 or 2.
    folder : Path
        Gets what is compiled on the way.
    board : BoardTarget, optional
        To run on; made if left out.
    control_hz : float
        Envelopes of the input a second.

    Raises
    ------
    MissingToolError
        If the compiler or the emulator is not installed.
    """
    setup = setup_of(chain, sample_rate=sample_rate, channels=channels)
    machine = board_for(setup, folder) if board is None else board
    control = control_samples(control_hz, sample_rate)
    costs = costs_of(setup, sample_rate=sample_rate, channels=channels, board=machine, control=control)
    return DeviceBuild(name, chain, sample_rate, channels, setup, costs, control=control)


# --- files --------------------------------------------------------------------------------------------


def device_files(build: DeviceBuild) -> dict[str, str]:
    """Text of the files for a device by name: the library with the kinds it needs, constants, example."""
    names = sorted({stage.kind.name for stage in build.setup.stages})
    files = dict(library_files(names))
    files["preset.h"] = _constants(build)
    files["main.c"] = _EXAMPLE
    return files


def _number(value: float | int) -> str:
    return f"{{.real = {value.hex()}}}" if isinstance(value, float) else f"{{.whole = INT64_C({_signed(value)})}}"


def _signed(value: int) -> int:
    return value - 2**64 if value >= 2**63 else value


def _numbers(name: str, names: Sequence[str], numbers: Sequence[float | int]) -> list[str]:
    lines = [f"static const tapeemu_number {name}[] = {{"]
    for told, value in zip(names, numbers, strict=True):
        comment = f" /* {told}: {value!r} */" if told else ""
        lines.append(f"    {_number(value)},{comment}")
    return [*lines, "};", ""]


def _constants(build: DeviceBuild) -> str:
    costs = build.costs
    lines = [
        f"/* The preset {build.name} at {build.sample_rate:g} Hz. SPDX-License-Identifier: ISC */",
        "#ifndef PRESET_H",
        "#define PRESET_H",
        "",
        '#include "tapeemu.h"',
        "",
        f"#define PRESET_CHANNELS {build.channels}",
        f"#define PRESET_BLOCK {BLOCK}",
        f"#define PRESET_FAST_BYTES {max(costs.fast_bytes, 1)}",
        f"#define PRESET_SLOW_BYTES {max(costs.slow_bytes, 1)}",
        f"#define PRESET_LATENCY {costs.latency}",
        f"#define PRESET_TAIL {costs.tail}",
        f"#define PRESET_CONTROL {build.control}",
        "#define PRESET_VALUES (PRESET_BLOCK / PRESET_CONTROL + 1)",
        "",
    ]
    rows = []
    for number, stage in enumerate(build.setup.stages):
        name = f"preset_stage_{number}"
        lines += _numbers(name, stage.names, stage.numbers)
        still = "NULL"
        if stage.still is not None:
            still = f"{name}_still"
            lines += _numbers(still, [""] * len(stage.still), stage.still)
        counts = len(stage.numbers), len(stage.still or ())
        rows.append(f"    {{TAPEEMU_{stage.kind.name.upper()}, {counts[0]}, {name}, {still}, {counts[1]}}},")
    lines += ["static const tapeemu_stage preset_stages[] = {", *rows, "};", ""]
    groups = build.setup.groups
    if groups:
        lines.append("static const tapeemu_group preset_groups[] = {")
        lines += [f"    {{{each.first}, {each.behind}, {each.share.hex()}}}," for each in groups]
        lines += ["};", ""]
    lines += [
        "static const tapeemu_setup preset = {",
        f"    .sample_rate = {build.sample_rate.hex()},",
        "    .channels = PRESET_CHANNELS,",
        "    .block = PRESET_BLOCK,",
        f"    .stage_count = {len(build.setup.stages)},",
        f"    .group_count = {len(groups)},",
        "    .stages = preset_stages,",
        f"    .groups = {'preset_groups' if groups else 'NULL'},",
        f"    .slow_from = {SLOW_FROM},",
        "    .control = PRESET_CONTROL,",
        "};",
        "",
        "#endif",
        "",
    ]
    return "\n".join(lines)


_EXAMPLE = """/* A device that plays: blocks in, blocks out. SPDX-License-Identifier: ISC */
#include "preset.h"

/* Fast memory holds what is touched for every sample, slow memory the delay lines: each where the board has it. */
static char fast[PRESET_FAST_BYTES] __attribute__((aligned(16)));
static char slow[PRESET_SLOW_BYTES] __attribute__((aligned(16)));
static float audio[PRESET_CHANNELS][PRESET_BLOCK], heard[PRESET_CHANNELS][PRESET_VALUES];

/* Of the board: waits for a block of input, and hands over a block of output, and how loud the input was. */
extern int receive(float *const *channels, int samples);
extern void send(float *const *channels, int samples, float *const *envelopes, ptrdiff_t values);

int main(void)
{
    float *channels[PRESET_CHANNELS], *envelopes[PRESET_CHANNELS];
    for (int k = 0; k < PRESET_CHANNELS; k++) {
        channels[k] = audio[k];
        envelopes[k] = heard[k];
    }
    ptrdiff_t values;
    tapeemu *chain = tapeemu_create(&preset, fast, slow);
    if (chain == NULL)
        return 1;
    while (receive(channels, PRESET_BLOCK)) {
        tapeemu_process_with_envelopes(
            chain, (const float *const *)channels, channels, PRESET_BLOCK, envelopes, &values);
        send(channels, PRESET_BLOCK, envelopes, values);
    }
    return 0;
}
"""


class DeviceSystem:
    """What plays on the device, for the laboratory: this machine's strict build, which gives the board's bits.

    Parameters
    ----------
    processor : Processor
        What is measured.
    target : HostTarget
        In single precision.
    most_oversampling : int, optional
        As for :func:`setup_of`.
    """

    def __init__(self, processor: Processor, target: HostTarget, most_oversampling: int | None = None) -> None:
        self._processor = processor
        self._target = target
        self._most_oversampling = most_oversampling

    def with_seed(self, seed: int) -> "DeviceSystem":
        """The same on another tape."""
        return DeviceSystem(self._processor.with_seed(seed), self._target, self._most_oversampling)

    def __call__(self, audio: Any, sample_rate: float) -> Any:
        """Process a recording, latency taken out."""
        given = np.atleast_2d(np.asarray(audio, dtype=np.float64))
        channels, samples = given.shape
        setup = setup_of(
            self._processor,
            sample_rate=sample_rate,
            channels=channels,
            most_oversampling=self._most_oversampling,
        )
        asked = Case(setup, given[:, :0], sample_rate, (BLOCK,), block=BLOCK)
        latency = self._target.run([asked])[0].latency
        fed = np.concatenate([given, np.zeros((channels, latency + 64))], axis=1)
        case = Case(setup, fed, sample_rate, (BLOCK,), block=BLOCK, room=2 * fed.shape[1])
        out = self._target.run([case])[0].audio[:, latency : latency + samples].astype(np.float64)
        return out[0] if np.ndim(audio) == 1 else out


def host_of_device(folder: Path) -> HostTarget:
    """The build for this machine that gives the bits of the board."""
    return HostTarget(folder, (*STRICT_FLAGS, SINGLE))


# --- the sheet ----------------------------------------------------------------------------------------


def sheet(build: DeviceBuild, figures: Sequence[tuple[str, float, float, float, str]] | None = None) -> str:
    """What a build costs, as a page.

    Parameters
    ----------
    build : DeviceBuild
        The build.
    figures : sequence of (str, float, float, float, str), optional
        Name, value in the preset, its tolerance, value on the device, and unit.
    """
    costs, rate = build.costs, build.sample_rate
    cycles = CYCLES_PER_INSTRUCTION * costs.worst_instructions
    channels = "mono" if build.channels == 1 else f"{build.channels} channels"
    endless = "; noise has no end" if build.chain.traits.adds_sound else ""
    lines = [
        f"# {build.name}, {rate:g} Hz, {channels}",
        "",
        "Measured on an emulated Cortex-M7 (qemu-system-arm, mps2-an500), compiled by arm-none-eabi-gcc with",
        f"`{' '.join((*BOARD, *FLAGS))}`. No hardware was at hand.",
        "",
        "| What | How much |",
        "|:--|--:|",
        f"| flash (code and constants of the library) | {costs.flash_bytes} bytes |",
        f"| RAM, fast (arrays below {SLOW_FROM} bytes) | {costs.fast_bytes} bytes |",
        f"| RAM, slow (delay lines and tables) | {costs.slow_bytes} bytes |",
        f"| stack | {costs.stack_bytes} bytes |",
        f"| latency | {costs.latency} samples ({1000.0 * costs.latency / rate:.2f} ms) |",
        f"| tail to -60 dB | {costs.tail} samples ({costs.tail / rate:.2f} s){endless} |",
        f"| instructions per sample, mean: what a budget limits | {costs.instructions:.0f} |",
        f"| instructions per sample, slowest block of {BLOCK} | {costs.worst_instructions:.0f} |",
        f"| cycles per sample, by the model below | {cycles:.0f} |",
        f"| clock that this takes up whole | {cycles * rate / 1e6:.0f} MHz |",
        f"| instructions to make the chain | {costs.design_instructions} |",
        f"| envelopes of the input | {rate / build.control:g} a second, one for every {build.control} samples |",
        "",
        f"Model of cycles: {CYCLES_PER_INSTRUCTION:g} for an instruction, memory at no wait. Slow memory that",
        "waits adds its wait for every access to a delay line.",
        "",
        "Build: compile `tapeemu.c` and your program with `"
        + " ".join(FLAGS)
        + "`. The library needs `memcpy` and",
        "`memset` of the compiler's run-time library, and nothing else.",
        "",
        "The envelope of a channel is the root of the mean square of its input over a control period, counted",
        "from the tape's beginning: a full-scale sine reads 0.707. Its instructions are among those above.",
        "Light that follows it must not flash more than three times a second (WCAG 2.2, 2.3.1): faster flashes",
        "can bring on seizures.",
        "",
        "## What was reduced",
        "",
    ]
    lines += [f"- {each}" for each in build.reductions] or ["Nothing."]
    if build.reductions:
        lines += [
            "",
            f"Price: {build.price:.2f} points, the lowest of all forms that fit (see docs/targets.md).",
        ]
    if figures is not None:
        lines += ["", "## Figures", "", "The laboratory's readings of what plays on the device.", ""]
        lines += ["| Figure | preset | device | tolerance | kept |", "|:--|--:|--:|--:|:--|"]
        for name, wanted, tolerance, value, unit in figures:
            kept = "yes" if abs(value - wanted) <= tolerance else "**no**"
            read = f"{value:.5g} {unit}"
            if value != value:
                kept, read = "-", "no figure worth keeping"
            lines.append(f"| {name} | {wanted:.5g} {unit} | {read} | {tolerance:.2g} | {kept} |")
    return "\n".join([*lines, ""])


def figures_on_device(
    build: DeviceBuild, kept: Any, folder: Path, *, progress: Callable[[float], None] | None = None
) -> list[tuple[str, float, float, float, str]]:
    """Measure a chain as it plays on the device, beside the figures that a preset keeps.

    Parameters
    ----------
    build : DeviceBuild
        What plays.
    kept : Measured
        Of the preset.
    folder : Path
        Gets what is compiled on the way.
    progress : callable, optional
        Is told what share is done, from 0 to 1; from several threads.
    """
    from tapeemu.presets.measuring import measure_chain

    target = host_of_device(folder)
    measured, _ = measure_chain(
        build.chain,
        sample_rate_hz=kept.sample_rate_hz,
        reference_level_dbfs=kept.reference_level_dbfs,
        system_of=lambda part: DeviceSystem(part, target, build.most_oversampling),
        progress=progress,
    )
    rows = []
    tables = [("", kept.chain, measured.chain), ("without reverb: ", kept.without_reverb, measured.without_reverb)]
    tables += [(f"{name}: ", table, measured.stages.get(name, {})) for name, table in kept.stages.items()]
    for prefix, before, after in tables:
        for key, figure in before.items():
            value = after[key].reading.value if key in after else float("nan")
            reading = figure.reading
            rows.append((f"{prefix}{key}", reading.value, figure.tolerance, value, reading.unit))
    return rows
