"""Presets in what hosts save: VST3 presets and LV2 states, whose state is the text of a preset."""

import re
import struct

__all__ = [
    "HOST_ENDINGS",
    "VST3_ENTRY",
    "VST3_HEAD",
    "VST3_MARK",
    "VST3_OURS",
    "VST3_VERSION",
    "lv2_state_text",
    "vst3_preset_text",
]

HOST_ENDINGS = (".vstpreset", ".ttl")
"""Of the files that hosts save: VST3 presets, LV2 states."""

VST3_MARK = b"VST3"
VST3_VERSION = 1
VST3_HEAD = struct.Struct("<4si32sq")
"""Mark, version, class of the plug-in, place of the list of what is where."""
VST3_ENTRY = struct.Struct("<4sqq")
"""In that list: what it is, its place, its bytes."""
VST3_OURS = "7461706E656D7530"
"""First half of the identifier of every plug-in of the suite."""

_LV2 = re.compile(
    r'<urn:tapeemu:preset>\s*(?:\[\s*)?(?:"""((?:[^"\\]|\\.|"(?!""))*)"""|"((?:[^"\\\n]|\\.)*)")', re.DOTALL
)
_ESCAPED = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|(.))", re.DOTALL)
_LETTERS = {"t": "\t", "n": "\n", "r": "\r", "b": "\b", "f": "\f", '"': '"', "'": "'", "\\": "\\"}


def vst3_preset_text(data: bytes) -> str | None:
    """The text of a preset in a VST3 preset, whoever wrote it; None if it is none, or for another plug-in.

    Parameters
    ----------
    data : bytes
        Of the file.
    """
    if len(data) < VST3_HEAD.size:
        return None
    mark, version, owner, listed = VST3_HEAD.unpack_from(data)
    if mark != VST3_MARK or version != VST3_VERSION or not owner.upper().startswith(VST3_OURS.encode()):
        return None
    if not VST3_HEAD.size <= listed <= len(data) - 8 or data[listed : listed + 4] != b"List":
        return None
    (count,) = struct.unpack_from("<i", data, listed + 4)
    for number in range(min(count, (len(data) - listed - 8) // VST3_ENTRY.size)):
        name, start, size = VST3_ENTRY.unpack_from(data, listed + 8 + number * VST3_ENTRY.size)
        if name == b"Comp" and 0 <= start <= start + size <= len(data):
            try:
                return data[start : start + size].decode()
            except UnicodeDecodeError:
                return None
    return None


def _unescaped(match: re.Match[str]) -> str:
    code = match[1] or match[2]
    if code is None:
        return _LETTERS.get(match[3], match[0])
    number = int(code, 16)
    return chr(number) if number < 0x110000 and not 0xD800 <= number < 0xE000 else match[0]


def lv2_state_text(text: str) -> str | None:
    """The text of a preset in an LV2 state, as hosts write it in Turtle; None if not exactly one is there.

    Parameters
    ----------
    text : str
        Of the file, most often called ``state.ttl``.
    """
    found = [match[1] if match[2] is None else match[2] for match in _LV2.finditer(text)]
    return _ESCAPED.sub(_unescaped, found[0]) if len(found) == 1 else None
