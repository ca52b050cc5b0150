"""What has seeds is sent each of them; what has none is sent once."""

from typing import Any

import numpy as np
import pytest

from measure.keys import slow_sweep_figures
from measure.standard_set.systems import seeded_pairs


class Seeded:
    def __init__(self, seed: int = 0) -> None:
        self.seed = seed

    def with_seed(self, seed: int) -> "Seeded":
        return Seeded(seed)

    def __call__(self, audio: Any, sample_rate: float) -> Any:
        return audio + self.seed


def test_pairs_of_tracks_are_sent_through_each_seed_or_through_what_has_none() -> None:
    audio = np.zeros((2, 4))
    assert [np.max(each(audio, 48_000.0)) for each in seeded_pairs(Seeded(), (3, 5))] == [3.0, 5.0]
    (plain,) = seeded_pairs(lambda audio, _rate: audio + 7.0, (3, 5))
    assert np.max(plain(audio, 48_000.0)) == 7.0


def test_a_response_is_told_at_round_frequencies() -> None:
    """One below and one above the reference of 1 kHz by a decade, and one beyond each (own choice)."""

    class Response:
        low_edge = high_edge = bump_frequency = bump_height = magnitude = None
        at = staticmethod(float)

    readings: dict[str, Any] = dict(slow_sweep_figures(Response())[0])  # type: ignore[arg-type]
    told = {key: value for key, value in readings.items() if key.startswith("response")}
    assert told == {f"response_{hz}hz_db": pytest.approx(hz) for hz in (40, 100, 10_000, 16_000)}
