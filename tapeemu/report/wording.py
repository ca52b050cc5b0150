"""Figures as both pages print them: value and uncertainty, minus signs, spaces that hold a unit to its number."""

import re
from collections.abc import Mapping

from measure.results import Reading
from tapeemu.comparison.compared_figures import FIGURES

__all__ = ["bursts_text", "cell_text", "minus_signs", "typeset", "value_text"]


def value_text(key: str, reading: Reading | None) -> str:
    """A figure as printed in tables: value and uncertainty without the unit, or a dash."""
    if reading is None or not reading.defined:
        return "–"
    digits = FIGURES[key].digits
    text = f"{round(reading.value, digits) + 0.0:.{digits}f}"  # no minus before a zero
    if reading.uncertainty > 0.0:
        # One digit more than the value shows, where the uncertainty is smaller than the last of those.
        fine = digits if reading.uncertainty >= 10.0**-digits else digits + 1
        doubt = f"{reading.uncertainty:.{fine}f}"
        if float(doubt) > 0.0:
            text += f" ± {doubt}"
    return text


def typeset(text: str) -> str:
    """Keep numbers and units on one line, and write minus signs as such."""
    return re.sub(r"(?<=\d) (?=(?:dB|LU|%|s|k?Hz)\b|%)", "\N{NO-BREAK SPACE}", minus_signs(text))


def minus_signs(text: str) -> str:
    """Write a hyphen before a number as a minus sign."""
    return re.sub(r"(?<![\w.])-(?=\d)", "\N{MINUS SIGN}", text)


def cell_text(key: str, reading: Reading | None) -> str:
    """A figure as a cell of the HTML page prints it: its uncertainty stays on its line."""
    return minus_signs(value_text(key, reading)).replace("± ", "±\N{NO-BREAK SPACE}")


def bursts_text(bursts: Mapping[str, int]) -> str:
    """Over how many bursts decays were averaged: "12 bursts", or by level where those differ."""
    if len(set(bursts.values())) == 1:
        count = next(iter(bursts.values()))
        return f"{count} burst" if count == 1 else f"{count} bursts"
    return f"{', '.join(str(count) for count in bursts.values())} bursts ({', '.join(bursts)})"
