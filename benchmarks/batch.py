"""A batch of 200 stems of 30 s through a shipped preset: two jobs against one, and what a file costs itself.

Bounds: two jobs at least 1.8 times as fast as one; less than 20 ms a file beyond processing; the same bits;
less than 2 ms a file to plan, and to resume, a batch of 100,000. `--stems`, `--seconds` and `--many` make it
shorter. Two free cores are needed for the first bound.
"""

import argparse
import hashlib
import json
import os
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from tapeemu.chain import Chain
from tapeemu.presets import load_preset
from tapeemu.rendering.batch import render_batch
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.journal import JOURNAL
from tapeemu.rendering.plan import BatchPlan, plan_batch

RATE = 48_000
PRESET = "hall-into-drive"


def make_stems(folder: Path, stems: int, seconds: float) -> None:
    """A few different ones, linked under many names."""
    rng = np.random.default_rng(1)
    folder.mkdir()
    samples = round(seconds * RATE)
    for number in range(4):
        tone = np.sin(np.arange(samples) * (0.01 + 0.013 * number))[:, None]
        audio = 0.2 * tone + 0.05 * rng.standard_normal((samples, 2))
        soundfile.write(folder / f"{number:03d}.wav", audio, RATE, "PCM_24")
    for number in range(4, stems):
        shutil.copyfile(folder / f"{number % 4:03d}.wav", folder / f"{number:03d}.wav")


def digest(folder: Path) -> str:
    total = hashlib.sha256()
    for path in sorted(folder.glob("*.wav")):
        total.update(path.read_bytes())
    return total.hexdigest()


def many(count: int) -> None:
    """Plan and resume a batch that is finished: tiny files, and the journal that its rendering would have left."""
    chain = Chain(stages=[])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        soundfile.write(folder / "one.wav", np.zeros((10, 1)), RATE, "PCM_16")
        sound = (folder / "one.wav").read_bytes()
        for number in range(count):
            path = folder / f"in/{number // 1000:03d}/{number:06d}.wav"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(sound)
        began = time.perf_counter()
        plan = plan_batch([folder / "in"], folder / "out")
        cost = 1000.0 * (time.perf_counter() - began) / count
        print(f"{count:,} files: {cost:.3f} ms a file to plan (bound 2)")
        first, *others = plan.items
        render_batch(BatchPlan(plan.folder, (first,)), chain)
        journal = folder / "out" / JOURNAL
        line = json.loads(journal.read_bytes())
        result = first.target.read_bytes()
        with journal.open("ab") as file:
            for item in others:
                item.target.parent.mkdir(parents=True, exist_ok=True)
                item.target.write_bytes(result)
                line["name"] = item.target.relative_to(plan.folder).as_posix()
                file.write(b"\n" + json.dumps(line).encode("ascii") + b"\n")
        for jobs in (1, 2):
            began = time.perf_counter()
            outcome = render_batch(plan, chain, resume=True, jobs=jobs)
            cost = 1000.0 * (time.perf_counter() - began) / count
            assert len(outcome.skipped) == count
            print(f"  {cost:.3f} ms a file to resume with {jobs} job(s) (bound 2)")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--stems", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--many", type=int, default=100_000)
    parser.add_argument("--only-many", action="store_true", help="plan and resume alone")
    chosen = parser.parse_args()
    many(chosen.many)
    if chosen.only_many:
        return
    chain = load_preset(PRESET).chain
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_stems(folder / "in", chosen.stems, chosen.seconds)
        chain(np.zeros((2, 1000)), sample_rate=RATE)  # compiled before the clock runs
        print(f"{chosen.stems} stems of {chosen.seconds:g} s, stereo {RATE} Hz, 24 bit, preset {PRESET!r}")
        took, digests = {}, set()
        for jobs in (1, 2):
            out = folder / f"out{jobs}"
            began = time.perf_counter()
            outcome = render_batch(
                plan_batch([folder / "in"], out), chain, jobs=jobs, delivery=Delivery(tail_seconds=1.0)
            )
            took[jobs] = time.perf_counter() - began
            assert not outcome.failures
            work = sum(report.render_seconds for report in outcome.reports)
            rate = chosen.stems * (chosen.seconds + 1.0) / took[jobs]
            print(f"  {jobs} job(s): {took[jobs]:7.1f} s, {rate:6.0f} x real time")
            if jobs == 1:
                print(f"  beyond rendering: {1000.0 * (took[1] - work) / chosen.stems:.2f} ms a file (bound 20)")
            digests.add(digest(out))
            shutil.rmtree(out)
        print(f"  two jobs are {took[1] / took[2]:.2f} times as fast as one (bound 1.8, {os.cpu_count()} cores)")
        print(f"  same bits: {len(digests) == 1}")

        # What a file costs that is not sound: files of a tenth of a second through an empty chain, against the
        # bare reading and writing of the same samples.
        make_stems(folder / "short", 200, 0.1)
        began = time.perf_counter()
        plan = plan_batch([folder / "short"], folder / "out")
        render_batch(plan, Chain(stages=[]))
        whole = time.perf_counter() - began
        began = time.perf_counter()
        for item in plan.items:
            audio, rate = soundfile.read(item.source)
            soundfile.write(folder / "bare.wav", audio, rate, "PCM_24")
        bare = time.perf_counter() - began
        cost = 1000.0 * (whole - bare) / 200
        print(f"  a file of next to no sound: {cost:.2f} ms beyond reading and writing (bound 20)")
        began = time.perf_counter()
        render_batch(plan, Chain(stages=[]), resume=True)
        cost = 1000.0 * (time.perf_counter() - began) / 200
        print(f"  a file that is left alone when a batch is resumed: {cost:.2f} ms")


if __name__ == "__main__":
    main()
