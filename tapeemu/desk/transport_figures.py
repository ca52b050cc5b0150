"""The figures of transports as Python solves for them, so that a page that knows them renders the very bits."""

from collections.abc import Iterable, Iterator
from typing import Any

from tapeemu.chain import Chain
from tapeemu.processors.wow_flutter import WowFlutter

__all__ = ["transport_figures"]


def transport_figures(chains: Iterable[Chain]) -> list[list[Any]]:
    """What the figures of all wow and flutter stages depend on, each with its weighted and unweighted figure."""
    found: dict[str, list[Any]] = {}
    for chain in chains:
        for settings in _transports(chain):
            mixture, figures = settings.unscaled_figures()
            found[repr(mixture)] = [mixture, list(figures)]
    return list(found.values())


def _transports(chain: Chain) -> Iterator[WowFlutter]:
    for stage in chain.stages:
        if isinstance(stage.processor, Chain):
            yield from _transports(stage.processor)
        elif isinstance(stage.processor, WowFlutter):
            yield stage.processor
