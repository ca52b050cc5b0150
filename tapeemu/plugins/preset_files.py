"""Presets as files that the preset browsers of VST3 hosts read."""

import struct

__all__ = ["vst3_class", "vst3_preset", "vst3_preset_text"]

_MARK = b"VST3"
_HEAD = struct.Struct("<4si32sq")
_ENTRY = struct.Struct("<4sqq")
_VERSION = 1


def vst3_class(kind: str) -> str:
    """The identifier of a plug-in in VST3, as 32 hexadecimal digits.

    Parameters
    ----------
    kind : str
        Kind of the processor; ``"chain"`` for a whole chain.
    """
    number = 14695981039346656037  # FNV-1a, as in vst3.c
    for byte in kind.encode():
        number = (number ^ byte) * 1099511628211 & 0xFFFFFFFFFFFFFFFF
    return f"7461706E656D7530{number:016X}"


def vst3_preset(kind: str, text: str) -> bytes:
    """A file that holds a preset for a plug-in: its text is the state.

    Parameters
    ----------
    kind : str
        As for :func:`vst3_class`.
    text : str
        Of the preset.

    Notes
    -----
    Layout, by the format's public description: mark, version, class, place of the list; the state; the list of
    what is where.
    """
    state = text.encode()
    listed = _HEAD.size + len(state)
    head = _HEAD.pack(_MARK, _VERSION, vst3_class(kind).encode(), listed)
    return head + state + b"List" + struct.pack("<i", 1) + _ENTRY.pack(b"Comp", _HEAD.size, len(state))


def vst3_preset_text(data: bytes) -> str | None:
    """The text of a preset in such a file, whoever wrote it; None if it is none, or for another plug-in."""
    if len(data) < _HEAD.size:
        return None
    mark, version, owner, listed = _HEAD.unpack_from(data)
    if mark != _MARK or version != _VERSION or not owner.upper().startswith(b"7461706E656D7530"):
        return None
    if not _HEAD.size <= listed <= len(data) - 8 or data[listed : listed + 4] != b"List":
        return None
    (count,) = struct.unpack_from("<i", data, listed + 4)
    for number in range(min(count, (len(data) - listed - 8) // _ENTRY.size)):
        name, start, size = _ENTRY.unpack_from(data, listed + 8 + number * _ENTRY.size)
        if name == b"Comp" and 0 <= start <= start + size <= len(data):
            try:
                return data[start : start + size].decode()
            except UnicodeDecodeError:
                return None
    return None
