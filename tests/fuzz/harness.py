"""Fuzzing: whatever bytes stand in a preset or a sound file, only errors of our own come out, in time.

    python tests/fuzz/harness.py presets --minutes 10
    python tests/fuzz/harness.py sound-files --minutes 10

Guided by coverage where atheris is installed, by random mutation of good files otherwise. A finding ends
the run with a traceback (or, from the C library, with a crash) and leaves its input in `findings/`.
"""

import argparse
import faulthandler
import importlib.util
import io
import os
import random
import struct
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from tapeemu.errors import TapeemuError
from tapeemu.files.reader import AudioReader
from tapeemu.files.riff_chunks import carried_chunks
from tapeemu.presets import load_preset

ROOT = Path(__file__).parent.parent.parent
SUFFIXES = (".wav", ".aiff", ".flac", ".ogg", ".mp3", ".caf", ".au", ".w64")
MOST_BLOCKS = 64
_WORDS = (
    b"[[stages]]\n",
    b"kind = ",
    b"nan",
    b"inf",
    b"-1",
    b"1e308",
    b"0x",
    b'"""',
    b"[",
    b"{",
    b"'",
    b"\n",
    b"= ",
)


def one_preset(data: bytes, folder: Path) -> None:
    """A preset file of these bytes is a chain, or is refused in words."""
    path = folder / "fuzzed.toml"
    path.write_bytes(data)
    try:
        chain = load_preset(path).chain
    except TapeemuError:
        return
    assert type(chain).from_dict(chain.to_dict()) == chain


def one_sound_file(data: bytes, folder: Path) -> None:
    """A sound file of these bytes is read to its end, or is refused in words."""
    suffix = SUFFIXES[data[0] % len(SUFFIXES)] if data else ".wav"
    path = folder / f"fuzzed{suffix}"
    path.write_bytes(data[1:])
    try:
        with AudioReader(path) as reader:
            assert all(isinstance(text, str) for text in reader.tags.values())
            for number, block in enumerate(reader.blocks(4096)):
                assert np.all(np.isfinite(block))
                if number == MOST_BLOCKS:
                    break
        assert sum(len(body) for _, body in carried_chunks(path)) <= len(data)
    except TapeemuError:
        return


TARGETS = {"presets": one_preset, "sound-files": one_sound_file}


def seeds(target: str) -> list[bytes]:
    """Good inputs to begin with."""
    if target == "presets":
        return [path.read_bytes() for path in sorted((ROOT / "presets").glob("*.toml"))]
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, (600, 2))
    found = []
    for container, subtype, suffix in (
        ("WAV", "PCM_16", ".wav"),
        ("WAV", "FLOAT", ".wav"),
        ("WAVEX", "PCM_24", ".wav"),
        ("RF64", "PCM_16", ".wav"),
        ("WAV", "IMA_ADPCM", ".wav"),
        ("AIFF", "PCM_16", ".aiff"),
        ("FLAC", "PCM_16", ".flac"),
        ("OGG", "VORBIS", ".ogg"),
        ("OGG", "OPUS", ".ogg"),
        ("MP3", "MPEG_LAYER_III", ".mp3"),
        ("CAF", "PCM_16", ".caf"),
        ("AU", "PCM_16", ".au"),
        ("W64", "PCM_16", ".w64"),
    ):
        buffer = io.BytesIO()
        soundfile.write(buffer, audio, 48_000, subtype, format=container)
        found.append(bytes([SUFFIXES.index(suffix)]) + buffer.getvalue())
    chunk = b"bext" + struct.pack("<I", 602) + bytes(602) + b"cue " + struct.pack("<I", 28) + bytes(28)
    found.append(found[0] + chunk)
    return found


def mutated(data: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """The same with a few bytes changed, cut, doubled, swapped, or spliced with another input."""
    work = bytearray(data)
    for _ in range(chance.choice([1, 1, 2, 4, 16])):
        place = chance.randrange(len(work) + 1)
        length = chance.choice([1, 2, 4, 8, 64])
        kind = chance.randrange(7)
        if kind == 0 and work:
            work[place % len(work)] = chance.randrange(256)
        elif kind == 1:
            value = chance.choice([0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF])
            piece = value.to_bytes(4, chance.choice(["little", "big"]))
            work[place : place + 4] = piece
        elif kind == 2:
            del work[place : place + length]
        elif kind == 3:
            work[place:place] = work[place : place + length]
        elif kind == 4:
            del work[place:]
        elif kind == 5:
            work[place:place] = chance.choice(_WORDS)
        else:
            other = chance.choice(others)
            start = chance.randrange(len(other) + 1)
            work[place:] = other[start:]
    return bytes(work[:200_000])


def run_mutations(target: str, minutes: float, findings: Path) -> int:
    """Random mutation until the time is over; the number of inputs tried."""
    chance = random.Random()
    good = seeds(target)
    pool = list(good)
    ends = time.monotonic() + 60.0 * minutes
    tried = 0
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() < ends:
            data = mutated(chance.choice(pool), chance, good)
            (findings / "last").write_bytes(data)  # a crash of the C library leaves this
            began = time.monotonic()
            TARGETS[target](data, Path(folder))
            assert time.monotonic() - began < 20.0, "took too long"
            tried += 1
            if chance.random() < 0.02:
                pool = [*pool[-200:], data]
    (findings / "last").unlink()
    return tried


def run_guided(target: str, minutes: float, findings: Path) -> None:
    """Coverage-guided; ends the process itself."""
    import atheris

    corpus = tempfile.mkdtemp()
    for number, data in enumerate(seeds(target)):
        Path(corpus, str(number)).write_bytes(data)
    folder = Path(tempfile.mkdtemp())
    atheris.instrument_all()
    options = [f"-max_total_time={round(60 * minutes)}", "-timeout=20", "-rss_limit_mb=2048", "-max_len=200000"]
    options += [f"-artifact_prefix={findings}{os.sep}", "-print_final_stats=1", "-close_fd_mask=2"]
    atheris.Setup([sys.argv[0], corpus, *options], lambda data: TARGETS[target](data, folder))
    atheris.Fuzz()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--unguided", action="store_true", help="random mutation even if atheris is there")
    chosen = parser.parse_args()
    faulthandler.enable()
    findings = Path(__file__).parent / "findings"
    findings.mkdir(exist_ok=True)
    if importlib.util.find_spec("atheris") and not chosen.unguided:
        run_guided(chosen.target, chosen.minutes, findings)
    else:
        tried = run_mutations(chosen.target, chosen.minutes, findings)
        sys.stdout.write(f"{tried} inputs without a finding\n")


if __name__ == "__main__":
    main()
