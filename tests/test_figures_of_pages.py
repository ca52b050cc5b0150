"""Every sentence with a figure in docs/files.md and measure/README.md is held by a check.

A table, reference/figures_of_pages.toml, says which: a function here, or the test or the benchmark that reads the
figure. When a figure on a page changes, its words in the table no longer match, and whoever changed it has to look
at what holds it.
"""

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from exponential_decays import decay
from page_sentences import FIGURE, with_figures, without_names
from sound_files import make

from measure import recording
from measure.parts.sound_file import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from measure.parts.sweep_place import FILE_SWEEP_DB
from measure.parts.time_base import tracked_band_hz
from measure.parts.tone_sequences import STEPS_DBFS
from measure.quantities.crosstalk import CROSSTALK_HZ
from measure.quantities.decay import decay_from_impulse
from measure.quantities.saturation import SATURATION_HZ
from tapeemu import Chain
from tapeemu.errors import OutputError
from tapeemu.rendering import metadata
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.render import render_file
from tapeemu.validation import MAX_CHANNELS

ROOT = Path(__file__).parent.parent


def half_a_step(tmp_path: Path) -> None:
    """Of a float input, so that what lies beyond can be a part of a step of 16 bits."""
    (tmp_path / "out").mkdir()
    for beyond, clips in ((0.4, False), (0.6, True)):
        source = make(tmp_path / f"{beyond}.wav", np.array([[0.0, 1.0 + beyond / 32_768]]), subtype="DOUBLE")
        for container in ("wav", "ogg"):
            wishes = Delivery(container=container, depth="16" if container == "wav" else None, dither=False)
            target = tmp_path / "out" / f"{beyond}.{container}"
            if clips:
                with pytest.raises(OutputError, match="full scale"):
                    render_file(source, Chain([]), target, delivery=wishes)
            else:
                assert render_file(source, Chain([]), target, delivery=wishes).clipped_samples == 0


def most_channels_side_by_side(tmp_path: Path) -> None:
    assert MAX_CHANNELS == 256


def bytes_of_a_spool(tmp_path: Path) -> None:
    from tapeemu.rendering import spool

    (tmp_path / "spool").write_bytes(np.arange(200.0).tobytes())
    with spool.named_spool(tmp_path / "spool", "rb") as file:
        (block,) = spool.read_spool(file, 2, 0.0)
    assert block.shape == (2, 100)


def no_track_is_told_of_the_first(tmp_path: Path) -> None:
    source = make(tmp_path / "a.wav", np.zeros((1, 400)), subtype="PCM_24")
    for track in (0, 1):
        render_file(source, Chain([]), tmp_path / f"{track}.wav", track=track)
        assert ("track 1" in soundfile.SoundFile(tmp_path / f"{track}.wav").comment) == (track == 1)
        assert "track 0" not in soundfile.SoundFile(tmp_path / f"{track}.wav").comment


def longest_comment(tmp_path: Path) -> None:
    assert vars(metadata)["_LONGEST_COMMENT"] == 6_000


def rates_of_recordings(tmp_path: Path) -> None:
    assert (LOWEST_RATE_HZ, HIGHEST_RATE_HZ) == (8_000, 384_000)


def faintest_of_two_tracks(tmp_path: Path) -> None:
    assert 10.0 * np.log10(vars(recording)["_FAINT"]) == pytest.approx(-20.0)


def frequencies_of_the_signals(tmp_path: Path) -> None:
    assert FILE_SWEEP_DB == -20.0
    assert SATURATION_HZ == (315.0, 1_000.0, 6_300.0, 10_000.0)
    assert (min(STEPS_DBFS), max(STEPS_DBFS)) == (-36, 0)
    assert (min(CROSSTALK_HZ), max(CROSSTALK_HZ)) == (31.5, 16_000.0)


def tracked_rates(tmp_path: Path) -> None:
    assert tracked_band_hz(1e4, 1e4) == 250.0
    assert tracked_band_hz(100.0, 1e4) == pytest.approx(30.0)


def bias_of_short_decays(tmp_path: Path) -> None:
    """Mean of thirty decays, which scatter by 0.35 % (T30) and 0.2 % (likelihood) at most."""
    for seconds in (0.05, 0.1):
        decays = [decay(seconds, duration=2.5 * seconds, seed=seed) for seed in range(30)]
        bands = [decay_from_impulse(each, 48_000, bands="broadband").bands[0] for each in decays]
        assert abs(np.mean([band.t30.value for band in bands]) / seconds - 1.0) < 0.02
        assert abs(np.mean([band.likelihood.value for band in bands]) / seconds - 1.0) < 0.02


TABLE = ROOT / "tests/reference/figures_of_pages.toml"
HELD: dict[str, dict[str, str]] = tomllib.loads(TABLE.read_text("utf-8"))


def held(page: str) -> list[tuple[str, str]]:
    """Each sentence with a figure, and what is left of it without the words that are held."""
    left = []
    for sentence in with_figures((ROOT / page).read_text("utf-8")):
        rest = sentence
        for words in HELD[page]:
            rest = rest.replace(words, "")
        left.append((sentence, rest))
    return left


@pytest.mark.parametrize("page", HELD)
def test_every_figure_of_a_page_is_held(page: str) -> None:
    for sentence, rest in held(page):
        assert rest == sentence or not FIGURE.search(without_names(rest)), f"not held: {rest}"
        # A row of a table may name the test that holds it.
        named = re.search(r"`(\w*test_\w+|[\w/]+\.py)|\| same \|", sentence)
        assert rest != sentence or named, f"not held: {sentence}"


@pytest.mark.parametrize("page", HELD)
def test_what_is_held_is_still_said(page: str) -> None:
    text = " ".join((ROOT / page).read_text("utf-8").split())
    for words in HELD[page]:
        assert words in text, f"{page} no longer says: {words}"


CHECKS = sorted({check for words in HELD.values() for check in words.values()})


@pytest.mark.parametrize("check", [each for each in CHECKS if "/" not in each])
def test_what_a_page_says_is_true(check: str, tmp_path: Path) -> None:
    globals()[check](tmp_path)


@pytest.mark.parametrize("check", [each for each in CHECKS if "/" in each])
def test_a_check_that_is_named_exists(check: str) -> None:
    path, _, name = check.partition("::")
    text = (ROOT / path).read_text("utf-8")
    assert not name or f"def {name}(" in text
