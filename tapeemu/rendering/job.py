"""What all files of one run have in common: the chain, the tape it is put on, and what is to come out."""

from dataclasses import dataclass, field, replace
from typing import Self

from tapeemu.processor import Processor
from tapeemu.rendering.delivery import Delivery
from tapeemu.validation import check_seed, check_start_seconds, check_track

__all__ = ["Job"]


@dataclass(frozen=True, kw_only=True)
class Job:
    """A chain on a tape, and the delivery of what comes out.

    Attributes
    ----------
    chain : Processor
        As it was given.
    delivery : Delivery
        What the files must be like.
    seed : int or None
        Which tape; None keeps the seeds inside the chain.
    start_seconds : float
        Place on the tape where every file starts.
    track : int
        Track of the tape, see :meth:`tapeemu.processor.Processor.stream`.
    preset : str or None
        Name of the preset that the chain comes from.
    before, behind : tuple of str
        Names of the files that are heard from the tracks before and behind this one, nearest last and first.
    """

    chain: Processor
    delivery: Delivery = field(default_factory=Delivery)
    seed: int | None = None
    start_seconds: float = 0.0
    track: int = 0
    preset: str | None = None
    before: tuple[str, ...] = ()
    behind: tuple[str, ...] = ()

    def on_track(self, number: int) -> Self:
        """The job on another track, counted from its own; the same job where all tracks sound alike."""
        return replace(self, track=self.track + number) if self.chain.traits.tracks_differ else self

    def tape(self) -> Processor:
        """The chain with the seeds of its tape.

        Raises
        ------
        ParameterError
            If there is no such tape, or no such place or track on it.
        """
        check_start_seconds(self.start_seconds)
        check_track(self.track)
        return self.chain if self.seed is None else self.chain.with_seed(check_seed(self.seed))
