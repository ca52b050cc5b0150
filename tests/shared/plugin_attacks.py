"""Odd sequences of calls, as no sane host makes them, through the three formats; run with the plug-ins sanitized.

    python plugin_attacks.py FOLDER FIRST COUNT

After each sequence the plug-in gets its first state back, is switched off and on, and must sound as a fresh one.
"""

import contextlib
import random
import sys
import threading
from pathlib import Path
from typing import Any

import numpy as np
from clap_host import ClapLibrary, ClapPlugin
from lv2_host import Lv2Plugin
from state_mutants import mutants
from vst3_host import OFFLINE, Vst3Plugin

KINDS = (
    "chain",
    "wow_flutter",
    "amplitude_flutter",
    "fdn_reverb",
    "preamp_drive",
    "tape_noise",
    "crosstalk",
    "splices",
)
KEY = "urn:tapeemu:preset"
RATES = (48_000.0, 22_050.0, 384_000.0, 1_234.5678, 0.0, -1.0, float("nan"), 1e9)
PLACES = (None, 0, -48_000, 1_728_000_000, 2**62, -(2**62), 2**63 - 1, -(2**63))
WORDS = (0.0, 1.0, -1.0, 0.5, 1e300, -1e300, float("nan"), float("inf"))
GOOD = np.random.default_rng(7).normal(0.0, 0.1, (2, 1_500)).astype(np.float32)


def audio(rng: random.Random, wide: bool) -> Any:
    made = np.random.default_rng(rng.randrange(99)).normal(
        0.0, 0.1, (2, rng.choice([0, 1, 7, 512, 3_000, 16_384]))
    )
    odd = rng.choice([None, np.nan, np.inf, -np.inf, 1e38, 1e-40])
    if odd is not None and made.size:
        made[:, :: rng.choice([1, 100])] = odd
    return made.astype(np.float64 if wide else np.float32)


def states(rng: random.Random, first: bytes) -> bytes:
    whole = first + b"\n"
    return rng.choice([b"", whole, whole[: len(whole) // 2], b"#" * 2_000_000, rng.randbytes(2_000), *mutants(4)])


class Clap:
    def __init__(self, folder: Path, kind: str) -> None:
        self.library = ClapLibrary(folder / "tapeemu.clap")
        self.plugin: ClapPlugin = self.library.make(kind)
        self.knobs = list(self.plugin.knobs)
        self.save, self.load, self.end = self.plugin.save, self.plugin.load, self.plugin.end
        self.latency, self.tail, self.reset = self.plugin.latency, self.plugin.tail, self.plugin.reset
        self.off = self.plugin.deactivate

    def on(self, rate: float) -> None:
        self.plugin.activate(rate)

    def turn(self, knob: str, value: float) -> None:
        self.plugin.turn(knob, value)
        self.plugin.value_of(knob, self.plugin.text(knob, value))

    def play(self, made: Any, rng: random.Random) -> Any:
        place = rng.choice(PLACES)
        changes = [
            (rng.choice([0, 3, made.shape[1], 2**31]), rng.choice(self.knobs), rng.choice(WORDS)) for _ in range(3)
        ]
        made = made[: rng.choice([0, 1, 2, 2, 2])]
        if place is not None and abs(place) > 2**40:
            place = (2**31 - 1) * 47_999 * (1 if place > 0 else -1)
        return self.plugin.process(made, place=place, changes=changes, in_place=rng.random() < 0.5)

    def good(self) -> Any:
        return self.plugin.process(GOOD, place=0)


class Vst3:
    def __init__(self, folder: Path, kind: str) -> None:
        self.plugin = Vst3Plugin(folder, kind)
        self.knobs = ["bypass", "mix_percent", "seed", "drive_db", "track", "preset", "decay_seconds"]
        self.save, self.load, self.end = self.plugin.save, self.plugin.load, self.plugin.end
        self.latency, self.tail, self.reset = self.plugin.latency, self.plugin.tail, self.plugin.reset
        self.off = self.plugin.deactivate

    def on(self, rate: float) -> None:
        speakers = int(rate * 7) % 1_024 if rate == rate and abs(rate) < 1e6 else 0
        if self.plugin.set_buses([speakers], [speakers]):
            assert self.plugin.set_buses([3], [3])
        self.plugin.set_buses([], [3])
        with contextlib.suppress(AssertionError):
            self.plugin.activate(rate)

    def turn(self, knob: str, value: float) -> None:
        with contextlib.suppress(AssertionError):
            self.plugin.turn(knob, value)

    def play(self, made: Any, rng: random.Random) -> Any:
        changes = [
            (rng.choice([0, -5, 3, made.shape[1], 2**31 - 1]), rng.choice(self.knobs), rng.choice(WORDS))
            for _ in range(4)
        ]
        made = made[: rng.choice([0, 1, 2, 2, 2])]
        mode = rng.choice([0, 1, OFFLINE, 77])
        return self.plugin.process(
            made, place=rng.choice(PLACES), changes=changes, mode=mode, outputs=rng.choice([None, None, 0, 1, 5])
        )[0]

    def good(self) -> Any:
        return self.plugin.process(GOOD, place=0)[0]


class Lv2:
    def __init__(self, folder: Path, kind: str) -> None:
        self.plugin = Lv2Plugin(folder / "tapeemu.lv2", f"urn:tapeemu:{kind}")
        self.controls = dict(self.plugin.controls)
        self.first = {name: value.value for name, value in self.controls.items()}
        self.knobs = list(self.controls)
        self.end = self.plugin.end

    def save(self) -> bytes:
        return self.plugin.save()[KEY].removesuffix(b"\0")

    def load(self, state: bytes) -> bool:
        for name, value in self.first.items():
            self.controls[name].value = value
        return self.plugin.restore({KEY: state + b"\0"})

    def latency(self) -> float:
        return float(self.controls["latency"].value)

    tail = latency

    def reset(self) -> None:
        self.plugin.activate()  # some hosts do it twice

    def off(self) -> None:
        self.plugin.deactivate()

    def on(self, rate: float) -> None:
        self.plugin.activate()

    def turn(self, knob: str, value: float) -> None:
        self.controls[knob].value = value

    def play(self, made: Any, rng: random.Random) -> Any:
        place = rng.choice(PLACES)
        at = rng.choice([0, 5, made.shape[1], 2**40])
        positions = {} if place is None else {at: (place, rng.choice((0.0, 1.0, 1.0, -1.0, float("nan"))))}
        return self.plugin.run(made.astype(np.float32), positions)

    def good(self) -> Any:
        return self.plugin.run(GOOD, {0: (0, 1.0)})


def attack(folder: Path, number: int) -> None:
    rng = random.Random(number)
    host, kind = rng.choice([Clap, Vst3, Lv2]), rng.choice(KINDS)
    sys.stdout.write(f"{number} {host.__name__} {kind}\n")
    sys.stdout.flush()
    fresh = host(folder, kind)
    first = fresh.save()
    fresh.on(48_000.0)
    expected = fresh.good()
    fresh.off()
    fresh.end()
    plugin = host(folder, kind)
    helpers: list[threading.Thread] = []
    for _ in range(rng.randint(4, 14)):
        what = rng.randrange(8)
        if what == 0:
            plugin.on(rng.choice(RATES))
        elif what == 1:
            plugin.off()
        elif what == 2:
            plugin.turn(rng.choice(plugin.knobs), rng.choice(WORDS))
        elif what == 3:
            plugin.load(states(rng, first))
        elif what == 4:
            plugin.latency(), plugin.tail(), plugin.save()
        elif what == 5:
            plugin.reset()
        elif what == 6:  # the host's main thread keeps and brings states while its audio thread plays
            helpers.append(threading.Thread(target=lambda: (plugin.save(), plugin.load(first), plugin.save())))
            helpers[-1].start()
            plugin.play(audio(rng, False), rng)
            helpers[-1].join()
        else:
            wide = host is not Lv2 and rng.random() < 0.3
            out = plugin.play(audio(rng, wide), rng)
            assert not np.isnan(out).any() or host is Lv2, "no number came out"
    plugin.off()
    assert plugin.load(first)
    assert plugin.save() == first
    plugin.on(48_000.0)
    made = plugin.good()
    assert np.array_equal(made, expected), "it is not as it was"
    plugin.off()
    plugin.end()


if __name__ == "__main__":
    for number in range(int(sys.argv[2]), int(sys.argv[2]) + int(sys.argv[3])):
        attack(Path(sys.argv[1]), number)
    sys.stdout.write("done\n")
