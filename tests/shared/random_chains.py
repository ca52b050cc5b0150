"""Settings and chains drawn from the declared ranges, from a generator: the same for the same seed."""

import contextlib
import types
from typing import Any, Literal, Union, get_args, get_origin

import numpy as np

from tapeemu import Chain, Stage
from tapeemu.errors import ParameterError
from tapeemu.processor import Processor
from tapeemu.settings import Settings

Generator = np.random.Generator


def limits(metadata: Any) -> tuple[float | None, float | None]:
    low = high = None
    for rule in metadata:
        low = next((getattr(rule, name) for name in ("ge", "gt") if getattr(rule, name, None) is not None), low)
        high = next((getattr(rule, name) for name in ("le", "lt") if getattr(rule, name, None) is not None), high)
    return low, high


def value(rng: Generator, annotation: Any, metadata: Any = ()) -> Any:
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin in (Union, types.UnionType):
        return value(rng, arguments[rng.integers(len(arguments))], metadata)
    if origin is Literal:
        return arguments[rng.integers(len(arguments))]
    if origin is tuple:
        if arguments[-1] is Ellipsis:
            return tuple(value(rng, arguments[0]) for _ in range(rng.integers(3)))
        return tuple(sorted(rng.uniform(0.05, 4000.0, len(arguments)).tolist()))
    if annotation is type(None):
        return None
    if annotation is bool:
        return bool(rng.integers(2))
    low, high = limits(metadata)
    if annotation is int:
        first, last = int(low or 0), int(high if high is not None else 2**31)
        return first + int.from_bytes(rng.bytes(16), "little") % (last - first + 1)
    if annotation is float:
        low, high = (-1e3 if low is None else low), (1e3 if high is None else high)
        return float(rng.choice([low, high, *rng.uniform(low, high, 6)]))
    if isinstance(annotation, type) and issubclass(annotation, Settings):
        return settings(rng, annotation)
    raise NotImplementedError(f"no way to draw {annotation}")


def settings(rng: Generator, made: type[Settings]) -> Any:
    """Settings of a class: each left out, at an end of its range, or anywhere inside."""
    for _ in range(200):
        chosen = {
            name: value(rng, field.annotation, field.metadata)
            for name, field in made.model_fields.items()
            if field.is_required() or rng.integers(2)
        }
        for name in (None, *rng.permutation(sorted(chosen)).tolist()):
            if name is not None:
                if made.model_fields[name].is_required():
                    continue
                del chosen[name]
            with contextlib.suppress(ParameterError):
                return made(**chosen)
    raise AssertionError(f"no settings of {made.__name__} were found")


def chain(rng: Generator, kinds: list[type[Processor]], most: int = 4, depth: int = 1) -> Chain:
    """Stages of random kinds, some bypassed, some mixed, some chains themselves."""
    stages = []
    for number in range(int(rng.integers(1, most + 1))):
        if depth and rng.integers(5) == 0:
            processor: Processor = chain(rng, kinds, 2, depth - 1)
        else:
            processor = settings(rng, kinds[rng.integers(len(kinds))])
        stages.append(
            Stage(
                name=f"stage_{number}",
                processor=processor,
                bypass=bool(rng.integers(8) == 0),
                mix_percent=float(rng.choice([100.0, 100.0, 0.0, rng.uniform(0.0, 100.0)])),
            )
        )
    return Chain(stages)
