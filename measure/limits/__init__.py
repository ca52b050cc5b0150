"""Limits for figures and curves, kept in a file, and what holds against them: accepting by figures."""

from measure.limits.check import EXIT_NOT_KEPT, LimitLine, LimitsCheck, check_limits
from measure.limits.file import Limit, Limits, read_limits

__all__ = ["EXIT_NOT_KEPT", "Limit", "LimitLine", "Limits", "LimitsCheck", "check_limits", "read_limits"]
