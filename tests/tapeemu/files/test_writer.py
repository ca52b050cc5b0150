"""Sound files out: what was written is read back by the library of sound files itself."""

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from written_files import RATE, noise, write

from tapeemu.errors import OutputError
from tapeemu.files.encodings import CONTAINERS, Encoding
from tapeemu.files.part_files import sweep
from tapeemu.files.reader import AudioReader, read_audio
from tapeemu.files.writer import AudioWriter


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


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


def test_what_cannot_be_opened_leaves_no_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused by the library of sound files, or interrupted meanwhile."""
    with pytest.raises(OutputError, match="cannot be made as"):
        AudioWriter(tmp_path / "a.mp3", sample_rate=RATE, channels=9, encoding=Encoding("MP3", "MPEG_LAYER_III"))
    monkeypatch.setattr(AudioWriter, "_open", lambda _: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        AudioWriter(tmp_path / "a.wav", sample_rate=RATE, channels=2, encoding=Encoding("WAV", "PCM_16"))
    assert names(tmp_path) == []
