"""Steps of a comparison, told to whoever wants to show how far it is."""

from typing import Protocol

__all__ = ["SILENT", "Progress", "Step"]


class Step(Protocol):
    """One step of the work; called from several threads."""

    def advance(self, count: int = 1) -> None:
        """Say that so many of its parts are done."""

    def finish(self) -> None:
        """Say that it is done."""


class Progress(Protocol):
    """Receives the steps."""

    def step(self, name: str, parts: int) -> Step:
        """Begin a step of a number of parts that take about the same time."""


class _SilentStep:
    def advance(self, count: int = 1) -> None:
        pass

    def finish(self) -> None:
        pass


class _Silent:
    def step(self, name: str, parts: int) -> Step:
        return _SilentStep()


SILENT: Progress = _Silent()
"""Shows nothing."""
