"""Files through chains: what arrives is what the chain makes of the samples, and nothing is lost on the way."""

import re
import struct
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
import soundfile

import tapeemu
from tapeemu.chain import Chain, Stage
from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.files.reader import AudioReader
from tapeemu.files.riff_chunks import append_chunks, carried_chunks
from tapeemu.processors.plugin_effect import PluginEffect, PluginObject
from tapeemu.rendering.delivery import Delivery, target_in
from tapeemu.rendering.render import render_file, render_files
from tapeemu.validation import FloatArray

RATE = 48_000
LINEAR = Chain(
    stages=[
        tapeemu.WowFlutter(weighted_flutter_percent=0.4, seed=3),
        tapeemu.AmplitudeFlutter(seed=4),
        tapeemu.FdnReverb(),
    ]
)
FULL = Chain(stages=[tapeemu.WowFlutter(), tapeemu.PreampDrive(drive_db=6.0), tapeemu.FdnReverb()])
DRY = Chain(stages=[])


def noise(channels: int = 2, samples: int = 70_001, seed: int = 5) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.3, 0.3, (channels, samples))


def make(path: Path, audio: FloatArray, *, rate: int = RATE, subtype: str = "DOUBLE", **options: Any) -> Path:
    soundfile.write(path, audio.T, rate, subtype, **options)
    return path


def load(path: Path) -> FloatArray:
    return np.ascontiguousarray(soundfile.read(path, always_2d=True)[0].T)


@pytest.mark.parametrize("chain", [FULL, LINEAR, DRY], ids=["full", "linear", "empty"])
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_a_rendered_file_holds_the_samples_of_the_whole_file_call(
    tmp_path: Path, chain: Chain, channels: int
) -> None:
    """Block by block from disk, tail fed in blocks, latency taken out: bit for bit the one call in memory."""
    audio = noise(channels)
    source = make(tmp_path / "a.wav", audio)
    report = render_file(source, chain, tmp_path / "b.wav", delivery=Delivery(tail_seconds=1.7))
    expected = chain(audio, sample_rate=RATE, tail_seconds=1.7)
    np.testing.assert_array_equal(load(tmp_path / "b.wav"), expected)
    assert report.seconds_out == expected.shape[1] / RATE
    assert report.latency_samples == chain.stream(sample_rate=RATE, channels=channels).latency


@pytest.mark.parametrize("percent", [-3.0, 2.0])
def test_a_tape_at_the_wrong_speed_changes_the_length_as_in_memory(tmp_path: Path, percent: float) -> None:
    chain = Chain(stages=[tapeemu.WowFlutter(speed_error_percent=percent), tapeemu.FdnReverb()])
    audio = noise()
    source = make(tmp_path / "a.wav", audio)
    render_file(source, chain, tmp_path / "b.wav", delivery=Delivery(tail_seconds=1.0))
    np.testing.assert_array_equal(load(tmp_path / "b.wav"), chain(audio, sample_rate=RATE, tail_seconds=1.0))


def test_rendering_stems_and_mixing_is_mixing_and_rendering(tmp_path: Path) -> None:
    """Linear stages, one seed, one time origin: equal to rounding, for the place on the tape as well."""
    stems = [noise(seed=seed) for seed in (1, 2, 3)]
    options: dict[str, Any] = {
        "delivery": Delivery(tail_seconds=0.5),
        "seed": 11,
        "start_seconds": 100.0,
    }
    sources = [make(tmp_path / f"{number}.wav", stem) for number, stem in enumerate(stems)]
    targets = [tmp_path / f"{number}.out.wav" for number in range(3)]
    render_files(sources, LINEAR, targets=targets, **options)
    mix = make(tmp_path / "mix.wav", np.sum(stems, axis=0))
    render_file(mix, LINEAR, tmp_path / "mix.out.wav", **options)
    mixed_after = np.sum([load(target) for target in targets], axis=0)
    mixed_before = load(tmp_path / "mix.out.wav")
    difference = np.abs(mixed_after - mixed_before).max() / np.abs(mixed_before).max()
    assert 20.0 * np.log10(difference) < -240.0
    elsewhere = render_file(mix, LINEAR, tmp_path / "c.wav", delivery=Delivery(tail_seconds=0.5), seed=12)
    assert elsewhere.seed == 12
    assert not np.array_equal(load(tmp_path / "c.wav"), mixed_before)


def test_the_tail_ends_where_the_chain_has_fallen_to_the_level(tmp_path: Path) -> None:
    chain = Chain(stages=[tapeemu.FdnReverb()])
    source = make(tmp_path / "a.wav", noise(samples=20_000))
    lengths = []
    for level in (-20.0, -60.0, -90.0):
        report = render_file(source, chain, tmp_path / f"{level}.wav", delivery=Delivery(tail_level_db=level))
        stream = chain.stream(sample_rate=RATE, channels=2)
        assert round(report.seconds_out * RATE) == 20_000 + stream.tail_samples(level)
        lengths.append(report.seconds_out)
    assert lengths == sorted(set(lengths))


@pytest.mark.parametrize(("decay_seconds", "cut"), [(20.0, False), (60.0, True)])
def test_a_tail_ends_after_a_minute_unless_more_is_asked_for(
    tmp_path: Path, decay_seconds: float, cut: bool
) -> None:
    """What a chain declares counts up to 60 s; what is asked for counts as it is."""
    rate = 8_000
    chain = Chain(stages=[tapeemu.FdnReverb(decay_seconds=decay_seconds)])
    declared = chain.stream(sample_rate=rate, channels=1).tail_samples(-80.0)
    assert (declared > 60 * rate) == cut
    source = make(tmp_path / "a.wav", noise(1, 800), rate=rate, subtype="PCM_16")
    report = render_file(source, chain, tmp_path / "b.wav", delivery=Delivery(tail_level_db=-80.0))
    assert round(report.seconds_out * rate) == 800 + (60 * rate if cut else declared)
    assert report.notes == (("tail cut at 60 s; tail_seconds asks for more",) if cut else ())
    if cut:
        longer = render_file(source, chain, tmp_path / "c.wav", delivery=Delivery(tail_seconds=61.0))
        assert round(longer.seconds_out * rate) == 800 + 61 * rate
        assert longer.notes == ()


def test_resampling_keeps_pitch_place_and_length(tmp_path: Path) -> None:
    time = np.arange(96_000) / RATE
    source = make(tmp_path / "a.wav", np.sin(2.0 * np.pi * 997.0 * time)[None] * 0.5)
    report = render_file(source, DRY, tmp_path / "b.wav", delivery=Delivery(sample_rate_hz=44_100))
    result = load(tmp_path / "b.wav")[0]
    assert (report.sample_rate, result.size) == (44_100, 88_200)
    expected = 0.5 * np.sin(2.0 * np.pi * 997.0 * np.arange(88_200) / 44_100)
    np.testing.assert_allclose(result[2000:-2000], expected[2000:-2000], atol=1e-6)


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100, 96_000, 192_000, 384_000])
@pytest.mark.parametrize("container", ["wav", "flac", "aiff", "caf", "rf64"])
def test_any_rate_and_container(tmp_path: Path, rate: int, container: str) -> None:
    source = make(tmp_path / "a.wav", noise(samples=3000), rate=rate, subtype="PCM_24")
    target = target_in(tmp_path / "out", source, Delivery(container=container))
    target.parent.mkdir()
    report = render_file(source, DRY, target, delivery=Delivery(container=container, dither=False))
    assert soundfile.info(target).samplerate == report.sample_rate == rate
    np.testing.assert_array_equal(load(target), load(source))


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
    def test_floats_have_room(self, tmp_path: Path, depth: str) -> None:
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

    def test_a_drive_counts(self, tmp_path: Path) -> None:
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


class TestProvenance:
    """Every file says how it was made, and can be made again from what it says."""

    CHAIN = Chain(stages=[tapeemu.FdnReverb(decay_seconds=0.4), tapeemu.WowFlutter(seed=7)])

    @pytest.mark.parametrize("container", ["wav", "rf64", "aiff", "caf", "flac", "ogg", "mp3"])
    def test_the_comment_is_in_every_container(self, tmp_path: Path, container: str) -> None:
        source = make(tmp_path / "a.wav", noise(samples=4000), subtype="PCM_24")
        target = tmp_path / f"b.{container}"
        render_file(
            source, self.CHAIN, target, delivery=Delivery(container=container), seed=3, preset="my h\u00e4ll"
        )
        comment = soundfile.SoundFile(target).comment
        made = f"Made by tapeemu {tapeemu.__version__}; preset my h\\xe4ll; order fdn_reverb,wow_flutter; seed 3; "
        assert comment.startswith(made)

    def test_a_file_can_be_made_again_from_its_comment(self, tmp_path: Path) -> None:
        import json

        source = make(tmp_path / "a.wav", noise(samples=9000), subtype="PCM_24")
        wishes = Delivery(tail_seconds=0.25, true_peak_dbtp=-3.0, depth="16")
        render_file(source, self.CHAIN, tmp_path / "b.wav", delivery=wishes, seed=5, start_seconds=12_345.678_9)
        fields = dict(
            part.split(" ", 1)
            for part in soundfile.SoundFile(tmp_path / "b.wav").comment.split("; ")
            if " " in part
        )
        (tmp_path / "again").mkdir()
        render_file(
            source,
            Chain.from_dict(json.loads(fields["chain"])),
            tmp_path / "again/b.wav",
            delivery=Delivery(**json.loads(fields["delivery"])),
            seed=int(fields["seed"]),
            start_seconds=float(fields["start"].removesuffix(" s")),
        )
        assert (tmp_path / "again/b.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()

    def test_what_the_input_said_stays_and_each_pass_adds_a_line(self, tmp_path: Path) -> None:
        source = tmp_path / "a.wav"
        with soundfile.SoundFile(source, "w", RATE, 1, "PCM_24") as file:
            file.comment = "take three"
            file.write(noise(1, 500).T)
        render_file(source, DRY, tmp_path / "b.wav")
        render_file(tmp_path / "b.wav", self.CHAIN, tmp_path / "c.wav")
        lines = soundfile.SoundFile(tmp_path / "c.wav").comment.splitlines()
        assert lines[0] == "take three"
        assert [line.split("; ")[1] for line in lines[1:]] == ["no stages", "order fdn_reverb,wow_flutter"]
        assert "seed of the preset" in lines[2]

    @pytest.mark.parametrize("container", ["wav", "rf64", "aiff", "caf", "flac", "ogg", "mp3"])
    def test_many_passes_and_many_stages_keep_within_what_a_container_holds(
        self, tmp_path: Path, container: str
    ) -> None:
        """The library drops long comments of WAV on reading, and cannot make an AIFF with them."""
        delivery = Delivery(container=container)
        stages = [Stage(processor=tapeemu.PreampDrive(), name=f"stage-{number}") for number in range(12)]
        chain = Chain(stages=[stage.replace(bypass=True) for stage in stages])
        source = make(tmp_path / "0.wav", 0.1 * noise(samples=2000))
        for number in range(1, 8):
            target = tmp_path / f"{number}.{container}"
            render_file(source, chain, target, delivery=delivery, seed=number)
            source = target
        with AudioReader(source) as reader:
            lines = reader.tags["comment"].splitlines()
        assert 2 < len(lines) < 7
        assert [f"seed {8 - len(lines) + number};" in line for number, line in enumerate(lines)] == [True] * len(
            lines
        )
        huge = Chain(stages=[stage.replace(name=f"{stage.name}-{'x' * 900}", bypass=True) for stage in stages])
        render_file(source, huge, tmp_path / f"huge.{container}", delivery=delivery, preset="p" * 9000)
        with AudioReader(tmp_path / f"huge.{container}") as reader:
            last = reader.tags["comment"].splitlines()[-1]
        assert re.fullmatch(r"Made by tapeemu [\w.]+; settings too long for a comment, SHA-256 [0-9a-f]{64}", last)


class TestContainers:
    @pytest.mark.parametrize("suffix", [".mp3", ".ogg", ".opus"])
    def test_a_lossy_source_becomes_a_wav_unless_asked(self, tmp_path: Path, suffix: str) -> None:
        subtype = {".mp3": "MPEG_LAYER_III", ".ogg": "VORBIS", ".opus": "OPUS"}[suffix]
        fmt = "MP3" if suffix == ".mp3" else "OGG"
        source = make(tmp_path / f"a{suffix}", noise(samples=20_000), subtype=subtype, format=fmt)
        target = target_in(tmp_path / "out", source, Delivery())
        assert target == tmp_path / "out" / "a.wav"
        target.parent.mkdir()
        render_file(source, DRY, target)
        assert (soundfile.info(target).format, soundfile.info(target).subtype) == ("WAV", "PCM_24")
        asked = Delivery(container=fmt.lower())
        same = target_in(tmp_path / "out", source, asked)
        render_file(source, DRY, same, delivery=asked)
        assert (soundfile.info(same).format, soundfile.info(same).subtype) == (fmt, subtype)

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


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """Highest use while rendering with a level target: ten seconds and sixty, within a megabyte."""
    chain = Chain(stages=[tapeemu.WowFlutter(), PluginEffect(effect="Gain"), tapeemu.PreampDrive()])
    peaks = []
    for seconds in (5, 10, 60):
        source = make(tmp_path / f"{seconds}.wav", np.zeros((2, seconds * RATE)), subtype="PCM_16")
        tracemalloc.start()
        render_file(source, chain, tmp_path / f"{seconds}.out.wav", delivery=Delivery(true_peak_dbtp=-1.0))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[2] - peaks[1] < 2**20


def test_memory_does_not_grow_with_the_channels_block_by_block(tmp_path: Path) -> None:
    peaks = []
    for channels in (2, 64):
        source = make(tmp_path / f"{channels}.wav", np.zeros((channels, 40_000)), subtype="PCM_16")
        tracemalloc.start()
        render_file(source, DRY, tmp_path / f"{channels}.out.wav")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 2.0 * peaks[0]


def test_a_tail_of_minutes_is_not_held_in_memory(tmp_path: Path) -> None:
    source = make(tmp_path / "a.wav", noise(1, 1000), rate=8_000, subtype="PCM_16")
    tracemalloc.start()
    report = render_file(source, DRY, tmp_path / "b.wav", delivery=Delivery(tail_seconds=600.0))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert report.seconds_out == pytest.approx(600.125)
    assert peak < 16 * 2**20  # the tail alone would be 38 MB


def test_progress_reaches_the_end(tmp_path: Path) -> None:
    source = make(tmp_path / "a.wav", noise())
    seen: list[tuple[Path, int, int]] = []
    render_file(source, DRY, tmp_path / "b.wav", progress=lambda *told: seen.append(told))
    assert seen[-1] == (source, 70_001, 70_001)
    assert [done for _, done, _ in seen] == sorted(done for _, done, _ in seen)


def test_the_report_is_plain_data(tmp_path: Path) -> None:
    import json

    source = make(tmp_path / "a.wav", np.zeros((1, 100)))
    report = render_file(source, FULL, tmp_path / "b.wav", seed=3)
    plain = json.loads(json.dumps(report.to_dict(), allow_nan=False))
    assert plain["peak_dbfs"] is None
    assert plain["seed"] == 3
    assert [stage["kind"] for stage in plain["chain"]["stages"]] == ["wow_flutter", "preamp_drive", "fdn_reverb"]


def test_objects_from_outside_are_named_in_the_report(tmp_path: Path) -> None:
    import pedalboard

    chain = Chain(stages=[Stage(processor=PluginObject(effect=pedalboard.Gain(-6.0)), name="mine")])
    source = make(tmp_path / "a.wav", noise())
    report = render_file(source, chain, tmp_path / "b.wav")
    assert report.chain == {"stages": [{"kind": "plugin_object", "name": "mine"}]}


@pytest.mark.parametrize(
    ("options", "error", "told"),
    [
        ({"start_seconds": float("nan")}, ParameterError, "start_seconds"),
        ({"start_seconds": float("inf")}, ParameterError, "start_seconds"),
        ({"seed": -1}, ParameterError, "seed is -1"),
        ({"delivery": Delivery(container="mp3", depth="16")}, ParameterError, "depth 16"),
        ({"delivery": Delivery(container="flac", depth="float")}, ParameterError, "depth float"),
        ({"delivery": Delivery(container="nonsense")}, ParameterError, "nonsense"),
    ],
)
def test_arguments_that_break_a_rule(
    tmp_path: Path, options: dict[str, Any], error: type[Exception], told: str
) -> None:
    source = make(tmp_path / "a.wav", noise())
    with pytest.raises(error, match=told):
        render_file(source, DRY, tmp_path / "b.wav", **options)
    assert [path.name for path in tmp_path.iterdir()] == ["a.wav"]


def test_the_input_is_never_the_output(tmp_path: Path) -> None:
    source = make(tmp_path / "a.wav", noise())
    before = source.read_bytes()
    link = tmp_path / "link.wav"
    link.symlink_to(source)
    hard = tmp_path / "hard.wav"
    hard.hardlink_to(source)
    for target in (source, link, hard, tmp_path / "." / "a.wav"):
        with pytest.raises(OutputError, match="the input itself"):
            render_file(source, DRY, target, delivery=Delivery(overwrite=True))
    assert source.read_bytes() == before


def test_sources_and_targets_go_in_pairs(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match="1 sources but 0 targets"):
        render_files([tmp_path / "a"], DRY, targets=[])
    assert render_files([], DRY, targets=[]) == []
