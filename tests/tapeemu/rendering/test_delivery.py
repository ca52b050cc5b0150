"""Levels, formats and clipping of what comes out."""

from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from sound_files import load, make

import tapeemu
from tapeemu.chain import Chain
from tapeemu.errors import AudioError, OutputError
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.render import render_file, render_files
from tapeemu.validation import FloatArray

RATE = 48_000


FULL = Chain(stages=[tapeemu.WowFlutter(), tapeemu.PreampDrive(drive_db=6.0), tapeemu.FdnReverb()])


DRY = Chain(stages=[])


def noise(channels: int = 2, samples: int = 70_001, seed: int = 5) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.3, 0.3, (channels, samples))


class TestLevels:
    def test_loudness_is_reached(self, tmp_path: Path) -> None:
        """Read by pyloudnorm (48 kHz, where its filters are those of BS.1770)."""
        source = make(tmp_path / "a.wav", noise(samples=200_000))
        report = render_file(source, FULL, tmp_path / "b.wav", delivery=Delivery(loudness_lufs=-23.0))
        read = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(load(tmp_path / "b.wav").T)
        assert read == pytest.approx(-23.0, abs=0.05)
        assert report.loudness_lufs == pytest.approx(-23.0, abs=0.001)

    def test_true_peak_alone_is_reached_and_otherwise_a_limit(self, tmp_path: Path) -> None:
        source = make(tmp_path / "a.wav", noise(samples=100_000))
        alone = render_file(source, FULL, tmp_path / "b.wav", delivery=Delivery(true_peak_dbtp=-6.0))
        assert alone.true_peak_dbtp == pytest.approx(-6.0, abs=0.001)
        both = Delivery(loudness_lufs=-1.0, true_peak_dbtp=-6.0)
        limited = render_file(source, FULL, tmp_path / "c.wav", delivery=both)
        assert limited.true_peak_dbtp == pytest.approx(-6.0, abs=0.001)
        assert limited.clipped_samples == 0

    def test_silence_has_no_loudness_to_bring_anywhere(self, tmp_path: Path) -> None:
        source = make(tmp_path / "a.wav", np.zeros((2, 50_000)))
        report = render_file(source, FULL, tmp_path / "b.wav", delivery=Delivery(loudness_lufs=-23.0))
        assert report.gain_db == 0.0
        short = make(tmp_path / "s.wav", noise(samples=1000))
        with pytest.raises(AudioError, match=r"s\.wav: the loudness is undefined"):
            render_file(short, DRY, tmp_path / "t.wav", delivery=Delivery(loudness_lufs=-23.0))
        assert not (tmp_path / "t.wav").exists()

    def test_a_file_too_short_for_a_loudness_is_told_other_ways_than_one(self, tmp_path: Path) -> None:
        """BS.1770 gates blocks of 400 ms: a second that clips may be set to a loudness, a tenth of one may not."""
        for seconds, told in ((1.0, True), (0.1, False)):
            source = make(tmp_path / f"{seconds}.wav", 10.0 * noise(samples=round(seconds * RATE)))
            with pytest.raises(OutputError, match=r"set a ceiling with --true-peak-dbtp -1\b") as refused:
                render_file(source, DRY, tmp_path / "out.wav", delivery=Delivery(depth="16"))
            assert ("--loudness-lufs" in str(refused.value)) == told

    def test_one_gain_for_all_keeps_the_balance(self, tmp_path: Path) -> None:
        """Stems of unlike level, length and width; their sum reaches the target, their ratios stay."""
        stems = [noise(2, 150_000, 1), 0.1 * noise(2, 90_000, 2), 0.5 * noise(1, 120_000, 3)]
        sources = [make(tmp_path / f"{number}.wav", stem) for number, stem in enumerate(stems)]
        targets = [tmp_path / f"{number}.out.wav" for number in range(3)]
        delivery = Delivery(loudness_lufs=-30.0, keep_balance=True)
        reports = render_files(sources, DRY, targets=targets, delivery=delivery)
        assert len({report.gain_db for report in reports}) == 1
        gain = 10.0 ** (reports[0].gain_db / 20.0)
        total = np.zeros((2, 150_000))
        for stem, target in zip(stems, targets, strict=True):
            result = load(target)
            np.testing.assert_allclose(result, gain * stem, rtol=1e-12)
            total[:, : result.shape[1]] += result
        read = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(total.T)
        assert read == pytest.approx(-30.0, abs=0.05)
        assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
            path.name for path in (*sources, *targets)
        )

    @pytest.mark.parametrize(
        ("rate", "channels", "told"), [(44_100, 2, "one sample rate"), (RATE, 3, "render them apart")]
    )
    def test_stems_that_cannot_be_added_are_refused(
        self, tmp_path: Path, rate: int, channels: int, told: str
    ) -> None:
        sources = [
            make(tmp_path / "a.wav", noise()),
            make(tmp_path / "b.wav", noise(channels), rate=rate),
        ]
        with pytest.raises(AudioError, match=told):
            render_files(
                sources,
                DRY,
                targets=[tmp_path / "c.wav", tmp_path / "d.wav"],
                delivery=Delivery(true_peak_dbtp=-1.0, keep_balance=True),
            )
        assert sorted(path.name for path in tmp_path.iterdir()) == ["a.wav", "b.wav"]


class TestContainers:
    @pytest.mark.parametrize("suffix", [".wav", ".flac", ".aiff", ".aif", ".caf", ".ogg", ".mp3"])
    def test_a_name_that_says_its_container_gets_it(self, tmp_path: Path, suffix: str) -> None:
        source = make(tmp_path / "a.aiff", noise(samples=4000), subtype="PCM_16")
        render_file(source, DRY, tmp_path / f"b{suffix}")
        expected = {".aif": "AIFF"}.get(suffix, suffix[1:].upper())
        assert soundfile.info(tmp_path / f"b{suffix}").format == expected

    def test_a_name_that_says_nothing_keeps_the_input(self, tmp_path: Path) -> None:
        for fmt in ("RF64", "WAVEX", "W64"):
            source = make(tmp_path / f"{fmt}.in", noise(samples=400), subtype="PCM_16", format=fmt)
            target = tmp_path / (f"{fmt}.take" if fmt == "W64" else f"{fmt}.wav")
            render_file(source, DRY, target)
            assert soundfile.info(target).format == fmt
