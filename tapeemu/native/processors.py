"""C between the interface and the kernels: it reads settings, lays out memory and calls the kernel of a kind."""

import functools
import importlib
import pkgutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from tapeemu.native.c_names import comment, function_name, local_name, type_name, view_name, wrapped
from tapeemu.native.subset import (
    DOUBLE,
    INT64,
    TRUTH,
    UINT64,
    Array,
    Record,
    Scalar,
    SubsetError,
    Unit,
    read_unit,
)

__all__ = ["KERNELS", "KernelProcessor", "dispatch_source", "find_processors", "scalars_first", "settings_header"]

KERNELS = "tapeemu.dsp.kernels"

_CALLS = ("shapes", "design", "latency", "tail", "process", "seek")
"""Kernels that every processor has."""

_OPTIONAL = ("length_ratio", "change", "adds_sound", "rings", "drives")
"""Kernels of a processor that changes the length, follows its settings while it plays, sounds by itself, has a
tail that is to be heard, or is not linear."""


@dataclass(frozen=True)
class KernelProcessor:
    """The kernels of a processor, found by their names.

    Attributes
    ----------
    name : str
        As in ``drive_process``.
    unit : Unit
        The kernel file.
    settings, memory : Record
        Its groups.
    calls : mapping of str to str
        Names in C of what it can do.
    moves : tuple of str
        Settings that it follows while it plays.
    """

    name: str
    unit: Unit
    settings: Record
    memory: Record
    calls: dict[str, str]
    moves: tuple[str, ...] = ()


_Lines = Callable[[KernelProcessor], list[str]]
"""Makes the lines of one ``case`` of a ``switch``, for one processor."""


@functools.cache
def find_processors(package: str = KERNELS) -> tuple[KernelProcessor, ...]:
    """All processors whose way from settings to sound is in the kernel files of a package, by name.

    Raises
    ------
    SubsetError
        If a file leaves the subset, or what a processor consists of is not complete.
    """
    folder = importlib.import_module(package)
    found = []
    for module in sorted(each.name for each in pkgutil.iter_modules(folder.__path__)):
        loaded = importlib.import_module(f"{package}.{module}")
        if hasattr(loaded, f"{module}_process"):
            found.append(_processor(read_unit(loaded), module, getattr(loaded, f"{module.upper()}_MOVES", ())))
    return tuple(found)


def _processor(unit: Unit, name: str, moves: tuple[str, ...]) -> KernelProcessor:
    missing = [call for call in _CALLS if f"{name}_{call}" not in unit.functions]
    if missing:
        raise SubsetError(
            f"{unit.path.name}: the processor {name} has no {name}_{missing[0]}; every processor has the kernels "
            + ", ".join(_CALLS)
        )
    there = [call for call in (*_CALLS, *_OPTIONAL) if f"{name}_{call}" in unit.functions]
    calls = {call: function_name(unit, unit.functions[f"{name}_{call}"]) for call in there}
    settings = next(iter(unit.functions[f"{name}_shapes"].parameters.values()))
    memory = next(iter(unit.functions[f"{name}_process"].parameters.values()))
    if not isinstance(settings, Record) or not isinstance(memory, Record):
        raise SubsetError(f"{unit.path.name}: {name} is given no groups; pass its settings and its memory")
    wrong = [path for path, kind in _leaves(memory) if not isinstance(kind, Array)]
    if wrong:
        raise SubsetError(f"{unit.path.name}: {memory.name}.{wrong[0]} is no array; memory holds arrays only")
    for path, kind in _leaves(settings):
        element = kind.element if isinstance(kind, Array) else kind
        if element not in (DOUBLE, INT64, UINT64, TRUTH) and not (
            isinstance(kind, Scalar) and kind.sort == "signed"
        ):
            raise SubsetError(
                f"{unit.path.name}: {settings.name}.{path} is of no type for settings; "
                "use Precise, int, np.int64, np.uint64, Precises1, Precises2, Integers1 or Integers2"
            )
    return KernelProcessor(name, unit, settings, memory, calls, moves)


def _leaves(record: Record, before: str = "") -> Iterator[tuple[str, Scalar | Array]]:
    """Numbers and arrays of a group and the groups in it, depth first."""
    for name, kind in record.fields:
        path = f"{before}{local_name(name)}"
        if isinstance(kind, Record):
            yield from _leaves(kind, f"{path}.")
        else:
            yield path, kind


# --- settings -----------------------------------------------------------------------------------------


def scalars_first(settings: Record) -> list[tuple[str, Scalar | Array]]:
    """Settings in the order in which they are handed over: numbers, then tables."""
    parts = list(_leaves(settings))
    return sorted(parts, key=lambda part: isinstance(part[1], Array))


def settings_header(processors: Sequence[KernelProcessor], licence: str) -> str:
    """The public header that names kinds of stages and their settings."""
    lines = [
        f"/* Generated from the kernels of the processors; do not edit. {licence}",
        " *",
        " * Settings of a stage are numbers in the order of these names. Tables follow behind them: of each its",
        " * dimensions, then its values.",
        " */",
        "#ifndef TAPEEMU_SETTINGS_H",
        "#define TAPEEMU_SETTINGS_H",
        "",
        "/* Kinds of stages. */",
        "enum {",
        *(f"    TAPEEMU_{each.name.upper()} = {number}," for number, each in enumerate(processors)),
        f"    TAPEEMU_KINDS = {len(processors)}",
        "};",
        "",
    ]
    for each in processors:
        lines += comment(_settings_doc(each))
        lines.append("enum {")
        numbers = [(path, kind) for path, kind in scalars_first(each.settings) if isinstance(kind, Scalar)]
        for place, (path, kind) in enumerate(numbers):
            member = "real" if kind == DOUBLE else "whole"
            moves = ", moves" if path in each.moves else ""
            lines.append(f"    {_constant(each, path)} = {place}, /* {member}{moves} */")
        for path, table in scalars_first(each.settings):
            if isinstance(table, Array):
                element = "real" if table.element == DOUBLE else "whole"
                lines.append(f"    /* then the table {path}: {element}, {table.rank} dimension(s) */")
        lines += [f"    TAPEEMU_{each.name.upper()}_NUMBERS = {len(numbers)}", "};", ""]
    return "\n".join([*lines, "#endif", ""])


def _constant(processor: KernelProcessor, path: str) -> str:
    return f"TAPEEMU_{processor.name.upper()}_{path.replace('.', '_').rstrip('_').upper()}"


def _settings_doc(processor: KernelProcessor) -> str:
    module = importlib.import_module(f"{KERNELS}.{processor.unit.name}")
    made = getattr(module, processor.settings.name, None)
    text = (made.__doc__ or "") if made is not None else ""
    lines = [line.strip() for line in text.strip().splitlines()]
    return "\n".join(line for line in lines if line and not set(line) <= {"-"} and line != "Attributes")


# --- joining ------------------------------------------------------------------------------------------


def dispatch_source(processors: Sequence[KernelProcessor], licence: str) -> str:
    """The C file, included by tapeemu.c, that reads settings, carves memory and calls the kernels of a kind."""
    lines = [
        f"/* Generated from the kernels of the processors; do not edit. {licence}",
        " *",
        " * With TAPEEMU_SOME defined, a kind is compiled only if TAPEEMU_WITH_ and its name are defined as well.",
        " */",
        "",
    ]
    for each in processors:
        lines += [_guard(each), f'#include "{each.unit.name}.h"', "#endif"]
    lines += ["", "/* Memory of a stage of any kind. */", "typedef union {"]
    lines.append("    char none;")
    for each in processors:
        lines += [_guard(each), f"    {each.memory.name} {each.name};", "#endif"]
    lines += ["} StageMemory;", ""]
    for each in processors:
        lines += [_guard(each), *_reader(each), "", *_carver(each.name, each.memory), "#endif", ""]
    chain = read_unit(f"{KERNELS}.chain")
    lines += [*_carver("chain", chain.records["ChainMemory"]), ""]
    lines += _switches(processors)
    return "\n".join(wrapped(lines))


def _guard(processor: KernelProcessor) -> str:
    return f"#if !defined(TAPEEMU_SOME) || defined(TAPEEMU_WITH_{processor.name.upper()})"


def _reader(processor: KernelProcessor) -> list[str]:
    """Numbers to the group of settings; false if there are too few or too many."""
    parts = scalars_first(processor.settings)
    numbers = [(path, kind) for path, kind in parts if isinstance(kind, Scalar)]
    tables = [(path, kind) for path, kind in parts if isinstance(kind, Array)]
    name, record = processor.name, processor.settings.name
    lines = [
        f"static bool {name}_read(const tapeemu_number *given, ix count, {record} *settings)",
        "{",
        f"    if (count < {len(numbers)})",
        "        return false;",
    ]
    for place, (path, kind) in enumerate(numbers):
        lines.append(f"    settings->{path} = {_number(f'given[{place}]', kind)};")
    if not tables:
        return [*lines, f"    return count == {len(numbers)};", "}"]
    lines.append(f"    ix at = {len(numbers)};")
    for path, table in tables:
        name_here, rank = path.replace(".", "_"), table.rank
        function = "read_reals" if table.element == DOUBLE else "read_wholes"
        sizes = ", ".join(f"{name_here}_sizes[{axis}]" for axis in range(rank))
        lines += [
            f"    ix {name_here}_sizes[3];",
            f"    const tapeemu_number *{name_here} = table_at(given, count, {rank}, &at, {name_here}_sizes);",
            f"    if ({name_here} == NULL)",
            "        return false;",
            f"    settings->{path} = ({view_name(table)}){{{function}({name_here}), {sizes}}};",
        ]
    return [*lines, "    return at == count;", "}"]


def _number(text: str, kind: Scalar) -> str:
    if kind == DOUBLE:
        return f"{text}.real"
    return f"({type_name(kind)}){text}.whole"


def _carver(name: str, memory: Record) -> list[str]:
    """Memory for the arrays of a group, whose sizes the kernel has written, three for each."""
    arrays = [(path, kind) for path, kind in _leaves(memory) if isinstance(kind, Array)]
    lines = [
        f"enum {{ {name.upper()}_ARRAYS = {len(arrays)} }};",
        "",
        f"static void {name}_carve(Carver *carver, const int64_t *sizes, {memory.name} *memory)",
        "{",
    ]
    for row, (path, kind) in enumerate(arrays):
        what = f"{kind.rank}, sizeof({kind.element.name})"
        lines.append(f"    carve(carver, sizes + {3 * row}, {what}, &memory->{path});")
    return [*lines, "}"]


def _carve(processor: KernelProcessor) -> list[str]:
    """The case of a kind, where memory is carved."""
    arrays = f"{processor.name.upper()}_ARRAYS"
    return [
        *_read(processor),
        f"int64_t sizes[3 * {arrays}];",
        f"fill_with_ones(sizes, 3 * {arrays});",
        f"{processor.calls['shapes']}(&settings, sample_rate, channels, (int64s_2){{sizes, {arrays}, 3}});",
        f"{processor.name}_carve(carver, sizes, &memory->{processor.name});",
        "return;",
    ]


def _read(processor: KernelProcessor) -> list[str]:
    return [
        f"{processor.settings.name} settings = {{0}};",
        f"{processor.name}_read(given, count, &settings);",
    ]


_STAGE = "int32_t kind, const tapeemu_number *given, ix count, double sample_rate, ix channels"
"""What tells a stage: its kind, the numbers of its settings, and where it plays."""


def _switches(processors: Sequence[KernelProcessor]) -> list[str]:
    """C functions of any stage, each of which asks for the kind and calls the kernel of that one."""
    return [
        *_design_functions(processors),
        *_query_functions(processors),
        *_process_functions(processors),
        *_change_functions(processors),
    ]


def _switch(
    head: str, body: _Lines, only: Sequence[KernelProcessor], otherwise: Sequence[str], what: str = ""
) -> list[str]:
    """A function that does what `body` says for some kinds, and for all else what `otherwise` says."""
    cases: list[str] = []
    for each in only:
        cases += [_guard(each), f"    case TAPEEMU_{each.name.upper()}: {{"]
        cases += [f"        {line}" for line in body(each)]
        cases += ["    }", "#endif"]
    lines = [f"/* {what} */"] if what else []
    lines += [head, "{", "    switch (kind) {", *cases, "    default:", "        break;", "    }"]
    return [*lines, *(f"    {line}" for line in otherwise), "}", ""]


def _design_functions(processors: Sequence[KernelProcessor]) -> list[str]:
    """C functions that check the settings of a stage, lay out its memory, and design it."""
    return [
        *_switch(
            "static bool stage_valid(int32_t kind, const tapeemu_number *given, ix count)",
            lambda each: [_read(each)[0], f"return {each.name}_read(given, count, &settings);"],
            processors,
            ["(void)given;", "(void)count;", "return false;"],
            "Whether a stage is of a kind that is compiled, with as many numbers as it has settings.",
        ),
        *_switch(
            f"static void stage_carve({_STAGE}, Carver *carver, StageMemory *memory)", _carve, processors, []
        ),
        *_switch(
            f"static void stage_design({_STAGE}, int64_t place, int64_t track, const StageMemory *memory)",
            lambda each: [
                *_read(each),
                f"{each.calls['design']}(&settings, sample_rate, channels, place, track, &memory->{each.name});",
                "return;",
            ],
            processors,
            [],
        ),
    ]


def _query_functions(processors: Sequence[KernelProcessor]) -> list[str]:
    """C functions that give latency, tail, length ratio and traits of a stage."""
    lines = [
        *_switch(
            f"static int64_t stage_latency({_STAGE})",
            lambda each: [*_read(each), f"return {each.calls['latency']}(&settings, sample_rate, channels);"],
            processors,
            ["return 0;"],
        ),
        *_switch(
            f"static int64_t stage_tail({_STAGE}, double level_db)",
            lambda each: [
                *_read(each),
                f"return {each.calls['tail']}(&settings, sample_rate, channels, level_db);",
            ],
            processors,
            ["return 0;"],
        ),
        *_switch(
            "static double stage_ratio(int32_t kind, const tapeemu_number *given, ix count)",
            lambda each: [*_read(each), f"return {each.calls['length_ratio']}(&settings);"],
            [each for each in processors if "length_ratio" in each.calls],
            [*_unused("given", "count"), "return 1.0;"],
            "Samples that leave a stage per sample that enters.",
        ),
    ]
    for call, what in (
        ("adds_sound", "Whether a stage sounds by itself."),
        ("rings", "Whether a stage has a tail that is to be heard to its end."),
        ("drives", "Whether a stage bends loud sound, so that it does not treat a sum as its parts."),
    ):
        lines += _switch(
            f"static bool stage_{call}(int32_t kind, const tapeemu_number *given, ix count)",
            _truth(call),
            [each for each in processors if call in each.calls],
            [*_unused("given", "count"), "return false;"],
            what,
        )
    return lines


def _process_functions(processors: Sequence[KernelProcessor]) -> list[str]:
    """C functions that process a block, and that move a stage to another place on the tape."""
    return [
        *_switch(
            "static ix stage_process(int32_t kind, const StageMemory *memory, reals_2 block, reals_2 out)",
            _process,
            processors,
            ["return 0;"],
            "Process a block; returns the samples made.",
        ),
        *_switch(
            "static void stage_seek(int32_t kind, const StageMemory *memory, int64_t place)",
            lambda each: [f"{each.calls['seek']}(&memory->{each.name}, place);", "return;"],
            processors,
            [],
        ),
    ]


def _change_functions(processors: Sequence[KernelProcessor]) -> list[str]:
    """C functions that tell which settings of a stage may change while it plays, and change them."""
    moving = [each for each in processors if each.moves and "change" in each.calls]
    lines = ["/* Whether a setting of a stage moves while it plays. */"]
    lines += ["static bool stage_moves(int32_t kind, ix setting)", "{", "    switch (kind) {"]
    for each in moving:
        tests = " || ".join(f"setting == {_constant(each, path)}" for path in each.moves)
        lines += [_guard(each), f"    case TAPEEMU_{each.name.upper()}:", f"        return {tests};", "#endif"]
    lines += ["    default:", "        break;", "    }", "    (void)setting;", "    return false;", "}", ""]
    lines += _switch(
        f"static void stage_change({_STAGE}, const StageMemory *memory)",
        lambda each: [
            *_read(each),
            f"{each.calls['change']}(&settings, sample_rate, channels, &memory->{each.name});",
            "return;",
        ],
        moving,
        _unused("given", "count", "sample_rate", "channels", "memory"),
    )
    lines += ["/* The numbers of a stage that move; NULL where none do. */"]
    lines += _switch(
        "static const Glide *stage_glide(int32_t kind, const StageMemory *memory)",
        lambda each: [f"return &memory->{each.name}.glide;"],
        moving,
        [*_unused("memory"), "return NULL;"],
    )
    return lines


def _truth(call: str) -> _Lines:
    """The case of a kind, where a kernel of its settings says yes or no."""

    def lines(processor: KernelProcessor) -> list[str]:
        return [*_read(processor), f"return {processor.calls[call]}(&settings) != 0;"]

    return lines


def _unused(*names: str) -> list[str]:
    return [f"(void){name};" for name in names]


def _process(processor: KernelProcessor) -> list[str]:
    function = processor.unit.functions[f"{processor.name}_process"]
    call = f"{processor.calls['process']}(&memory->{processor.name}, block, out)"
    if function.returns is None:
        return [f"{call};", "return block.n1;"]
    return [f"return (ix){call};"]
