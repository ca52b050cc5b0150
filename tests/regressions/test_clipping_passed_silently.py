"""78,328 samples clipped in a written file, with status 0 and not a word."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sound_files import load, make

from tapeemu.chain import Chain
from tapeemu.errors import OutputError
from tapeemu.processors.plugin_effect import PluginEffect
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.render import render_file, render_files
from tapeemu.validation import FloatArray

RATE = 48_000


DRY = Chain(stages=[])


def noise(channels: int = 2, samples: int = 70_001, seed: int = 5) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.3, 0.3, (channels, samples))


class TestClipping:
    """A file that would clip is not written unless that is allowed, wherever the level comes from."""

    # Two samples of eight beyond full scale, +6.02 dBFS.
    OVER = np.array([[0.5, -2.0, 1.0, -1.0], [0.25, 1.25, 0.0, 0.5]])

    def refused(self, tmp_path: Path, source: Path, chain: Chain = DRY, **wishes: Any) -> str:
        before = sorted(path.name for path in tmp_path.iterdir())
        with pytest.raises(OutputError, match="would clip and is not written") as told:
            render_file(source, chain, tmp_path / "out", delivery=Delivery(**wishes))
        assert sorted(path.name for path in tmp_path.iterdir()) == before
        allowed = render_file(source, chain, tmp_path / "out", delivery=Delivery(**wishes, allow_clipping=True))
        assert allowed.clipped_samples > 0
        assert "were clipped" in allowed.notes[0]
        return str(told.value)

    @pytest.mark.parametrize("dither", [True, False])
    @pytest.mark.parametrize(
        ("container", "depth"),
        [
            *((container, depth) for container in ("wav", "rf64", "aiff", "caf") for depth in ("16", "24", "32")),
            *(("flac", "16"), ("flac", "24"), ("ogg", None), ("mp3", None)),
        ],
    )
    def test_in_every_container_that_clips(
        self, tmp_path: Path, container: str, depth: str | None, dither: bool
    ) -> None:
        source = make(tmp_path / "a.wav", self.OVER)
        told = self.refused(tmp_path, source, container=container, depth=depth, dither=dither)
        assert "2 of 8 samples lie beyond full scale, the highest at +6.02 dBFS" in told
        floats = "--depth float" if container not in ("flac", "ogg", "mp3") else "--format wav --depth float"
        assert f"write floats with {floats}, set a ceiling with --true-peak-dbtp -1, or clip" in told
        assert "\n" not in told

    @pytest.mark.parametrize("depth", ["float", "double"])
    def test_float_files_hold_what_is_beyond_full_scale(self, tmp_path: Path, depth: str) -> None:
        source = make(tmp_path / "a.wav", self.OVER)
        report = render_file(source, DRY, tmp_path / "b.wav", delivery=Delivery(depth=depth))
        assert report.clipped_samples == 0
        assert report.peak_dbfs == pytest.approx(20.0 * np.log10(2.0))
        np.testing.assert_array_equal(load(tmp_path / "b.wav"), self.OVER)

    @pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "PCM_U8"])
    def test_a_recording_at_full_scale_passes_as_it_is(self, tmp_path: Path, subtype: str) -> None:
        """A square wave between the largest and the smallest integer, as clipped recordings hold it."""
        source = make(tmp_path / "a.wav", np.tile([[1.0, -1.0]], 400), subtype=subtype)
        report = render_file(source, DRY, tmp_path / "b.wav", delivery=Delivery(dither=False))
        assert report.clipped_samples == 0
        np.testing.assert_array_equal(load(tmp_path / "b.wav"), load(source))
        assert render_file(source, DRY, tmp_path / "c.wav").clipped_samples == 0

    def test_what_resampling_lifts_beyond_full_scale_counts(self, tmp_path: Path) -> None:
        """A square wave of full scale overshoots when its upper partials go (Gibbs: by 9 % of the step)."""
        square = np.where(np.arange(9600) % 96 < 48, 1.0, -1.0)
        source = make(tmp_path / "a.wav", square[None], subtype="PCM_24")
        told = self.refused(tmp_path, source, sample_rate_hz=44_100)
        assert "+1." in told
        render_file(source, DRY, tmp_path / "b.wav", delivery=Delivery(sample_rate_hz=44_100, true_peak_dbtp=0.0))

    def test_what_a_loudness_target_lifts_counts_and_the_remedies_hold(self, tmp_path: Path) -> None:
        """Sparse clicks: the loudness asked for takes them beyond full scale."""
        audio = np.zeros((2, 96_000))
        audio[:, ::4801] = 0.5
        source = make(tmp_path / "a.wav", audio, subtype="PCM_24")
        told = self.refused(tmp_path, source, loudness_lufs=-16.0)
        wishes = dict(part.split()[:2] for part in told.split("--")[1:-1])
        loudness, ceiling = float(wishes["loudness-lufs"].rstrip(",")), float(wishes["true-peak-dbtp"].rstrip(","))
        (tmp_path / "out").unlink()
        for number, wish in enumerate(
            (
                {"loudness_lufs": loudness},
                {"loudness_lufs": -16.0, "true_peak_dbtp": ceiling},
                {"loudness_lufs": -16.0, "depth": "float"},
            )
        ):
            report = render_file(source, DRY, tmp_path / f"{number}.wav", delivery=Delivery(**wish))
            assert report.clipped_samples == 0

    def test_a_gain_beyond_full_scale_is_refused(self, tmp_path: Path) -> None:
        chain = Chain(stages=[PluginEffect(effect="Gain", parameters={"gain_db": 12.0})])
        source = make(tmp_path / "a.flac", noise(samples=48_000), subtype="PCM_16")
        told = self.refused(tmp_path, source, chain)
        assert "--format wav --depth float" in told
        assert "--loudness-lufs -" in told

    def test_a_stem_that_sticks_out_of_a_balanced_sum_counts(self, tmp_path: Path) -> None:
        """Two stems that cancel: their sum reaches the ceiling, each of them far more."""
        stem = noise(samples=48_000)
        sources = [make(tmp_path / "a.wav", 0.1 - 0.9 * stem), make(tmp_path / "b.wav", stem)]
        targets = [tmp_path / "c.wav", tmp_path / "d.wav"]
        delivery = Delivery(true_peak_dbtp=-1.0, keep_balance=True, depth="24")
        with pytest.raises(OutputError, match="would clip") as told:
            render_files(sources, DRY, targets=targets, delivery=delivery)
        ceiling = float(str(told.value).split("--true-peak-dbtp ")[1].split(",")[0])
        assert not targets[0].exists()
        done = render_files(sources, DRY, targets=targets, delivery=delivery.replace(true_peak_dbtp=ceiling))
        assert [report.clipped_samples for report in done] == [0, 0]
