"""States that are nearly right, and what a plug-in may do with them."""

import random
from collections.abc import Callable, Iterator

from tapeemu.presets import load_preset
from tapeemu.presets.reading import parse_preset


def mutants(count: int) -> Iterator[bytes]:
    """Shipped presets with one to three small wounds."""
    rng = random.Random(5)
    pieces = [b"9", b"-", b"true", b"1e9", b'"', b"[", b"]", b"=", b"\n", b".", b",", b"{", b"}", b"#"]
    for number in range(count):
        preset = load_preset(("hall-into-drive", "studio-at-38-with-hiss")[number % 2])
        text = bytearray(preset.text.partition("\n[measured]")[0].encode() + b"\n")
        for _ in range(rng.randint(1, 3)):
            at = rng.randrange(len(text))
            what = rng.random()
            if what < 0.4:
                text[at] = rng.randrange(256)
            elif what < 0.6:
                del text[at : at + rng.randint(1, 6)]
            else:
                text[at:at] = rng.choice(pieces)
        yield bytes(text)


def check_mutants(load: Callable[[bytes], bool], save: Callable[[], bytes], count: int) -> None:
    """What the plug-in takes, the command line takes; what it refuses leaves it as it was."""
    before = load_preset("preamplifier-alone").text.encode()
    assert load(before)
    assert save() == before
    refused = 0
    for text in mutants(count):
        if load(text):
            parse_preset(text.decode(), name="mutant")
            assert load(before)
            assert save() == before
        else:
            refused += 1
            assert save() == before
    assert refused > count // 2
