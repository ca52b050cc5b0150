"""Progress across processes: what workers count is told by the process that waits for them."""

from pathlib import Path

from tapeemu.rendering.progress import Counters, counting


def test_what_is_counted_is_told_of_its_source_to_the_end() -> None:
    sources = [Path("a"), Path("b"), Path("a")]  # one input may become two results
    told: list[tuple[Path, int, int]] = []
    with Counters.shown(sources, lambda *report: told.append(report)) as counters:
        assert counters is not None
        counts = [counting(counters.place_of(number)) for number in range(3)]
        counts[0](Path("a"), 5, 10)
        counts[1](Path("b"), 2**40, 2**40 + 1)
        counts[2](Path("a"), 7, 7)
        counts[0](Path("a"), 10, 10)
    latest = dict.fromkeys(sources, (0, 0)) | {source: (done, of) for source, done, of in told}
    assert latest == {Path("a"): (7, 7), Path("b"): (2**40, 2**40 + 1)}
    assert (Path("a"), 10, 10) in told


def test_a_worker_that_outlives_the_run_counts_for_nobody() -> None:
    with Counters.shown([Path("a")], lambda *_: None) as counters:
        assert counters is not None
        late = counting(counters.place_of(0))
    late(Path("a"), 1, 2)  # the file is gone, which is no error


def test_nobody_who_looks_means_no_counters() -> None:
    with Counters.shown([Path("a")], None) as counters:
        assert counters is None
