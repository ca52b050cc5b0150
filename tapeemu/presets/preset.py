"""A preset: a chain, what it is for, and the figures it was measured at."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from html import escape
from pathlib import Path
from typing import Any, Self

from measure.results import Reading, figure_text
from tapeemu.chain import Chain
from tapeemu.presets.kept_figures import Measured, settings_digest
from tapeemu.processor import AnyAudio

__all__ = ["Preset"]


@dataclass(frozen=True, kw_only=True)
class Preset:
    """Settings and the figures they produce; calling it processes audio.

    Attributes
    ----------
    name : str
        Name, as of the file.
    purpose : str
        What it is for, in a sentence.
    tags : tuple of str
        Words to find it by.
    chain : Chain
        The settings.
    measured : Measured or None
        The figures with all that belongs to them.
    path : Path or None
        The file it was read from.
    text : str
        Text of the file, whose comments and order a rewrite keeps; empty for a preset made in memory.
    """

    name: str
    purpose: str
    chain: Chain
    tags: tuple[str, ...] = ()
    measured: Measured | None = None
    path: Path | None = None
    text: str = field(default="", repr=False, compare=False)

    def __call__(
        self,
        audio: AnyAudio,
        sample_rate: float,
        *,
        tail_seconds: float = 0.0,
        lead_seconds: float = 0.0,
        start_sample: int = 0,
        track: int = 0,
    ) -> AnyAudio:
        """Process a recording through the chain; arguments and errors are the chain's."""
        return self.chain(
            audio,
            sample_rate,
            tail_seconds=tail_seconds,
            lead_seconds=lead_seconds,
            start_sample=start_sample,
            track=track,
        )

    @property
    def readings(self) -> Mapping[str, Reading]:
        """The measured figures by key, e.g. ``weighted_flutter_percent``; empty if it was not measured."""
        if self.measured is None:
            return {}
        return {key: figure.reading for key, figure in self.measured.figures.items()}

    @property
    def state(self) -> str:
        """``"measured"``, ``"stale"`` (settings were changed since) or ``"not measured"``."""
        if self.measured is None:
            return "not measured"
        return "measured" if self.measured.settings_sha256 == settings_digest(self.chain) else "stale"

    def replace(self, **changes: Any) -> Self:
        """Return a preset like this with some attributes changed."""
        return replace(self, **changes)

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{escape(key)}</td><td style='text-align:right'>{value}</td>"
            f"<td style='text-align:right'>{escape(doubt)}</td><td>{escape(reading.unit)}</td></tr>"
            for key, reading in self.readings.items()
            for value, doubt in [figure_text(reading.value, reading.uncertainty)]
        )
        return (
            f"<p><b>{escape(self.name)}</b> ({self.state}): {escape(self.purpose)}</p>"
            f"{self.chain._repr_html_()}<table>{rows}</table>"
        )
