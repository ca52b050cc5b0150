"""A figure in digits: as many as its uncertainty supports."""

import math

__all__ = ["figure_text", "figure_with_unit"]

_MOST_DIGITS = 6
_EXACT = 1e-9
_BEYOND_DOUBT = "exact"


def figure_text(value: float, uncertainty: float, *, most_digits: int = _MOST_DIGITS) -> tuple[str, str]:
    """A figure as people read it: no more digits than its uncertainty supports.

    Parameters
    ----------
    value, uncertainty : float
        The figure and its standard uncertainty, ``nan`` where it is not known.
    most_digits : int
        Significant digits shown at the most, however small the uncertainty.

    Returns
    -------
    value, doubt : str
        The value down to the first digit that is in doubt (the second, where the first is 1 or 2), and
        ``"± 0.02"``; ``"± < 0.01"`` where the last digit shown is beyond doubt; ``"exact"`` where the doubt is no
        more than the rounding of the numbers, under 1e-9 and under 1e-9 of the value; empty where it is not known.
    """
    if math.isnan(value):
        return "undefined", ""
    if math.isinf(value):
        return str(value), ""
    if math.isinf(uncertainty):
        return f"{value:.1g}", "± any"
    # Of the rounded value, for 0.09996 is 0.100 in three digits.
    size = int(f"{value:.{most_digits - 1}e}".split("e")[1]) if value else 0
    finest = most_digits - 1 - size
    if math.isnan(uncertainty):
        return _fixed(value, min(3 - size, finest) if value else 0), ""
    if uncertainty <= _EXACT * max(abs(value), 1.0):
        # A value of that size is nothing but rounding too.
        shown = 0.0 if abs(value) <= 10.0 * _EXACT else value
        text = _fixed(shown, finest) if shown else "0"
        return (text.rstrip("0").rstrip(".") if "." in text else text), _BEYOND_DOUBT
    # Rounded to one digit first, for 0.96 is 1.0 and 0.026 is 0.03.
    lead = f"{uncertainty:.1e}"
    decimals = -int(lead.split("e")[1]) + (1 if lead[0] in "12" else 0)
    if value and decimals > finest:
        text = _fixed(value, finest)
        if uncertainty < 0.5 * 10.0**-finest:
            return text, f"± < {_fixed(10.0**-finest, finest)}"
        return text, f"± {_fixed(uncertainty, finest)}"
    return _fixed(value, decimals), f"± {_fixed(uncertainty, decimals)}"


def figure_with_unit(value: float, uncertainty: float, unit: str) -> str:
    """A figure in a sentence: ``"0.123 ± 0.010 %"``, ``"3 % exact"``."""
    shown, doubt = figure_text(value, uncertainty)
    parts = (shown, unit, doubt) if doubt == _BEYOND_DOUBT else (shown, doubt, unit)
    return " ".join(part for part in parts if part)


def _fixed(value: float, decimals: int) -> str:
    """Rounded to so many decimals, to tens and hundreds for negative ones."""
    if decimals > 15:
        return f"{value:.2g}"
    rounded = round(value, decimals) + 0.0  # no minus before a zero
    return f"{rounded:.{max(decimals, 0)}f}"
