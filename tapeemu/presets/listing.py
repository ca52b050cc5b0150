"""Presets as rows of a table: for the terminal, and for the README."""

from collections.abc import Sequence

from measure.results import Reading, figure_text
from tapeemu.errors import ParameterError
from tapeemu.presets.kept_figures import KEPT
from tapeemu.presets.preset import Preset

__all__ = ["COLUMNS", "figure_cells", "markdown_table", "put_between_marks"]

COLUMNS = {key: kept.heading for key, kept in KEPT.items() if kept.heading}
"""Figures that stand in lists of presets, with their headings."""

_BEGIN, _END = "<!-- presets -->", "<!-- /presets -->"


def figure_cells(preset: Preset) -> list[str]:
    """The figures of a preset's row, to three digits or as many as they support; a dash where there is none."""
    readings = preset.readings
    return [_short(readings[key]) if key in readings else "–" for key in COLUMNS]


def _short(reading: Reading) -> str:
    if abs(reading.value) < 0.001:
        return "0"
    return figure_text(reading.value, reading.uncertainty, most_digits=3)[0]


def markdown_table(presets: Sequence[Preset]) -> str:
    """The table of presets for the README: name, purpose and figures."""
    headings = ["Preset", "What it is for", *COLUMNS.values()]
    rows = [
        "| " + " | ".join(headings) + " |",
        "|---|---|" + "---:|" * len(COLUMNS),
    ]
    for preset in presets:
        purpose = preset.purpose.replace("|", "\\|")
        rows.append("| " + " | ".join([f"`{preset.name}`", purpose, *figure_cells(preset)]) + " |")
    return "\n".join(rows) + "\n"


def put_between_marks(text: str, table: str) -> str:
    """A document with the table between its two marks replaced.

    Raises
    ------
    ParameterError
        If the marks are not there, each once and in order.
    """
    if text.count(_BEGIN) != 1 or text.count(_END) != 1 or text.index(_BEGIN) > text.index(_END):
        raise ParameterError(
            f"the document must hold {_BEGIN} and below it {_END}, each once; put them where the table belongs"
        )
    before, _, rest = text.partition(_BEGIN)
    _, _, after = rest.partition(_END)
    return f"{before}{_BEGIN}\n{table}{_END}{after}"
