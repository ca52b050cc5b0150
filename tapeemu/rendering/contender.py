"""A chain of a comparison and its name there."""

from dataclasses import dataclass

from tapeemu.chain import Chain

__all__ = ["Contender", "sounding"]


@dataclass(frozen=True, kw_only=True)
class Contender:
    """One chain of a comparison, before anything was rendered.

    Attributes
    ----------
    label : str
        What it is called everywhere.
    chain : Chain
        Stages in this order.
    """

    label: str
    chain: Chain

    @property
    def order(self) -> tuple[str, ...]:
        """Names of the stages that sound, in order."""
        return sounding(self.chain)


def sounding(chain: Chain) -> tuple[str, ...]:
    """Names of the stages of a chain that are not bypassed."""
    return tuple(stage.name for stage in chain.stages if not stage.bypass)
