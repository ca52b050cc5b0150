"""Batches: what is taken, what it is called, who does it, and going on after an end of any sort."""

import hashlib
import json
import os
import pickle
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import tapeemu
from tapeemu.chain import Chain
from tapeemu.errors import OutputError, ParameterError
from tapeemu.processors.plugin_effect import PluginObject
from tapeemu.rendering.batch import BatchOutcome, render_batch
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.journal import JOURNAL
from tapeemu.rendering.plan import BatchPlan, Item, plan_batch
from tapeemu.rendering.render import render_file

RATE = 48_000
CHAIN = Chain(stages=[tapeemu.WowFlutter(seed=5), tapeemu.PreampDrive(drive_db=3.0)])
DRY = Chain(stages=[])
PRESET = """
format = 1
purpose = "Unsteady"
[[stages]]
kind = "wow_flutter"
"""


def make(path: Path, seed: int = 1, samples: int = 4000) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    audio = np.random.default_rng(seed).uniform(-0.3, 0.3, (samples, 2))
    soundfile.write(path, audio, RATE, "PCM_24")
    return path


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """in/a.wav, in/x/b.wav, in/x/y/a.flac, and things that are not sound files."""
    for number, name in enumerate(("a.wav", "x/b.wav", "x/y/a.flac")):
        make(tmp_path / "in" / name, number)
    (tmp_path / "in/notes.txt").write_text("not a sound", "utf-8")
    (tmp_path / "in/.hidden.wav").write_bytes(b"")
    (tmp_path / "in/.git").mkdir()
    (tmp_path / "in/.git/c.wav").write_bytes(b"")
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != JOURNAL
    }


def run(tree: Path, **options: Any) -> BatchOutcome:
    delivery = options.get("delivery")
    chain = options.pop("chain", CHAIN)
    return render_batch(plan_batch([tree / "in"], tree / "out", delivery=delivery), chain, **options)


class TestPlan:
    def targets(self, tree: Path, *inputs: str, **delivery: Any) -> list[str]:
        plan = plan_batch([tree / name for name in inputs], tree / "out", delivery=Delivery(**delivery))
        assert not plan.failures
        return [item.target.relative_to(tree / "out").as_posix() for item in plan.items]

    def test_folders_keep_their_sub_folders(self, tree: Path) -> None:
        assert self.targets(tree, "in") == ["a.wav", "x/b.wav", "x/y/a.flac"]
        assert self.targets(tree, "in/x") == ["b.wav", "y/a.flac"]

    def test_patterns_keep_what_is_below_their_fixed_part(self, tree: Path) -> None:
        assert self.targets(tree, "in/*.wav") == ["a.wav"]
        assert self.targets(tree, "in/**/*.wav") == ["a.wav", "x/b.wav"]
        assert self.targets(tree, "in/x/*/?.fl[a-c]c") == ["y/a.flac"]

    def test_files_come_by_their_name(self, tree: Path) -> None:
        assert self.targets(tree, "in/x/y/a.flac", "in/a.wav") == ["a.flac", "a.wav"]

    def test_the_container_decides_the_suffix(self, tree: Path) -> None:
        assert self.targets(tree, "in", container="aiff") == ["a.aiff", "x/b.aiff", "x/y/a.aiff"]

    def test_a_file_named_twice_is_done_once(self, tree: Path) -> None:
        assert self.targets(tree, "in", "in/a.wav", "in/*.wav") == ["a.wav", "x/b.wav", "x/y/a.flac"]

    def test_results_of_an_earlier_batch_are_no_input(self, tree: Path) -> None:
        make(tree / "in/out/old.wav")
        plan = plan_batch([tree / "in", tree / "in/**/*.wav"], tree / "in/out")
        assert not [item for item in plan.items if "old" in item.source.name]

    def test_a_name_with_brackets_is_a_name_first(self, tree: Path) -> None:
        make(tree / "in/b[1].wav")
        assert self.targets(tree, "in/b[1].wav") == ["b[1].wav"]

    def test_collisions_are_found(self, tree: Path) -> None:
        with pytest.raises(ParameterError, match="would both become"):
            self.targets(tree, "in/a.wav", "in/x/y/a.flac", container="wav")
        make(tree / "more/a.wav")
        with pytest.raises(ParameterError, match="would both become"):
            self.targets(tree, "in", "more")

    def test_no_result_lands_on_an_input(self, tree: Path) -> None:
        with pytest.raises(OutputError, match="is an input"):
            plan_batch([tree / "in/a.wav"], tree / "in")
        make(tree / "out/a.wav")
        with pytest.raises(OutputError, match="is an input"):
            plan_batch([tree / "in/x/b.wav", tree / "in/a.wav", tree / "out/a.wav"], tree / "out")

    def test_links_to_folders_are_not_walked_in_circles(self, tree: Path) -> None:
        (tree / "in/x/loop").symlink_to(tree / "in")
        assert self.targets(tree, "in") == ["a.wav", "x/b.wav", "x/y/a.flac"]


class TestInside:
    """No result lies outside the output folder, whatever inputs and links are called."""

    @pytest.mark.parametrize(
        "pattern", ["in/x/*/../../*.wav", "in/*/../../in/a.wav", "in/**/../a.wav", "in/*/../x/*.wav"]
    )
    def test_patterns_may_not_go_up_behind_a_wildcard(self, tree: Path, pattern: str) -> None:
        with pytest.raises(ParameterError, match="goes up"):
            plan_batch([tree / pattern], tree / "deep/er/out")
        assert not (tree / "deep").exists()

    @pytest.mark.parametrize("wish", ["in/x/../*.wav", "in/../in/x/../a.wav", "./in/x/../*.wav"])
    def test_they_may_before_it(self, tree: Path, wish: str) -> None:
        plan = plan_batch([f"{tree}/{wish}"], tree / "out")
        assert [item.target for item in plan.items] == [tree / "out/a.wav"]

    def test_folders_that_go_up_are_folders(self, tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(tree / "in/x")
        for wish in ("..", "../../in", "y/../.."):
            targets = [item.target.as_posix() for item in plan_batch([wish], "../../out").items]
            assert targets == ["../../out/a.wav", "../../out/x/b.wav", "../../out/x/y/a.flac"]

    @pytest.mark.parametrize("name", ["...wav", "...", "..wav", "....", "..a", "-..wav"])
    @pytest.mark.parametrize("container", [None, "wav", "flac"])
    def test_names_of_dots_are_names(self, tree: Path, name: str, container: str | None) -> None:
        (tree / "in/a.wav").rename(tree / "in" / name)
        plan = plan_batch([tree / "in" / name], tree / "out", delivery=Delivery(container=container))
        (item,) = plan.items
        assert item.target.parent == tree / "out"
        assert item.target.name.startswith(Path(name).stem)
        assert item.target.name not in (".", "..")

    @pytest.mark.parametrize("wish", ["nowhere/..", "in/a.wav/..", "in/x*/.."])
    def test_the_parent_of_nothing_is_no_file(self, tree: Path, wish: str) -> None:
        plan = plan_batch([f"{tree}/{wish}", tree / "in/a.wav"], tree / "out")
        assert [item.target for item in plan.items] == [tree / "out/a.wav"]
        assert "not an existing folder" in plan.failures[0].message

    def test_a_link_does_not_lead_out(self, tree: Path) -> None:
        (tree / "secret").mkdir()
        (tree / "out").mkdir()
        (tree / "out/x").symlink_to(tree / "secret")
        with pytest.raises(OutputError, match="outside"):
            plan_batch([tree / "in"], tree / "out")
        assert not list((tree / "secret").iterdir())
        (tree / "out/x").unlink()
        (tree / "out/z").mkdir()
        (tree / "out/x").symlink_to(tree / "out/z")
        assert len(plan_batch([tree / "in"], tree / "out").items) == 3
        # The folder itself may be a link.
        (tree / "door").symlink_to(tree / "secret")
        assert len(plan_batch([tree / "in"], tree / "door").items) == 3

    @pytest.mark.parametrize(
        "target", ["out/../a.wav", "a.wav", "out/x/../../a.wav", "out/..", "/a.wav", "outer/a.wav"]
    )
    def test_a_plan_made_by_hand_is_held_to_it(self, tree: Path, target: str) -> None:
        with pytest.raises(OutputError, match="outside"):
            BatchPlan(tree / "out", (Item(tree / "in/a.wav", tree / target),))


class TestManyFiles:
    """What a batch costs beside sound grows as the number of its files."""

    def known(self, tree: Path, count: int) -> None:
        """A journal of an earlier, larger batch."""
        line = {"settings": "0" * 64, "source": "0" * 64, "target": "0" * 64}
        with (tree / "out" / JOURNAL).open("ab") as file:
            for number in range(count):
                file.write(b"\n" + json.dumps({"name": f"older/{number}.wav", **line}).encode("ascii") + b"\n")

    def test_a_task_carries_its_own_line_of_the_journal_alone(
        self, tree: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Bytes sent to a worker, with 3 and with 3,000 lines in the journal."""
        sizes = []

        def counted(self: Any, tasks: dict[Item, Any], finished: Any) -> dict[Item, Any]:
            sizes.append([len(pickle.dumps(task)) for task in tasks.values()])
            return {item: item for item in tasks}

        run(tree)
        monkeypatch.setattr("tapeemu.rendering.workers.Workers.run", counted)
        run(tree, resume=True)
        self.known(tree, 3000)
        run(tree, resume=True)
        assert sizes[1] == sizes[0]
        assert max(sizes[0]) < 10_000

    def test_a_name_is_looked_at_a_fixed_number_of_times(
        self, tree: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Questions to the file system while a batch is planned: twice the files, at most twice as many."""
        asked: list[int] = []
        real = os.path.realpath

        def counted(*arguments: Any, **options: Any) -> Any:
            asked[-1] += 1
            return real(*arguments, **options)

        monkeypatch.setattr(os.path, "realpath", counted)
        for count in (50, 100):
            asked.append(0)
            for number in range(count):
                make(tree / str(count) / f"{number}.wav", samples=10)
            plan_batch([tree / str(count)], tree / "out")
        assert asked[1] <= 2 * asked[0]


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

    def test_nothing_to_do(self, tree: Path) -> None:
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


class TestJournal:
    """The journal is what docs/files.md and `--help` say of it."""

    def test_each_line_has_the_keys_that_are_documented(self, tree: Path) -> None:
        text = (Path(__file__).parents[3] / "docs/files.md").read_text("utf-8").split("## The journal")[1]
        documented = re.findall(r"^\| `(\w+)` \|", text.split("\n## ")[0], re.MULTILINE)
        run(tree)
        lines = [line for line in (tree / "out" / JOURNAL).read_bytes().split(b"\n") if line]
        assert [list(json.loads(line)) for line in lines] == 3 * [documented]

    def test_the_sums_are_those_of_the_files(self, tree: Path) -> None:
        run(tree)
        entries = [json.loads(line) for line in (tree / "out" / JOURNAL).read_bytes().split(b"\n") if line]
        assert [entry["name"] for entry in entries] == ["a.wav", "x/b.wav", "x/y/a.flac"]
        for entry in entries:
            for key, folder in (("source", "in"), ("target", "out")):
                assert entry[key] == hashlib.sha256((tree / folder / entry["name"]).read_bytes()).hexdigest()
        assert len({entry["settings"] for entry in entries}) == 1

    def test_the_help_names_them(self) -> None:
        from inspect import signature

        from tapeemu.cli.process import process

        told = signature(process).parameters["resume"].default.help
        assert all(word in told for word in (JOURNAL, "name", "settings", "source", "target", "SHA-256"))


class TestResume:
    def test_what_is_done_is_left_alone_and_the_rest_is_done(self, tree: Path) -> None:
        run(tree)
        before = contents(tree / "out")
        stamps = {name: (tree / "out" / name).stat().st_mtime_ns for name in before}
        (tree / "out/a.wav").unlink()
        make(tree / "in/new.wav", 9)
        outcome = run(tree, resume=True)
        assert [item.target.name for item in outcome.skipped] == ["b.wav", "a.flac"]
        assert [report.target.name for report in outcome.reports] == ["a.wav", "new.wav"]
        after = contents(tree / "out")
        assert {name: after[name] for name in before} == before
        for name in ("x/b.wav", "x/y/a.flac"):
            assert (tree / "out" / name).stat().st_mtime_ns == stamps[name]

    def test_without_it_existing_files_are_failures(self, tree: Path) -> None:
        run(tree)
        outcome = run(tree)
        assert len(outcome.failures) == 3
        assert all("exists" in failure.message for failure in outcome.failures)

    @pytest.mark.parametrize("what", ["input", "settings", "delivery", "seed", "start", "result"])
    def test_what_has_changed_is_told_and_replaced_only_if_allowed(self, tree: Path, what: str) -> None:
        run(tree)
        options: dict[str, Any] = {}
        if what == "input":
            make(tree / "in/a.wav", 77)
        elif what == "settings":
            options["chain"] = CHAIN.with_setting("preamp_drive", "drive_db", 4.0)
        elif what == "delivery":
            options["delivery"] = Delivery(tail_seconds=0.1)
        elif what == "seed":
            options["seed"] = 1
        elif what == "start":
            options["start_seconds"] = 1.0
        else:
            make(tree / "out/a.wav", 77)
        before = contents(tree / "out")
        refused = run(tree, resume=True, **options)
        assert contents(tree / "out") == before
        assert {failure.source.name for failure in refused.failures} >= {"a.wav"}
        assert "have changed since" in refused.failures[0].message
        options["delivery"] = options.get("delivery", Delivery()).replace(overwrite=True)
        assert not run(tree, resume=True, **options).failures
        assert contents(tree / "out")["a.wav"] != before["a.wav"]
        assert len(run(tree, resume=True, **options).skipped) == 3

    @pytest.mark.parametrize("overwrite", [False, True])
    def test_with_the_balance_kept_a_changed_neighbour_changes_all(self, tree: Path, overwrite: bool) -> None:
        """The common gain hangs on every input, so no result may stay when one of them is another."""
        delivery = Delivery(true_peak_dbtp=-3.0, keep_balance=True)
        run(tree, delivery=delivery)
        before = contents(tree / "out")
        louder = 3.0 * soundfile.read(tree / "in/a.wav")[0]
        soundfile.write(tree / "in/a.wav", louder, RATE, "PCM_24")
        again = run(tree, delivery=delivery.replace(overwrite=overwrite), resume=True)
        assert not again.skipped
        if not overwrite:
            assert contents(tree / "out") == before
            assert {failure.source.name for failure in again.failures} == {"a.wav", "b.wav", "a.flac"}
            assert all("have changed since" in failure.message for failure in again.failures)
        else:
            after = contents(tree / "out")
            assert all(after[name] != before[name] for name in before)
            assert len({report.gain_db for report in again.reports}) == 1

    def test_a_file_changed_within_its_size_and_time_is_noticed(self, tree: Path) -> None:
        run(tree)
        status = (tree / "in/a.wav").stat()
        make(tree / "in/a.wav", 78)
        os.utime(tree / "in/a.wav", ns=(status.st_atime_ns, status.st_mtime_ns))
        assert len(run(tree, resume=True).failures) == 1

    @pytest.mark.parametrize(
        "damage",
        [
            b"",
            b"\xff\xfe\x00 not a journal",
            b"[1, 2]\n3\nnull\n{}\n",
            b'{"name": 7}\n',
            b"[" * 100_000,
            b'{"name": "../../../etc/passwd", "settings": "x", "source": "x", "target": "x"}\n',
        ],
    )
    def test_a_damaged_journal_only_forgets(self, tree: Path, damage: bytes) -> None:
        run(tree)
        before = contents(tree / "out")
        (tree / "out" / JOURNAL).write_bytes(damage)
        assert len(run(tree, resume=True).failures) == 3
        assert contents(tree / "out") == before

    def test_a_journal_cut_off_in_its_last_line_loses_that_line(self, tree: Path) -> None:
        run(tree)
        journal = tree / "out" / JOURNAL
        journal.write_bytes(journal.read_bytes()[:-20])
        outcome = run(tree, resume=True)
        assert (len(outcome.skipped), len(outcome.failures)) == (2, 1)
        (tree / "out/x/y/a.flac").unlink()
        run(tree, resume=True)
        assert len(run(tree, resume=True).skipped) == 3

    def test_a_long_journal_is_made_short(self, tree: Path) -> None:
        run(tree)
        journal = tree / "out" / JOURNAL
        journal.write_bytes(journal.read_bytes() * 50)
        assert len(run(tree, resume=True).skipped) == 3
        assert len(journal.read_bytes().split(b"\n\n")) < 10

    def test_parts_of_a_dead_run_are_swept(self, tree: Path) -> None:
        stray = tree / "out/x/.tapeemu-0123456789abcdef.part"
        stray.parent.mkdir(parents=True)
        stray.write_bytes(b"half a file")
        run(tree)
        assert not stray.exists()


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize(
    ("how", "jobs"),
    [
        (signal.SIGINT, "1"),
        (signal.SIGTERM, "1"),
        (signal.SIGTERM, "2"),
        (signal.SIGKILL, "1"),
        (signal.SIGKILL, "2"),
    ],
)
def test_an_interrupted_batch_leaves_nothing_half_and_goes_on(tmp_path: Path, how: int, jobs: str) -> None:
    # Slow enough for the signal to come while the long one is under way, however busy the machine.
    slow = PRESET + 2 * '[[stages]]\nkind = "tape_magnetisation"\n'
    (tmp_path / "p.toml").write_text(slow, "utf-8")
    for number in range(3):
        make(tmp_path / f"in/{number}.wav", number, samples=3_000_000 if number == 2 else 4000)
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
    assert soundfile.info(tmp_path / "out/2.wav").frames >= 3_000_000
    assert not list((tmp_path / "out").glob(".*.part"))


def test_progress_is_drawn_on_a_terminal_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
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
    seen = os.read(ours, 100_000).decode()
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
