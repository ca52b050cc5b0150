"""Batches: who does the work, and what is left when it ends early."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from batches import CHAIN, contents, make, run

from tapeemu.chain import Chain
from tapeemu.errors import ParameterError
from tapeemu.processors.plugin_effect import PluginObject
from tapeemu.rendering.batch import BatchOutcome, _again, _Batch, _render_item, render_batch
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.job import Job
from tapeemu.rendering.journal import Journal
from tapeemu.rendering.plan import Item, plan_batch
from tapeemu.rendering.render import render_file

PRESET = """
format = 1
purpose = "Unsteady"
[[stages]]
kind = "wow_flutter"
"""


class TestRendering:
    def test_each_result_is_that_of_its_file_alone(self, tree: Path) -> None:
        outcome = run(tree, seed=3)
        assert [report.target.name for report in outcome.reports] == ["a.wav", "b.wav", "a.flac"]
        for report in outcome.reports:
            alone = tree / f"alone{report.target.suffix}"
            # The dither differs by the name of the file.
            alone = tree / "alone" / report.target.name
            alone.parent.mkdir(exist_ok=True)
            render_file(report.source, CHAIN, alone, seed=3, delivery=Delivery(overwrite=True))
            assert alone.read_bytes() == report.target.read_bytes()

    def test_a_failure_stops_nobody(self, tree: Path) -> None:
        (tree / "in/x/b.wav").write_bytes(b"RIFF")
        outcome = run(tree)
        assert [report.target.name for report in outcome.reports] == ["a.wav", "a.flac"]
        assert [failure.source.name for failure in outcome.failures] == ["b.wav"]

    def test_a_batch_of_nothing_does_nothing(self, tree: Path) -> None:
        plan = plan_batch([], tree / "out")
        assert render_batch(plan, CHAIN) == BatchOutcome()

    def test_jobs_do_not_change_a_bit(self, tree: Path) -> None:
        for number in range(5):
            make(tree / f"in/more/{number}.wav", 10 + number)
        make(tree / "in/bad.wav").write_bytes(b"no sound")
        delivery = Delivery(true_peak_dbtp=-3.0, overwrite=True)
        outcomes, results = [], []
        for jobs in (1, 2, 3):
            outcomes.append(run(tree, jobs=jobs, delivery=delivery))
            results.append(contents(tree / "out"))
            for name in results[-1]:
                (tree / "out" / name).unlink()
        assert len(results[0]) == 8
        assert results[0] == results[1] == results[2]
        for outcome in outcomes:
            assert [r.target for r in outcome.reports] == [r.target for r in outcomes[0].reports]
            assert [f.message for f in outcome.failures] == [f.message for f in outcomes[0].failures]

    @pytest.mark.parametrize("jobs", [1, 2])
    @pytest.mark.parametrize("wishes", [{}, {"true_peak_dbtp": -3.0, "keep_balance": True}], ids=["alone", "sum"])
    def test_progress_of_every_file_is_told_to_its_end(
        self, tree: Path, jobs: int, wishes: dict[str, Any]
    ) -> None:
        """From this process and from others."""
        make(tree / "in/long.wav", 5, samples=400_000)
        told: dict[str, list[tuple[int, int]]] = {}
        ended: list[Path] = []
        run(
            tree,
            jobs=jobs,
            delivery=Delivery(**wishes),
            progress=lambda source, done, of: told.setdefault(source.name, []).append((done, of)),
            finished=lambda item: ended.append(item.target),
        )
        assert {name: steps[-1] for name, steps in told.items()} == {
            **dict.fromkeys(("a.wav", "b.wav", "a.flac"), (4000, 4000)),
            "long.wav": (400_000, 400_000),
        }
        assert all(steps == sorted(steps) for steps in told.values())
        assert len(ended) == 4

    def test_the_balance_is_kept_whatever_the_jobs(self, tree: Path) -> None:
        delivery = Delivery(true_peak_dbtp=-3.0, keep_balance=True, overwrite=True)
        first = run(tree, delivery=delivery)
        before = contents(tree / "out")
        second = run(tree, delivery=delivery, jobs=2)
        assert contents(tree / "out") == before
        gains = {report.gain_db for report in (*first.reports, *second.reports)}
        assert len(gains) == 1
        total = sum(soundfile.read(report.target)[0][:4000] for report in first.reports)
        assert np.abs(total).max() < 10 ** (-2.9 / 20.0)
        assert run(tree, delivery=delivery, resume=True).skipped

    def test_without_one_file_there_is_no_balance(self, tree: Path) -> None:
        (tree / "in/x/b.wav").write_bytes(b"RIFF")
        outcome = run(tree, delivery=Delivery(true_peak_dbtp=-3.0, keep_balance=True))
        assert len(outcome.failures) == 3
        assert contents(tree / "out") == {}

    def test_objects_that_cannot_travel_are_refused(self, tree: Path) -> None:
        import threading

        lock = threading.Lock()

        def effect(audio: Any, sample_rate: float, reset: bool = False) -> Any:
            with lock:
                return audio

        chain = Chain(stages=[PluginObject(effect=effect)])
        with pytest.raises(ParameterError, match="one job"):
            run(tree, chain=chain, jobs=2)
        assert len(run(tree, chain=chain).reports) == 3

    @pytest.mark.skipif(sys.platform != "linux", reason="finds the processes by /proc")
    def test_a_worker_that_is_killed_costs_time_only(self, tree: Path) -> None:
        import threading

        for number in range(4):
            make(tree / f"in/more/{number}.wav", 10 + number, samples=200_000)
        stop = threading.Event()

        def kill_one() -> None:
            while not stop.wait(0.05):
                for pid in Path(f"/proc/{os.getpid()}/task").glob("*/children"):
                    for child in pid.read_text("ascii").split():
                        try:
                            command = Path(f"/proc/{child}/cmdline").read_bytes()
                        except OSError:
                            continue
                        if b"popen_loky" in command and list((tree / "out").rglob("*.part")):
                            os.kill(int(child), signal.SIGKILL)
                            return

        killer = threading.Thread(target=kill_one)
        killer.start()
        outcome = run(tree, jobs=2)
        stop.set()
        killer.join()
        assert len(outcome.reports) == 7
        assert not list((tree / "out").rglob("*.part"))


def test_workers_of_an_earlier_batch_stand_in_the_folder_of_this_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for place in ("one", "two"):
        for number in range(2):
            make(tmp_path / place / f"{number}.wav", number)
        monkeypatch.chdir(tmp_path / place)
        plan = plan_batch([Path("0.wav"), Path("1.wav")], Path("out"))
        assert not render_batch(plan, CHAIN, jobs=2).failures
        assert len(list((tmp_path / place / "out").glob("*.wav"))) == 2


def test_a_worker_ends_with_its_work_though_the_one_that_started_it_goes_on() -> None:
    """What watches for the death of the starter must not keep the worker from ending."""
    work = (
        "import os; from tapeemu.rendering.workers import _call\n"
        "print(_call('item', (dict,), os.getppid(), None, None))"
    )
    done = subprocess.run([sys.executable, "-c", work], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "('item', {'progress': None})\n"


def test_another_try_replaces_what_the_first_one_finished_and_no_stranger(tree: Path) -> None:
    """A process may be ended after its result took its name and before it could say so."""
    done = run(tree, jobs=1).reports[0]
    item = Item(done.source, done.target)
    batch = _Batch(
        job=Job(chain=CHAIN, delivery=Delivery()), journal=Journal(tree / "out"), digest="", resume=False
    )
    entry = batch.journal.read()[batch.name_of(item)]
    batch = replace(batch, digest=str(entry["settings"]))
    function, _, changed, *rest = _again(item, (_render_item, item, batch, None))
    assert (function, rest) == (_render_item, [None])
    assert changed.job.delivery.overwrite
    item.target.write_bytes(b"mine")
    assert _again(item, (_render_item, item, batch, None))[2] is batch
    item.target.unlink()
    assert _again(item, (_render_item, item, batch, None))[2] is batch


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize(
    ("how", "jobs"),
    [
        pytest.param(signal.SIGINT, "1", marks=pytest.mark.long),
        (signal.SIGTERM, "1"),
        pytest.param(signal.SIGTERM, "2", marks=pytest.mark.long),
        (signal.SIGKILL, "1"),
        pytest.param(signal.SIGKILL, "2", marks=pytest.mark.long),
    ],
)
def test_an_interrupted_batch_leaves_nothing_half_and_goes_on(tmp_path: Path, how: int, jobs: str) -> None:
    # Slow enough for the signal to come while the long one is under way, however busy the machine.
    slow = PRESET + 2 * '[[stages]]\nkind = "tape_magnetisation"\n'
    (tmp_path / "p.toml").write_text(slow, "utf-8")
    for number in range(3):
        make(tmp_path / f"in/{number}.wav", number, samples=1_200_000 if number == 2 else 4000)
    command = [sys.executable, "-m", "tapeemu", "process", "in", "-p", "p.toml", "-o", "out", "--jobs", jobs]
    running = subprocess.Popen(
        command,
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        # A test run in the background of a shell inherits an ignored Ctrl-C, which is then to be ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    deadline = time.monotonic() + 60.0
    # The long one is under way, the short ones are there.
    while time.monotonic() < deadline and not (
        (tmp_path / "out/0.wav").exists()
        and (tmp_path / "out/1.wav").exists()
        and any(part.stat().st_size > 100_000 for part in (tmp_path / "out").glob(".*.part"))
    ):
        assert running.poll() is None
        time.sleep(0.005)
    running.send_signal(how)
    _, errors = running.communicate(timeout=60)
    assert not (tmp_path / "out/2.wav").exists()
    assert {path.name for path in (tmp_path / "out").glob("*.wav")} == {"0.wav", "1.wav"}
    if how != signal.SIGKILL:
        assert running.returncode == 130
        assert "interrupted; no partial file was left" in errors
        assert "Traceback" not in errors
        assert not list((tmp_path / "out").glob(".*.part"))
    again = subprocess.run(
        [*command, "--resume", "--json"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    told = json.loads(again.stdout)
    if not (how == signal.SIGKILL and jobs == "2"):  # there, a worker may have outlived its master and finished
        assert again.returncode == 0
        assert len(told["skipped"]) == 2
    assert len(told["skipped"]) + len(told["rendered"]) == 3
    assert soundfile.info(tmp_path / "out/2.wav").frames >= 1_200_000
    assert not list((tmp_path / "out").glob(".*.part"))


def test_progress_is_drawn_on_a_terminal_only(tmp_path: Path) -> None:
    pty = pytest.importorskip("pty")
    (tmp_path / "p.toml").write_text(PRESET, "utf-8")
    make(tmp_path / "in/a.wav")
    command = [sys.executable, "-m", "tapeemu", "process", "in", "-p", "p.toml", "-o", "out"]
    quiet = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True)
    assert quiet.stderr == ""
    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "100"}
    drawn = subprocess.run(
        [*command, "--overwrite"], cwd=tmp_path, stderr=theirs, stdout=subprocess.PIPE, check=True, env=environment
    )
    os.close(theirs)
    parts = []
    while True:  # a terminal gives what it has, cut anywhere, and an error at its end
        try:
            part = os.read(ours, 100_000)
        except OSError:
            break
        if not part:
            break
        parts.append(part)
    seen = b"".join(parts).decode()
    os.close(ours)
    assert "files" in seen
    assert "left" in seen
    assert "Rendered" in drawn.stdout.decode()


CLUSTER = """
import sys, json
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
"""


def test_a_cluster_in_this_process_makes_the_same_bits(
    tmp_path: Path, run: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    distributed = pytest.importorskip("distributed")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "p.toml").write_text(PRESET, "utf-8")
    for number in range(2):
        make(tmp_path / f"in/{number}.wav", number)
    make(tmp_path / "in/bad.wav").write_bytes(b"no sound")
    command = ["process", "in", "-p", "p.toml", "-o"]
    run(*command, "alone", status=3)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        told = run(*command, "shared", "--cluster", cluster.scheduler_address, status=3)
    assert "1 of 3 failed, 2 done" in told
    assert len(contents(tmp_path / "shared")) == 2
    assert contents(tmp_path / "alone") == contents(tmp_path / "shared")


@pytest.mark.long
def test_a_cluster_of_two_workers_makes_the_same_bits(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    (tmp_path / "cluster.py").write_text(CLUSTER, "utf-8")
    (tmp_path / "p.toml").write_text(PRESET, "utf-8")
    for number in range(4):
        make(tmp_path / f"in/x/{number}.wav", number)
    make(tmp_path / "in/bad.wav").write_bytes(b"no sound")
    cluster = subprocess.Popen(
        [sys.executable, "cluster.py"],
        cwd=tmp_path,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert cluster.stdout is not None
    try:
        address = cluster.stdout.readline().strip()
        command = [sys.executable, "-m", "tapeemu", "process", "in", "-p", "p.toml", "-o"]
        alone = subprocess.run([*command, "alone"], cwd=tmp_path, capture_output=True, text=True, check=False)
        shared = subprocess.run(
            [*command, "shared", "--cluster", address], cwd=tmp_path, capture_output=True, text=True, check=False
        )
    finally:
        cluster.communicate("", timeout=60)
        cluster.stdout.close()
    assert (alone.returncode, shared.returncode) == (3, 3), shared.stderr
    assert "1 of 5 failed, 4 done" in shared.stderr
    assert len(contents(tmp_path / "shared")) == 4
    assert contents(tmp_path / "alone") == contents(tmp_path / "shared")
