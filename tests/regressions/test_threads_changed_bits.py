"""Designs solved by the matrix library had other bits with 2 threads than with 1."""

import contextlib
import os
import pickle
import subprocess
import sys
import types
from typing import Any, Literal, Union, get_args, get_origin

import numpy as np
from dummy_processors import Hiss, PreEcho
from random_chains import limits

from tapeemu.errors import ParameterError
from tapeemu.processor import Processor, Settings
from tapeemu.processors import processor_kinds

RATE = 48_000


SHIPPED = {
    kind: made for kind, made in processor_kinds().items() if kind not in ("plugin_effect", "plugin_object")
}


KINDS: dict[str, type[Processor]] = {**SHIPPED, Hiss.kind: Hiss, PreEcho.kind: PreEcho}


def any_value(annotation: Any, metadata: Any, rng: np.random.Generator) -> Any:
    """A value of a type within declared limits, as `values`, from a generator."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin in (Union, types.UnionType):
        return any_value(arguments[rng.integers(len(arguments))], metadata, rng)
    if origin is Literal:
        return arguments[rng.integers(len(arguments))]
    if origin is tuple:
        if arguments[-1] is Ellipsis:
            return tuple(any_value(arguments[0], (), rng) for _ in range(rng.integers(3)))
        return tuple(sorted(float(value) for value in np.exp(rng.uniform(-3.0, 8.0, len(arguments)))))
    if annotation is type(None):
        return None
    if annotation is bool:
        return bool(rng.integers(2))
    low, high = limits(metadata)
    if annotation is int:
        return int(rng.integers(int(low or 0), int(high if high is not None and high < 2**62 else 2**31)))
    if annotation is float:
        return float(rng.uniform(-1e3 if low is None else low, 1e3 if high is None else high))
    return any_settings(annotation, rng)


def any_settings(made: type[Settings], rng: np.random.Generator) -> Settings:
    """Settings that are accepted, half of them left out."""
    while True:
        chosen = {
            name: any_value(field.annotation, field.metadata, rng)
            for name, field in made.model_fields.items()
            if field.is_required() or rng.integers(2)
        }
        with contextlib.suppress(ParameterError):
            processor = made(**chosen)
            if isinstance(processor, Processor):  # a head may have fewer tracks than the sound has channels
                processor.stream(sample_rate=RATE, channels=2).close()
            return processor


DIGESTS = """
import hashlib, pickle, sys, numpy as np
from tapeemu.rendering.loudness import LevelMeter
audio = np.random.default_rng(1).uniform(-0.3, 0.3, (2, 3_000))
for processor, rate in pickle.load(sys.stdin.buffer):
    print(hashlib.sha256(processor(audio, sample_rate=rate).tobytes()).hexdigest())
meter = LevelMeter(sample_rate=48_000, channels=2)
meter.add(np.tile(audio, 10))
print(meter.integrated_lufs.hex())
"""


def test_threads_of_the_matrix_library_do_not_change_a_bit() -> None:
    """It adds in another order on another number of threads, and a process of a batch has fewer of them."""
    rng = np.random.default_rng(1)
    cases: list[tuple[Settings, int]] = []
    for made in SHIPPED.values():
        cases.append((made(), RATE))
        cases += [(any_settings(made, rng), rate) for rate in (44_100, 48_000, 96_000) for _ in range(2)]
    for random_db in (2.0, 7.0):
        spacing = KINDS["amplitude_flutter"](mode="spacing", random_db=random_db)
        cases += [(spacing, rate) for rate in (44_100, 48_000, 96_000)]
    printed = [
        subprocess.run(
            [sys.executable, "-c", DIGESTS],
            env={**os.environ, "OPENBLAS_NUM_THREADS": threads, "OMP_NUM_THREADS": threads},
            input=pickle.dumps(cases),
            capture_output=True,
            check=True,
        ).stdout.splitlines()
        for threads in ("1", "3")
    ]
    assert len(printed[0]) == len(cases) + 1
    for number, digests in enumerate(zip(*printed, strict=True)):
        assert len(set(digests)) == 1, repr(cases[number]) if number < len(cases) else "loudness"
