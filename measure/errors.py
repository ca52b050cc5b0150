"""Errors of the laboratory.

They are for misuse only: wrong types, impossible arguments, files that cannot be used. A signal that does not
allow a figure gives a reading of ``nan`` with the reason instead.
"""

__all__ = ["LimitsError", "MeasureError", "RecordingError", "ResultsError", "counted"]


class MeasureError(ValueError):
    """An argument breaks a rule; the text names value, rule and remedy."""


class LimitsError(MeasureError):
    """A file of limits cannot be used; the text names file, rule and remedy."""


class RecordingError(MeasureError):
    """A sound file cannot be used; the text names file, rule and remedy."""


class ResultsError(MeasureError):
    """Results cannot be written; the text names file, rule and remedy."""


def counted(number: int, thing: str, things: str = "") -> str:
    """A number of things in words: ``1 channel``, ``2 channels``; `things` where an s is not enough."""
    return f"{number} {thing if number == 1 else things or f'{thing}s'}"
