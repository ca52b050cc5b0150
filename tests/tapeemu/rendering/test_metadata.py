"""What a file says of itself: how it was made, and what its input said."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from sound_files import make

import tapeemu
from tapeemu.chain import Chain
from tapeemu.files.riff_chunks import append_chunks, carried_chunks
from tapeemu.rendering.delivery import Delivery, target_in
from tapeemu.rendering.render import render_file
from tapeemu.validation import FloatArray

RATE = 48_000


DRY = Chain(stages=[])


def noise(channels: int = 2, samples: int = 70_001, seed: int = 5) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.3, 0.3, (channels, samples))


class TestMetadata:
    def chunked(self, tmp_path: Path) -> Path:
        source = make(tmp_path / "a.wav", noise(), subtype="PCM_24")
        bext = bytearray(602)
        bext[:4] = b"tide"
        struct.pack_into("<Q", bext, 338, 48_000 * 3600)
        struct.pack_into("<H", bext, 346, 2)
        cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 4800, b"data", 0, 0, 4800)
        label = b"adtl" + b"labl" + struct.pack("<II", 9, 1) + b"fog\0\0\0"
        append_chunks(
            source,
            [(b"bext", bytes(bext)), (b"iXML", b"<BWFXML>\xc3\xa6</BWFXML>"), (b"cue ", cue), (b"LIST", label)],
        )
        return source

    def test_chunks_reach_the_result_at_the_new_rate(self, tmp_path: Path) -> None:
        source = self.chunked(tmp_path)
        report = render_file(
            source, DRY, tmp_path / "b.wav", delivery=Delivery(sample_rate_hz=96_000, loudness_lufs=-20.0)
        )
        before, after = dict(carried_chunks(source)), dict(carried_chunks(tmp_path / "b.wav"))
        assert after[b"iXML"] == before[b"iXML"]
        assert after[b"LIST"] == before[b"LIST"]
        assert struct.unpack_from("<I", after[b"cue "], 8)[0] == 9600
        assert struct.unpack_from("<Q", after[b"bext"], 338)[0] == 96_000 * 3600
        assert struct.unpack_from("<h", after[b"bext"], 412)[0] == round(100 * report.loudness_lufs) == -2000
        assert b"A=PCM,F=96000,W=24,M=stereo,T=tapeemu" in after[b"bext"]
        assert soundfile.info(tmp_path / "b.wav").frames == 140_002

    @pytest.mark.parametrize(("percent", "rate"), [(2.0, RATE), (-3.0, RATE), (2.0, 96_000)])
    def test_places_move_with_the_speed_of_the_tape(self, tmp_path: Path, percent: float, rate: int) -> None:
        """A tape that runs 2 % fast brings everything 1.02 times as early; the file begins when it began."""
        chain = Chain(stages=[tapeemu.WowFlutter(speed_error_percent=percent)])
        delivery = Delivery(sample_rate_hz=rate)
        render_file(self.chunked(tmp_path), chain, tmp_path / "b.wav", delivery=delivery)
        after = dict(carried_chunks(tmp_path / "b.wav"))
        expected = 4800 * rate / RATE / (1.0 + percent / 100.0)
        assert struct.unpack_from("<I", after[b"cue "], 8)[0] == pytest.approx(expected, abs=1.0)
        assert struct.unpack_from("<I", after[b"cue "], 24)[0] == pytest.approx(expected, abs=1.0)
        assert struct.unpack_from("<Q", after[b"bext"], 338)[0] == rate * 3600

    def test_what_a_container_cannot_hold_is_told(self, tmp_path: Path) -> None:
        source = self.chunked(tmp_path)
        report = render_file(source, DRY, tmp_path / "b.flac", delivery=Delivery(container="flac"))
        assert report.notes == ("not kept, because flac has no place for it: LIST, bext, cue, iXML",)

    @pytest.mark.parametrize("container", ["wav", "flac", "ogg", "aiff"])
    def test_tags_reach_the_result(self, tmp_path: Path, container: str) -> None:
        source = tmp_path / "a.flac"
        with soundfile.SoundFile(source, "w", RATE, 2) as file:
            file.title, file.artist = "Fog signal", "the crew"
            file.write(noise().T)
        target = target_in(tmp_path / "out", source, Delivery(container=container))
        target.parent.mkdir()
        render_file(source, DRY, target, delivery=Delivery(container=container))
        with soundfile.SoundFile(target) as file:
            assert (file.title, file.artist) == ("Fog signal", "the crew")
