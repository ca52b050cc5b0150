"""What a measurement returns: readings, curves and groups of them, frozen, short to print, ready for tables."""

from measure.results.curve import Curve
from measure.results.digits import figure_text, figure_with_unit
from measure.results.reading import Condition, Conditions, Reading, undefined
from measure.results.result import Result
from measure.results.table import Table

__all__ = [
    "Condition",
    "Conditions",
    "Curve",
    "Reading",
    "Result",
    "Table",
    "figure_text",
    "figure_with_unit",
    "undefined",
]
