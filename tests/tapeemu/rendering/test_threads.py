"""One task for many things: how many at a time, and in which order they come back."""

import threading

import joblib

from tapeemu.rendering.threads import in_threads


def test_no_number_of_jobs_is_one_per_core() -> None:
    together = threading.Barrier(min(joblib.cpu_count(), 2))
    in_threads(together.wait, [(20.0,), (20.0,)], jobs=0)  # broken after 20 s where nobody else arrives


def test_results_stand_in_the_order_of_the_arguments() -> None:
    second_began = threading.Event()

    def task(number: int) -> int:
        if number == 0:
            second_began.wait(20.0)
        else:
            second_began.set()
        return 10 * number

    assert in_threads(task, [(0,), (1,)], jobs=2) == [0, 10]
