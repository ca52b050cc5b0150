"""Rows of named values as a text for spreadsheets, as HTML, as JSON and as a data frame."""

import csv
import html
import io
import json
import math
import os
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from measure.errors import MeasureError
from measure.writing import whole_file

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Cell", "Table", "html_table", "plain"]

Cell = str | float | int | bool | None


class Table(ABC):
    """Anything that is a table of named values.

    A subclass says what its rows are and how it goes into JSON; the forms follow from that.
    """

    @abstractmethod
    def to_rows(self) -> list[dict[str, Cell]]:
        """Rows of the table, all with the same columns; numbers are unrounded, ``nan`` where there is none."""

    @abstractmethod
    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; a number that is not there becomes ``None``."""

    @abstractmethod
    def _repr_html_(self) -> str:
        """The table as notebooks show it."""

    def to_frame(self) -> "DataFrame":
        """The rows as a data frame of pandas.

        Raises
        ------
        MeasureError
            If pandas is not installed.
        """
        try:
            import pandas
        except ImportError:
            raise MeasureError(
                "to_frame needs pandas, which is not installed; run 'pip install pandas', or use to_csv or to_dict"
            ) from None
        return pandas.DataFrame(self.to_rows())

    def to_csv(self, path: str | os.PathLike[str] | None = None, *, overwrite: bool = False) -> str:
        """The rows as comma-separated text (RFC 4180) with one line of names.

        Parameters
        ----------
        path : path, optional
            File to write the text to as well, in UTF-8.
        overwrite : bool
            Replace a file that exists.

        Returns
        -------
        str
            The text; numbers in full, nothing where there is none.

        Raises
        ------
        ResultsError
            If the file exists and may not be replaced, or cannot be written.
        """
        rows = self.to_rows()
        text = io.StringIO(newline="")
        writer = csv.writer(text, lineterminator="\n")
        if rows:
            writer.writerow(rows[0])
            writer.writerows([["" if _absent(cell) else cell for cell in row.values()] for row in rows])
        return _kept(text.getvalue(), path, overwrite=overwrite)

    def to_json(self, path: str | os.PathLike[str] | None = None, *, overwrite: bool = False) -> str:
        """What :meth:`to_dict` returns as JSON; parameters, result and errors as for :meth:`to_csv`."""
        return _kept(json.dumps(self.to_dict(), indent=1, allow_nan=False) + "\n", path, overwrite=overwrite)


def html_table(caption: str, rows: Sequence[Mapping[str, Cell]], notes: Sequence[str] = ()) -> str:
    """A table in HTML without scripts or colours; numbers come as the text that is to be read."""
    if not rows:
        return f"<p>{html.escape(caption)}</p>"
    head = "".join(f"<th>{html.escape(name)}</th>" for name in rows[0])
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(_shown(cell))}</td>" for cell in row.values()) + "</tr>"
        for row in rows
    )
    below = "".join(f"<p>{html.escape(note)}</p>" for note in notes)
    return (
        f"<table><caption>{html.escape(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>{below}"
    )


def plain(value: Any) -> Any:
    """The value as JSON has it: numbers of numpy become plain ones, and what is not finite becomes ``None``."""
    if isinstance(value, np.ndarray):
        return [plain(each) for each in value.tolist()]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _absent(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, float) and math.isnan(cell))


def _shown(cell: Cell) -> str:
    return "" if _absent(cell) else f"{cell:.6g}" if isinstance(cell, float) else str(cell)


def _kept(text: str, path: str | os.PathLike[str] | None, *, overwrite: bool) -> str:
    if path is not None:
        with whole_file(path, overwrite=overwrite) as file:
            file.write(text.encode("utf-8"))
    return text
