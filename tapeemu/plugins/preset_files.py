"""Presets as files that the preset browsers of VST3 hosts read."""

import struct

from tapeemu.presets.host_states import VST3_ENTRY, VST3_HEAD, VST3_MARK, VST3_OURS, VST3_VERSION

__all__ = ["vst3_class", "vst3_preset"]


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
    return f"{VST3_OURS}{number:016X}"


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
    listed = VST3_HEAD.size + len(state)
    head = VST3_HEAD.pack(VST3_MARK, VST3_VERSION, vst3_class(kind).encode(), listed)
    return head + state + b"List" + struct.pack("<i", 1) + VST3_ENTRY.pack(b"Comp", VST3_HEAD.size, len(state))
