"""Which container and depth a result gets, as the library of sound files itself names them."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from written_files import RATE, noise, write

from tapeemu.errors import ParameterError
from tapeemu.files.encodings import CONTAINERS, DEPTHS, Encoding, choose_encoding
from tapeemu.files.reader import AudioReader


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
