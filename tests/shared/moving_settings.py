"""Curves of settings in a line, and a processor that follows them."""

from typing import Any

from tapeemu import Chain, Curve, CurvePoint, Stage
from tapeemu.processor import Processor

__all__ = ["curve", "moved"]


def curve(name: str, *points: tuple[Any, ...]) -> Curve:
    return Curve(
        setting=name,
        points=tuple(
            CurvePoint(seconds=at, value=value, shape=(*shape, "linear")[0]) for at, value, *shape in points
        ),
    )


def moved(processor: Processor, *curves: Curve) -> Chain:
    return Chain([Stage(processor=processor, automation=curves)])
