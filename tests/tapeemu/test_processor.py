"""What a stream is that says nothing of itself."""

from tapeemu.processor import Stream
from tapeemu.validation import FloatArray


class Wire(Stream):
    def advance(self, block: FloatArray) -> FloatArray:
        return block.copy()


def test_a_stream_without_memory_has_no_ends() -> None:
    wire = Wire(sample_rate=48_000, channels=1)
    for level_db in (-60.0, -120.0, 0.0):
        assert (wire.tail_samples(level_db), wire.lead_samples(level_db)) == (0, 0)
    assert (wire.tail_samples(), wire.lead_samples(), wire.run_in_samples(), wire.latency) == (0, 0, 0, 0)


class Lingering(Wire):
    """An answer that falls by 1 dB a sample, and is 7 samples late."""

    latency = 7

    def tail_samples(self, level_db: float = -60.0) -> int:
        return round(-level_db)


def test_what_was_heard_before_counts_down_to_120_db() -> None:
    assert Lingering(sample_rate=48_000, channels=1).run_in_samples() == 120 + 7
