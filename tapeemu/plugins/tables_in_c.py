"""The tables of :mod:`tapeemu.plugins.tables`, profiles of transports and texts of presets, written in C."""

import itertools
import re
import textwrap
from collections.abc import Mapping, Sequence

import numpy as np

from tapeemu.dsp.transport_profiles import AS_SET, PROFILES
from tapeemu.plugins.preset_numbers import MOST_PRESETS
from tapeemu.plugins.tables import MOST_PARTS, Knob, PluginKind, Value, chain_knobs

__all__ = ["in_c", "tables_source"]


def tables_source(kinds: Sequence[PluginKind], presets: Mapping[str, str]) -> str:
    """The tables in C.

    Parameters
    ----------
    kinds : sequence of PluginKind
        Processors.
    presets : mapping of str to str
        Texts of presets by name, for the plug-in that holds a chain.
    """
    texts = _Texts()
    lines = []
    for kind in kinds:
        lines += _kind_lines(kind, texts)
    lines.append("static const Kind KINDS[] = {")
    for kind in kinds:
        upper = kind.kind.upper()
        columns = f"COLUMNS_{upper}, {len(kind.listed.columns)}" if kind.listed else "NULL, 0"
        listed = texts.at(kind.listed.key) if kind.listed else "0"
        left_out = _truth(kind.listed is not None and kind.listed.optional)
        numbers = f"NUMBERS_{upper}, {len(kind.numbers)}" if kind.numbers else "NULL, 0"
        lines.append(
            f"    {{{texts.at(kind.kind)}, {texts.at(kind.label)}, TAPEEMU_{kind.native.upper()}, VALUES_{upper}, "
            f"{len(kind.values)}, {listed}, {left_out}, {columns}, {numbers}, KNOBS_{upper}, {len(kind.knobs)}}},"
        )
    lines += [
        "};",
        f"#define KIND_COUNT {len(kinds)}",
        f"#define MOST_PARTS {MOST_PARTS}",
        f"#define MOST_VALUES {max(len(kind.values) for kind in kinds)}",
        f"#define MOST_KNOBS {_most_knobs(kinds)}",
        "",
    ]
    lines += [f"#define KIND_{kind.kind.upper()} {number}" for number, kind in enumerate(kinds)]
    for kind in kinds:
        lines += [
            f"#define {kind.kind.upper()}_{_name(value.key)} {number}" for number, value in enumerate(kind.values)
        ]
    lines += ["", *_profile_lines(), "", *_preset_lines(presets), *_chain_lines(list(presets), texts)]
    licence = "/* Made from the declarations of the settings; do not edit. SPDX-License-Identifier: ISC */"
    return "\n".join([licence, "", *texts.lines(), "", *lines]) + "\n"


def _most_knobs(kinds: Sequence[PluginKind]) -> int:
    return max(len(kind.knobs) for kind in kinds) + 32


def _name(key: str) -> str:
    return re.sub(r"\W+", "_", key).strip("_").upper()


def in_c(text: bytes) -> str:
    """A text as C writes it."""

    def shown(byte: int) -> str:
        return chr(byte) if 32 <= byte < 127 and chr(byte) not in '"\\?' else f"\\{byte:03o}"

    return '"' + "".join(map(shown, text)) + '"'


def _truth(truth: bool) -> str:
    return "true" if truth else "false"


class _Texts:
    """Texts of the tables, each once; rows of words stand together."""

    def __init__(self) -> None:
        self._places: dict[tuple[str, ...], int] = {("",): 0}
        self._used = 1

    def at(self, *words: str) -> str:
        """The place, in C, of a text or of the first of a row, and the text as a comment."""
        if words not in self._places:
            self._places[words] = self._used
            self._used += sum(len(word.encode()) + 1 for word in words)
        return f"{self._places[words]} /* {words[0]} */" if words != ("",) else "0"

    def lines(self) -> list[str]:
        rows = [" ".join(in_c(word.encode() + b"\0") for word in words) for words in self._places]
        return [
            "static const char TEXTS[] =",
            *(f"    {row}" for row in rows),
            "    ;",
            '_Static_assert(sizeof TEXTS <= UINT16_MAX, "a Text must reach every text");',
            "",
            "static const char *text_at(Text place) { return TEXTS + place; }",
            "",
            "static const char *word_at(Text first, int number)",
            "{",
            "    const char *at = TEXTS + first;",
            "    while (number-- > 0)",
            "        at += strlen(at) + 1;",
            "    return at;",
            "}",
        ]


def _value_line(value: Value, texts: _Texts) -> str:
    return (
        f"    {{{value.least!r}, {value.most!r}, {value.default!r}, {texts.at(value.key)}, "
        f"{texts.at(*value.words or ('',))}, {len(value.words)}, SORT_{value.sort}, {_truth(value.optional)}, "
        f"{_truth(value.least_open)}, {_truth(value.most_open)}}},"
    )


def _knob_line(knob: Knob, texts: _Texts) -> str:
    return (
        f"    {{{knob.least!r}, {knob.most!r}, {knob.default!r}, {_hash(knob.key)}u, {texts.at(knob.key)}, "
        f"{texts.at(knob.label)}, {texts.at(knob.unit)}, {texts.at(*knob.words or ('',))}, {len(knob.words)}, "
        f"{knob.first}, {knob.count}, ROLE_{knob.role}, {_truth(knob.stepped)}, {_truth(knob.logarithmic)}}},"
    )


def _hash(key: str) -> int:
    """Number of a parameter: it stays when others are added (FNV-1a of the key, 31 bits)."""
    number = 2166136261
    for byte in key.encode():
        number = (number ^ byte) * 16777619 & 0xFFFFFFFF
    return number & 0x7FFFFFFF


def _kind_lines(kind: PluginKind, texts: _Texts) -> list[str]:
    upper = kind.kind.upper()
    lines = [f"static const Value VALUES_{upper}[] = {{"]
    lines += [_value_line(value, texts) for value in kind.values]
    lines.append("};")
    if kind.listed:
        lines.append(f"static const Value COLUMNS_{upper}[] = {{")
        lines += [_value_line(value, texts) for value in kind.listed.columns]
        lines.append("};")
    if kind.numbers:
        lines.append(f"static const Number NUMBERS_{upper}[] = {{")
        lines += [f"    {{RULE_{rule}, {place}, {value!r}}}," for rule, place, value in kind.numbers]
        lines.append("};")
    return lines + _knob_lines(upper, kind.knobs, texts)


def _knob_lines(upper: str, knobs: Sequence[Knob], texts: _Texts) -> list[str]:
    return [f"static const Knob KNOBS_{upper}[] = {{", *(_knob_line(knob, texts) for knob in knobs), "};", ""]


def _profile_lines() -> list[str]:
    lines = [
        "/* Speed, figure, deviation of the random part, its band, and rows of diameter and peak; first what is",
        " * left out without a profile. */",
        "static const Profile PROFILES[] = {",
    ]
    for profile in (AS_SET, *PROFILES.values()):
        parts = ", ".join(f"{{{part.diameter_mm!r}, {part.peak_percent!r}}}" for part in profile.parts)
        low, high = profile.random_band_hz
        numbers = (profile.tape_speed_cm_s, profile.weighted_flutter_percent, profile.random_percent, low, high)
        lines.append(f"    {{{', '.join(map(repr, numbers))}, {len(profile.parts)}, {{{parts}}}}},")
    return [*lines, "};"]


def _packed(rows: Sequence[bytes]) -> tuple[Sequence[bytes], Mapping[int, tuple[int, int]]]:
    """Rows with bytes that they do not use for the pairs that are most frequent in them, and those pairs.

    Each ends in a line feed, which no pair crosses, so that each stands for itself. The method is known as byte
    pair encoding (P. Gage, 1994; from memory).
    """
    packed, pairs, last = b"".join(rows), {}, {ord("\n")}
    for byte in sorted(set(range(1, 256)) - set(packed)):
        letters = np.frombuffer(packed, np.uint8).astype(np.int64)
        counts = np.bincount(letters[:-1] * 256 + letters[1:], minlength=256 * 256)
        counts.reshape(256, 256)[sorted(last)] = 0
        first, second = pair = divmod(int(np.argmax(counts)), 256)
        pairs[byte] = pair
        packed = packed.replace(bytes((first, second)), bytes((byte,)))
        last |= {byte} if second in last else set()
    ends = "".join(map(chr, sorted(last))).encode("latin-1")
    return re.findall(b"[^%b]*[%b]" % (re.escape(ends), re.escape(ends)), packed), pairs


def _preset_lines(presets: Mapping[str, str]) -> list[str]:
    """Texts of presets; they share a third of their bytes, so each row of text stands once, and packed."""
    rows = {text: [f"{row}\n" for row in text.splitlines()] for text in presets.values()}
    numbers = {row: number for number, row in enumerate(dict.fromkeys(itertools.chain(*rows.values())))}
    packed, pairs = _packed([row.encode() for row in numbers])
    ends = itertools.accumulate(map(len, packed))
    lines = [
        *("static const char PRESET_TEXT[] =", *(f"    {in_c(row)}" for row in packed), "    ;"),
        "/* Two bytes that a byte of it stands for; none where it is a letter. */",
        "static const uint8_t PACKED[256][2] = {",
        *textwrap.wrap(
            ", ".join(f"[{byte}] = {{{first}, {second}}}" for byte, (first, second) in pairs.items()),
            110,
            initial_indent="    ",
            subsequent_indent="    ",
        ),
        "};",
        *("/* Where in it each row begins, and where the last ends. */", "static const uint16_t ROWS[] = {"),
        *textwrap.wrap(", ".join(map(str, [0, *ends])), 110, initial_indent="    ", subsequent_indent="    "),
        *("};", "/* Of all presets, one after the other. */", "static const uint16_t PRESET_ROWS[] = {"),
    ]
    begins = [0]
    for name, text in presets.items():
        begins.append(begins[-1] + len(rows[text]))
        lines.append(f"    {', '.join(str(numbers[row]) for row in rows[text])}, /* {name} */")
    return [
        *lines,
        "};",
        "/* Where in it each preset begins, and where the last ends. */",
        f"static const uint16_t PRESET_BEGINS[] = {{{', '.join(map(str, begins))}}};",
        "#define PRESET_COUNT ((int)(sizeof PRESET_BEGINS / sizeof *PRESET_BEGINS) - 1)",
        '_Static_assert(sizeof PRESET_TEXT < UINT16_MAX, "rows are found by 16 bits");',
        f'_Static_assert(PRESET_COUNT <= {MOST_PRESETS}, "the knob must have a step for each preset");',
    ]


def _chain_lines(presets: Sequence[str], texts: _Texts) -> list[str]:
    knobs = chain_knobs(presets)
    return [*_knob_lines("CHAIN", knobs, texts), f"#define CHAIN_KNOB_COUNT {len(knobs)}"]
