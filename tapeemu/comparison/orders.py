"""Which chains stand side by side: the two orders of reverb and drive, given orders, or all of them."""

import itertools
import math
from collections.abc import Sequence
from pathlib import Path

from tapeemu.chain import Chain, Stage
from tapeemu.dsp.tape_position import Purpose, stream_key
from tapeemu.errors import ParameterError, PresetError, counted
from tapeemu.rendering.contender import Contender, sounding

__all__ = ["ARROW", "all_orders", "chosen_orders", "elsewhere", "two_orders"]

ARROW = " → "

# Five stages have 120 orders; more could neither be listened to nor read as a table.
_MOST_ORDERS = 120


def two_orders(chain: Chain) -> list[Contender]:
    """Reverb before drive, and drive before reverb; all other stages keep their places.

    Raises
    ------
    ParameterError
        Unless exactly one stage that sounds is a reverb and exactly one a drive.
    """
    roles = {stage.name: _role(stage) for stage in chain.stages if not stage.bypass}
    reverbs = [name for name, role in roles.items() if role == "reverb"]
    drives = [name for name, role in roles.items() if role == "drive"]
    if len(reverbs) != 1 or len(drives) != 1:
        raise ParameterError(
            f"the chain ({', '.join(roles) or 'without a stage that sounds'}) has {len(reverbs)} reverb and "
            f"{counted(len(drives), 'drive stage')}, but the two orders need exactly one of each; say which "
            "orders to compare with --orders (orders=...), or compare all of them"
        )
    reverb, drive = reverbs[0], drives[0]
    return [
        Contender(label=f"{first} before {second}", chain=chain.reordered((first, second)))
        for first, second in ((reverb, drive), (drive, reverb))
    ]


def _role(stage: Stage) -> str:
    traits = stage.traits
    if traits.reverberates == traits.drives:  # neither, or a chain that is both and has no one place
        return ""
    return "reverb" if traits.reverberates else "drive"


def all_orders(chain: Chain) -> list[Contender]:
    """Every permutation of the stages that sound; the chain's own order comes first.

    Raises
    ------
    ParameterError
        If there are fewer than two such stages, or more than 120 permutations.
    """
    names = sounding(chain)
    count = math.factorial(len(names))
    if len(names) < 2:
        told = counted(len(names), "stage that sounds", "stages that sound")
        raise ParameterError(f"the chain has {told}, but an order needs two or more")
    if count > _MOST_ORDERS:
        raise ParameterError(
            f"{len(names)} stages have {count:,} orders, but at most {_MOST_ORDERS} are compared at once; bypass "
            "some stages, nest those that stay together in a chain, or list the orders with --orders"
        )
    return [
        Contender(label=ARROW.join(order), chain=chain.reordered(order)) for order in itertools.permutations(names)
    ]


def chosen_orders(chain: Chain, wanted: Sequence["str | Sequence[str] | Chain"]) -> list[Contender]:
    """Contenders from a list in which orders, presets and chains may be mixed.

    Parameters
    ----------
    chain : Chain
        Whose stages the orders name.
    wanted : sequence
        Each item is an order (names joined by commas or ``>``, or a sequence of names), a preset (name or
        file), or a chain. Stages that an order leaves out keep their places.
    """
    if isinstance(wanted, str) or not wanted:
        raise ParameterError(
            f"orders is {wanted!r}, but must be a list of orders, presets or chains, or the word 'all'"
        )
    found = [_contender(chain, item) for item in wanted]
    seen: dict[str, int] = {}
    unique = []
    for contender in found:
        times = seen[contender.label] = seen.get(contender.label, 0) + 1
        label = contender.label if times == 1 else f"{contender.label} ({times})"
        unique.append(Contender(label=label, chain=contender.chain))
    if len(unique) > _MOST_ORDERS:
        raise ParameterError(f"{len(unique)} orders were given, but at most {_MOST_ORDERS} are compared at once")
    return unique


def _contender(chain: Chain, item: "str | Sequence[str] | Chain") -> Contender:
    if isinstance(item, Chain):
        return Contender(label=ARROW.join(sounding(item)) or "no stage", chain=item)
    names = [name.strip() for name in item.replace(">", ",").split(",")] if isinstance(item, str) else list(item)
    if all(name in chain.names for name in names):
        # One name alone moves nothing: it stands for the chain as it is.
        ordered = chain.reordered(names) if len(names) > 1 else chain
        return Contender(label=ARROW.join(sounding(ordered)), chain=ordered)
    if not isinstance(item, str) or (len(names) > 1 and not Path(item).is_file()):
        unknown = next(name for name in names if name not in chain.names)
        raise ParameterError(
            f"{unknown!r} in the order {', '.join(names)} is not a stage; the stages are: {', '.join(chain.names)}"
        )
    from tapeemu.presets import load_preset

    try:
        return Contender(label=Path(item).stem, chain=load_preset(item).chain)
    except PresetError as error:
        if Path(item).suffix == ".toml":
            raise
        raise PresetError(f"{error} (nor is it a stage; the stages are: {', '.join(chain.names)})") from None


def elsewhere(chain: Chain, number: int) -> Chain:
    """Return the chain on another tape and in another room: every seed in it is another one.

    Number 0 is the chain itself. The same number does the same to every order of the chain, so that orders
    can be compared in pairs.
    """
    if number == 0:
        return chain
    changed = []
    for stage in chain.stages:
        processor = stage.processor
        if isinstance(processor, Chain):
            changed.append(stage.replace(processor=elsewhere(processor, number)))
            continue
        seeds = {name: getattr(processor, name) for name in type(processor).model_fields if name.endswith("seed")}
        drawn = {
            name: stream_key(number, Purpose.PLACE, own) >> 32 for name, own in seeds.items() if own is not None
        }
        changed.append(stage.replace(processor=processor.replace(**drawn)) if drawn else stage)
    return chain.replace(stages=tuple(changed))
