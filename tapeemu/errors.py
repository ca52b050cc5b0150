"""The errors of tapeemu: each says the value, the rule it broke, and what to do.

Every error raised on purpose derives from :class:`TapeemuError`; the command line turns the subclass
into an exit status.
"""

__all__ = ["AudioError", "OutputError", "ParameterError", "PresetError", "TapeemuError"]


class TapeemuError(Exception):
    """Base of all errors raised on purpose by tapeemu."""


class ParameterError(TapeemuError, ValueError):
    """A setting or an argument is outside its rule."""


class AudioError(TapeemuError, ValueError):
    """Audio data, or a file that should hold it, cannot be used."""


class PresetError(TapeemuError, ValueError):
    """A preset cannot be found, read or accepted."""


class OutputError(TapeemuError, OSError):
    """A result cannot be written where it was asked for."""
