"""No test noticed positions in metadata that do not follow the speed error."""

import struct

from broadcast_chunks import FIELDS, bext

from tapeemu.files.riff_chunks import rescaled


def test_the_speed_of_the_tape_moves_places_in_the_sound_but_not_its_beginning() -> None:
    """At 96 kHz instead of 48 kHz on a tape 4 % too slow: 2.08 samples for one, each half as long."""
    stamped = rescaled(b"bext", bext(time_reference=48_000 * 3600), 2.08, rate_ratio=2.0)
    assert struct.unpack_from("<Q", stamped, FIELDS["TimeReferenceLow"][0])[0] == 96_000 * 3600
    sampler = struct.pack("<9I", 0, 0, 20_833, 60, 0, 0, 0, 1, 0) + struct.pack("<6I", 0, 0, 100, 900, 0, 0)
    changed = rescaled(b"smpl", sampler, 2.08, rate_ratio=2.0)
    assert struct.unpack_from("<I", changed, 8)[0] == 10_416
    assert struct.unpack_from("<II", changed, 44) == (208, 1872)
    # The speed alone: a rate that stays must not hide it.
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 1000, b"data", 0, 0, 1000)
    assert struct.unpack("<II4sIII", rescaled(b"cue ", cue, 1.04, rate_ratio=1.0)[4:])[1] == 1040
    assert rescaled(b"bext", bext(time_reference=99), 1.04, rate_ratio=1.0) == bext(time_reference=99)
