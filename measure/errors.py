"""Errors of the laboratory.

They are for misuse only (wrong types, impossible arguments). A signal that does not allow a figure gives
a reading of ``nan`` with the reason instead.
"""

__all__ = ["MeasureError"]


class MeasureError(ValueError):
    """An argument breaks a rule; the text names value, rule and remedy."""
