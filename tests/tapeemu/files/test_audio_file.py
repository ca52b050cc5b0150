"""Sound files in and out; what was written is read back with soundfile."""

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeemu.chain import Chain
from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.files.encodings import CONTAINERS, DEPTHS, Encoding, choose_encoding
from tapeemu.files.part_files import PartFile, PartFolder, sweep
from tapeemu.files.reader import AudioReader, read_audio
from tapeemu.files.riff_chunks import channel_mask, set_channel_mask
from tapeemu.files.writer import AudioWriter
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.render import render_file
from tapeemu.validation import FloatArray

RATE = 48_000


def noise(channels: int = 2, samples: int = 5000) -> FloatArray:
    return np.random.default_rng(5).uniform(-0.9, 0.9, (channels, samples))


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def write(path: Path, audio: FloatArray, encoding: Encoding, **options: object) -> AudioWriter:
    with AudioWriter(
        path,
        sample_rate=RATE,
        channels=audio.shape[0],
        encoding=encoding,
        **options,  # type: ignore[arg-type]
    ) as writer:
        for start in range(0, audio.shape[1], 1777):
            writer.write(audio[:, start : start + 1777])
    return writer


@pytest.mark.parametrize("container", CONTAINERS)
@pytest.mark.parametrize("depth", DEPTHS)
def test_every_container_and_depth_is_written_or_refused_in_words(
    tmp_path: Path, container: str, depth: str
) -> None:
    source = tmp_path / "in.wav"
    soundfile.write(source, noise().T, RATE, "PCM_24")
    with AudioReader(source) as reader:
        info = reader.info
    name, suffix = CONTAINERS[container]
    if not soundfile.check_format(name, DEPTHS[depth]):
        with pytest.raises(ParameterError, match="depth"):
            choose_encoding(info, container=container, depth=depth)
        return
    encoding = choose_encoding(info, container=container, depth=depth)
    target = tmp_path / f"out{suffix}"
    write(target, noise(), encoding, dither=False)
    read = soundfile.info(target)
    assert (read.format, read.subtype, read.frames) == (name, DEPTHS[depth], 5000)
    steps = 2.0 ** (1 - int(depth)) if depth.isdigit() else 2.0**-24
    np.testing.assert_allclose(soundfile.read(target)[0].T, noise(), atol=0.51 * steps)


@pytest.mark.parametrize(
    ("container", "subtype", "suffix"),
    [("OGG", "VORBIS", ".ogg"), ("OGG", "OPUS", ".opus"), ("MP3", "MPEG_LAYER_III", ".mp3")],
)
def test_a_lossy_source_becomes_a_wav_unless_its_container_is_asked_for(
    tmp_path: Path, container: str, subtype: str, suffix: str
) -> None:
    source = tmp_path / f"in{suffix}"
    soundfile.write(source, noise(2, 20_000).T, RATE, subtype, format=container)
    with AudioReader(source) as reader:
        encoding = choose_encoding(reader.info, container=container.lower())
        assert choose_encoding(reader.info) == Encoding("WAV", "PCM_24")
        assert choose_encoding(reader.info, container="wav") == Encoding("WAV", "PCM_24")
        assert choose_encoding(reader.info, depth="float") == Encoding("WAV", "FLOAT")
        assert choose_encoding(reader.info, container="flac") == Encoding("FLAC", "PCM_24")
    assert encoding == Encoding(container, subtype)
    write(tmp_path / f"out{suffix}", noise(2, 20_000), encoding)
    assert soundfile.info(tmp_path / f"out{suffix}").frames == 20_000


@pytest.mark.parametrize("subtype", ["IMA_ADPCM", "MS_ADPCM"])
def test_a_sample_format_that_pads_its_length_becomes_integers(tmp_path: Path, subtype: str) -> None:
    source = tmp_path / "in.wav"
    soundfile.write(source, noise().T, RATE, subtype)
    with AudioReader(source) as reader:
        assert choose_encoding(reader.info) == Encoding("WAV", "PCM_24")


def test_a_container_that_can_only_be_read_asks_for_another() -> None:
    from tapeemu.files.encodings import AudioInfo

    info = AudioInfo(Path("x.xi"), RATE, 1, 10, Encoding("XI", "DPCM_16"))
    with pytest.raises(ParameterError, match="choose a format"):
        choose_encoding(info)


def test_what_is_read_is_what_the_library_reads(tmp_path: Path) -> None:
    source = tmp_path / "a.wav"
    soundfile.write(source, noise(33).T, RATE, "FLOAT")
    audio, rate = read_audio(source)
    assert rate == RATE
    np.testing.assert_array_equal(audio, soundfile.read(source)[0].T)


def test_dither_is_triangular_and_two_steps_wide(tmp_path: Path) -> None:
    """A constant of a quarter step: mean kept, error variance 1/4 step squared whatever the signal.

    Rounding 1/12 plus two uniforms 1/12 each; total 4.77 dB above rounding alone (style of AES17).
    """
    step = 2.0**-15
    audio = np.full((1, 200_000), 0.25 * step)
    write(tmp_path / "a.wav", audio, Encoding("WAV", "PCM_16"), seed=1)
    values = soundfile.read(tmp_path / "a.wav", dtype="int16")[0].astype(float)
    assert set(np.unique(values)) == {-1.0, 0.0, 1.0}
    assert abs(values.mean() - 0.25) < 5.0 * 0.5 / np.sqrt(values.size)
    assert np.var(values - 0.25) == pytest.approx(0.25, rel=0.02)
    # Triangular of +-1 about 0.25, rounded: P(1) = integral of the density above 0.5.
    assert np.mean(values == 1.0) == pytest.approx(0.75**2 / 2.0, abs=0.005)
    write(tmp_path / "b.wav", audio, Encoding("WAV", "PCM_16"), seed=1)
    other = soundfile.read(tmp_path / "b.wav", dtype="int16")[0].astype(float)
    assert abs(np.corrcoef(values, other)[0, 1]) < 0.02  # stems do not share their dither


def test_dither_does_not_depend_on_the_blocks(tmp_path: Path) -> None:
    first = tmp_path / "x"
    second = tmp_path / "y"
    first.mkdir()
    second.mkdir()
    write(first / "a.wav", noise(), Encoding("WAV", "PCM_16"))
    with AudioWriter(second / "a.wav", sample_rate=RATE, channels=2, encoding=Encoding("WAV", "PCM_16")) as writer:
        for sample in range(0, 5000, 13):
            writer.write(noise()[:, sample : sample + 13])
    assert (first / "a.wav").read_bytes() == (second / "a.wav").read_bytes()


def test_clipped_samples_are_counted_and_held_at_full_scale(tmp_path: Path) -> None:
    """Full scale itself, and what rounds to it, is not clipped."""
    audio = np.array([[0.5, 1.5, -2.0, 1.0, -1.0, 1.0 + 0.49 * 2**-15, -1.0 - 0.49 * 2**-15]])
    writer = write(tmp_path / "a.wav", audio, Encoding("WAV", "PCM_16"), dither=False)
    assert writer.clipped == 2
    np.testing.assert_array_equal(
        soundfile.read(tmp_path / "a.wav", dtype="int16")[0], [16384, 32767, -32768, 32767, -32768, 32767, -32768]
    )
    writer = write(tmp_path / "b.wav", audio, Encoding("WAV", "PCM_24"), dither=False)
    assert writer.clipped == 4
    writer = write(tmp_path / "c.wav", audio, Encoding("WAV", "FLOAT"))
    assert writer.clipped == 0
    np.testing.assert_array_equal(soundfile.read(tmp_path / "c.wav")[0], audio[0].astype(np.float32))


@pytest.mark.parametrize("suffix", ["wav", "flac", "ogg", "mp3", "aiff"])
def test_tags_come_back(tmp_path: Path, suffix: str) -> None:
    name = CONTAINERS[suffix][0]
    path = tmp_path / f"a.{suffix}"
    tags = {"title": "Ætherboat", "artist": "nobody", "comment": "two\nlines", "date": "2026"}
    subtype = {"ogg": "VORBIS", "mp3": "MPEG_LAYER_III"}.get(suffix, "PCM_16")
    write(path, noise(), Encoding(name, subtype), tags=tags)
    with AudioReader(path) as reader:
        kept = reader.tags
    expected = {"title": "Ætherboat", "artist": "nobody", "comment": "two\nlines", "date": "2026"}
    if suffix == "aiff":
        del expected["date"]  # a field that AIFF does not have
    assert {key: kept.get(key) for key in expected} == expected


def test_a_wav_too_long_for_its_size_fields_is_made_as_rf64(tmp_path: Path) -> None:
    writer = write(tmp_path / "a.wav", noise(), Encoding("WAV", "PCM_24"), expected_frames=2**30)
    assert writer.encoding.container == "RF64"
    assert soundfile.info(tmp_path / "a.wav").format == "RF64"


class TestWhole:
    """A target is there whole, or not at all."""

    encoding = Encoding("WAV", "PCM_16")

    def test_nothing_is_there_before_the_end_and_nothing_else_after(self, tmp_path: Path) -> None:
        target = tmp_path / "a.wav"
        with AudioWriter(target, sample_rate=RATE, channels=2, encoding=self.encoding) as writer:
            writer.write(noise())
            assert not target.exists()
            assert sweep(tmp_path) == 0  # a living writer holds its part
        assert names(tmp_path) == ["a.wav"]

    @pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit])
    def test_an_error_leaves_nothing(self, tmp_path: Path, error: type[BaseException]) -> None:
        def fail() -> None:
            with AudioWriter(tmp_path / "a.wav", sample_rate=RATE, channels=2, encoding=self.encoding) as writer:
                writer.write(noise())
                raise error

        with pytest.raises(error):
            fail()
        assert names(tmp_path) == []

    def test_an_error_before_the_renaming_leaves_nothing(self, tmp_path: Path) -> None:
        def refuse(_: Path) -> None:
            raise OutputError("no")

        with pytest.raises(OutputError, match="no"):
            write(tmp_path / "a.wav", noise(), self.encoding, before_renaming=refuse)
        assert names(tmp_path) == []

    def test_an_existing_file_stays(self, tmp_path: Path) -> None:
        target = tmp_path / "a.wav"
        target.write_bytes(b"mine")
        with pytest.raises(OutputError, match="exists"):
            write(target, noise(), self.encoding)
        assert target.read_bytes() == b"mine"
        write(target, noise(), self.encoding, overwrite=True)
        assert soundfile.info(target).frames == 5000

    def test_a_file_that_appears_meanwhile_stays(self, tmp_path: Path) -> None:
        target = tmp_path / "a.wav"

        def race() -> None:
            with AudioWriter(target, sample_rate=RATE, channels=2, encoding=self.encoding) as writer:
                writer.write(noise())
                target.write_bytes(b"theirs")

        with pytest.raises(OutputError, match="exists"):
            race()
        assert target.read_bytes() == b"theirs"
        assert names(tmp_path) == ["a.wav"]

    def test_a_link_is_replaced_and_not_followed(self, tmp_path: Path) -> None:
        precious = tmp_path / "precious"
        precious.write_bytes(b"keep")
        target = tmp_path / "a.wav"
        target.symlink_to(precious)
        with pytest.raises(OutputError, match="exists"):
            write(target, noise(), self.encoding)
        write(target, noise(), self.encoding, overwrite=True)
        assert precious.read_bytes() == b"keep"
        assert not target.is_symlink()

    def test_parts_of_the_dead_are_swept_and_nothing_else(self, tmp_path: Path) -> None:
        (tmp_path / ".tapeemu-0123456789abcdef.part").write_bytes(b"left behind")
        (tmp_path / ".tapeemu-0123456789abcde0.part").mkdir()
        keep = [".tapeemu-journal", ".tapeemu-xyz.part", "tapeemu-0123456789abcdef.part", "a.part"]
        for name in keep:
            (tmp_path / name).write_bytes(b"")
        (tmp_path / ".tapeemu-0123456789abcde1.part").symlink_to(tmp_path / "a.part")
        living = PartFile(tmp_path / "b.wav", overwrite=False)
        with PartFolder(tmp_path) as folder:
            assert sweep(tmp_path) == 2
            assert folder.is_dir()
            assert living.path.exists()
        living.discard()
        assert names(tmp_path) == sorted([*keep, ".tapeemu-0123456789abcde1.part"])

    def test_a_write_that_the_system_cuts_short_is_noticed(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """What was written is read back: here, half of it vanishes while the file is closed."""
        close = soundfile.SoundFile.close

        def lose(self: soundfile.SoundFile) -> None:
            writing = self.mode == "w"
            close(self)
            written = Path(os.fsdecode(self.name))
            if writing and written.exists():
                os.truncate(written, written.stat().st_size // 2)

        monkeypatch.setattr(soundfile.SoundFile, "close", lose)
        with pytest.raises(OutputError, match="cannot be written"):
            write(tmp_path / "a.wav", noise(), self.encoding)
        assert names(tmp_path) == []


@pytest.mark.parametrize(
    "name",
    ["\u540d\u524d \U0001f39b.wav", "two\nlines.wav", "-rf.wav", " ", "x" * 251 + ".wav", "é" * 125 + ".wav"],
)
def test_any_name_the_system_takes(tmp_path: Path, name: str) -> None:
    target = tmp_path / name
    write(target, noise(), Encoding("WAV", "PCM_16"))
    assert read_audio(target)[0].shape == (2, 5000)


@pytest.mark.parametrize("loud_first", [True, False])
def test_a_variable_rate_mp3_without_a_length_is_not_cut_in_silence(tmp_path: Path, loud_first: bool) -> None:
    """The library guesses the length from the first rate, and stops there if the guess was short."""
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg makes the file")
    loud = np.random.default_rng(1).uniform(-0.9, 0.9, 150_000)
    parts = [loud, np.zeros(150_000)] if loud_first else [np.zeros(150_000), loud]
    soundfile.write(tmp_path / "in.wav", np.concatenate(parts), RATE)
    made = tmp_path / "a.mp3"
    command = ["ffmpeg", "-v", "error", "-i", tmp_path / "in.wav", "-q:a", "4", "-write_xing", "0", made]
    subprocess.run(command, check=True)
    if loud_first:
        with pytest.raises(AudioError, match="no header for its length"):
            read_audio(made)
    else:
        assert read_audio(made)[0].shape[1] >= 300_000


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
