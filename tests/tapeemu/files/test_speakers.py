"""Which channel feeds which speaker, in every container."""

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from written_files import RATE, write

from tapeemu.chain import Chain
from tapeemu.errors import AudioError
from tapeemu.files.encodings import Encoding
from tapeemu.files.reader import AudioReader, read_audio
from tapeemu.files.riff_chunks import channel_mask, set_channel_mask
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.render import render_file
from tapeemu.validation import FloatArray


class TestSpeakers:
    """Which channel feeds which speaker is the same in every container."""

    # One tone a channel, for coders keep pitch better than level: left, right, centre, low, ...
    TONES_HZ = np.array([200, 300, 400, 60, 500, 600, 700, 800])

    def tones(self, channels: int) -> FloatArray:
        time = np.arange(24_000) / RATE
        return 0.3 * np.sin(2.0 * np.pi * self.TONES_HZ[:channels, None] * time)

    def heard_hz(self, audio: FloatArray) -> list[float]:
        """The strongest tone of each channel."""
        spectrum = np.abs(np.fft.rfft(audio[:, 1200 : 1200 + RATE // 5] * np.hanning(RATE // 5)))
        return [float(bin_) * 5.0 for bin_ in spectrum.argmax(axis=1)]

    @pytest.mark.parametrize(
        ("channels", "order"),
        [
            (3, (0, 2, 1)),
            (4, (0, 1, 2, 3)),
            (5, (0, 2, 1, 3, 4)),
            (6, (0, 2, 1, 4, 5, 3)),
            (7, (0, 2, 1, 5, 6, 4, 3)),
            (8, (0, 2, 1, 6, 7, 4, 5, 3)),
        ],
    )
    def test_vorbis_has_an_order_of_its_own(self, tmp_path: Path, channels: int, order: tuple[int, ...]) -> None:
        """Vorbis I, 4.3.9: centre between left and right, low frequencies last. The others are as in FLAC."""
        write(tmp_path / "a.ogg", self.tones(channels), Encoding("OGG", "VORBIS"))
        lying = self.heard_hz(soundfile.read(tmp_path / "a.ogg")[0].T)
        assert lying == list(self.TONES_HZ[list(order)])
        assert self.heard_hz(read_audio(tmp_path / "a.ogg")[0]) == list(self.TONES_HZ[:channels])

    @pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="needs another program that codes surround")
    @pytest.mark.parametrize("name", ["a.ogg", "a.opus", "a.flac", "a.wav"])
    def test_surround_coded_by_another_program_is_read_in_order(self, tmp_path: Path, name: str) -> None:
        soundfile.write(tmp_path / "plain.wav", self.tones(6).T, RATE, "PCM_16")
        coder = {"a.ogg": ["-c:a", "libvorbis"], "a.opus": ["-c:a", "libopus", "-mapping_family", "1"]}.get(
            name, []
        )
        command = ["ffmpeg", "-v", "error", "-channel_layout", "5.1", "-i", "plain.wav", *coder, name]
        if subprocess.run(command, cwd=tmp_path, check=False).returncode:
            pytest.skip("this build of the other program has no such coder")
        with AudioReader(tmp_path / name) as reader:
            assert reader.info.channel_mask == 0x3F
        assert self.heard_hz(read_audio(tmp_path / name)[0]) == list(self.TONES_HZ[:6])

    @pytest.mark.parametrize("container", ["WAVEX", "RF64"])
    @pytest.mark.parametrize("mask", [0x3F, 0x60F, 0x707])
    def test_the_speakers_that_a_header_names_stay(self, tmp_path: Path, container: str, mask: int) -> None:
        source = tmp_path / "a.wav"
        soundfile.write(source, self.tones(6).T, RATE, "PCM_24", format="WAVEX")
        set_channel_mask(source, mask)
        wishes = Delivery(container=None if container == "WAVEX" else "rf64", dither=False)
        report = render_file(source, Chain(stages=[]), tmp_path / "b.wav", delivery=wishes)
        assert soundfile.info(tmp_path / "b.wav").format == container
        assert channel_mask(tmp_path / "b.wav") == mask
        assert not report.notes
        np.testing.assert_array_equal(soundfile.read(tmp_path / "b.wav")[0], soundfile.read(source)[0])

    def test_what_a_format_fixes_is_written_where_it_would_be_lost(self, tmp_path: Path) -> None:
        soundfile.write(tmp_path / "a.flac", self.tones(6).T, RATE, "PCM_24")
        render_file(tmp_path / "a.flac", Chain(stages=[]), tmp_path / "b.wav", delivery=Delivery(container="wav"))
        assert channel_mask(tmp_path / "b.wav") == 0x3F

    def test_what_is_assumed_or_unknown_is_told(self, tmp_path: Path) -> None:
        for channels, told in ((6, "taken as left, right, centre, low frequencies"), (4, "no loudness: the file")):
            soundfile.write(tmp_path / f"{channels}.wav", self.tones(channels).T, RATE, "PCM_24")
            report = render_file(tmp_path / f"{channels}.wav", Chain(stages=[]), tmp_path / f"{channels}.out.wav")
            assert report.notes[0].startswith(("channels", "no loudness"))
            assert told in report.notes[0]
        with pytest.raises(AudioError, match="which speakers its 4 channels feed"):
            render_file(
                tmp_path / "4.wav", Chain(stages=[]), tmp_path / "x.wav", delivery=Delivery(loudness_lufs=-23.0)
            )
