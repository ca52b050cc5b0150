"""The errors of tapeemu: each says the value, the rule it broke, and what to do.

Every error raised on purpose derives from :class:`TapeemuError`; the command line turns the subclass
into an exit status.
"""

__all__ = ["AudioError", "OutputError", "ParameterError", "PresetError", "TapeemuError", "counted"]


class TapeemuError(Exception):
    """Base of all errors raised on purpose by tapeemu."""


class ParameterError(TapeemuError, ValueError):
    """A setting or an argument is outside its rule."""


class AudioError(TapeemuError, ValueError):
    """Audio data, or a file that should hold it, cannot be used."""


class PresetError(TapeemuError, ValueError):
    """A preset cannot be found, read or accepted.

    Attributes
    ----------
    heading : str
        What is wrong, in one line.
    mistakes : tuple of str
        A line for each mistake, where there is more than one.
    """

    def __init__(self, heading: str, mistakes: tuple[str, ...] = ()) -> None:
        super().__init__("\n  ".join([heading, *mistakes]))
        self.heading = heading
        self.mistakes = mistakes


class OutputError(TapeemuError, OSError):
    """A result cannot be written where it was asked for."""


def counted(number: int, thing: str, things: str = "") -> str:
    """A number of things in words: ``1 channel``, ``2 channels``; `things` where an s is not enough."""
    return f"{number} {thing if number == 1 else things or f'{thing}s'}"
