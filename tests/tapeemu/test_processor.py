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
