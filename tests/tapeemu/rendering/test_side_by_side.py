"""Files side by side on one tape: their samples, how long they last, what they say, and what is refused."""

import struct
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from batches import contents
from dummy_processors import Hiss, PreEcho
from sound_files import load, make

from tapeemu import (
    Chain,
    Crosstalk,
    FdnReverb,
    HeadAzimuth,
    PreampDrive,
    Stage,
    WowFlutter,
    render_file,
    render_files,
)
from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.files.reader import AudioReader
from tapeemu.files.riff_chunks import append_chunks, carried_chunks
from tapeemu.processor import Processor
from tapeemu.processors.plugin_effect import PluginObject
from tapeemu.rendering.batch import BatchOutcome, render_batch
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.plan import plan_batch
from tapeemu.validation import FloatArray

RATE = 48_000
CHAIN = Chain([Crosstalk(), PreampDrive(drive_db=3.0)])
FLOATS = Delivery(depth="double", tail_seconds=0.02)
DEPTH_24 = FLOATS.replace(depth="24")  # files of floats hold the time of day
TAIL = 960


def noise(channels: int, samples: int, seed: int, peak: float = 0.3) -> FloatArray:
    return np.random.default_rng(seed).uniform(-peak, peak, (channels, samples))


def together(folder: Path, sounds: list[FloatArray], chain: Processor = CHAIN, **options: Any) -> list[FloatArray]:
    """The results of sounds as files named a, b, c and so on."""
    sources = [make(folder / f"{name}.wav", sound) for name, sound in zip("abcdef", sounds, strict=False)]
    (folder / "out").mkdir(exist_ok=True)
    targets = [folder / "out" / source.name for source in sources]
    options = {"delivery": FLOATS, **options}
    render_files(sources, chain, targets=targets, side_by_side=True, **options)
    return [load(target) for target in targets]


def comment(path: Path) -> str:
    with soundfile.SoundFile(path) as file:
        return str(file.comment)


def test_files_hear_each_other_as_channels_do_and_last_as_long_as_what_they_hear(tmp_path: Path) -> None:
    """By one file of five channels; transport and drive act on each alike. 33,333 is more than two blocks."""
    chain = Chain([WowFlutter(seed=4), *CHAIN])
    sounds = [noise(2, 33_333, 1), noise(1, 4_000, 2), noise(2, 6_000, 3)]
    got = together(tmp_path, sounds, chain, start_seconds=1.0)
    lasting = [33_333 + TAIL, 33_333 + TAIL, 6_000 + TAIL]
    assert [sound.shape[1] for sound in got] == lasting
    rows = [np.pad(sound, ((0, 0), (0, 33_333 - sound.shape[1]))) for sound in sounds]
    whole = chain(np.concatenate(rows), RATE, tail_seconds=0.02, start_sample=RATE)
    for sound, expected, length in zip(got, np.split(whole, [2, 3]), lasting, strict=True):
        np.testing.assert_array_equal(sound, expected[:, :length])
    assert np.any(got[1][:, 30_000:]), "the neighbour that sounds longer is heard to its end"


def test_files_on_one_head_keep_their_lengths_and_their_delays(tmp_path: Path) -> None:
    """By one file of four channels that a head of four tracks reads; no file hears another: none is longer."""
    head = HeadAzimuth(azimuth_urad=3_000.0, tape_speed_cm_s=9.525, tracks=4)
    sounds = [noise(1, 9_000, 1), noise(2, 4_000, 2), noise(1, 6_000, 3)]
    got = together(tmp_path, sounds, head, start_seconds=2.0)
    rows = [np.pad(sound, ((0, 0), (0, 9_000 - sound.shape[1]))) for sound in sounds]
    whole = head.replace(tracks=0)(np.concatenate(rows), RATE, tail_seconds=0.02, start_sample=2 * RATE)
    # Tracks that are read early begin before the input, and all files as much before it.
    lead = head.stream(sample_rate=RATE, channels=4).lead_samples()
    for sound, expected, given in zip(got, np.split(whole, [1, 3]), sounds, strict=True):
        np.testing.assert_array_equal(sound[:, lead:], expected[:, : given.shape[1] + TAIL])
        assert sound.shape[1] == lead + given.shape[1] + TAIL
    assert "tracks beside it: a.wav, b.wav before;" in comment(tmp_path / "out/c.wav")
    with pytest.raises(ParameterError, match="the head has 3"):
        together(tmp_path / "out", sounds, head.replace(tracks=3))


def test_without_the_wish_no_file_hears_another(tmp_path: Path) -> None:
    sources = [make(tmp_path / "a.wav", noise(1, 3_000, 1)), make(tmp_path / "b.wav", np.zeros((1, 3_000)))]
    targets = [tmp_path / "c.wav", tmp_path / "d.wav"]
    render_files(sources, CHAIN, targets=targets, delivery=FLOATS)
    assert not load(targets[1]).any()
    assert "beside" not in comment(targets[1])


@pytest.mark.parametrize(
    "wishes", [{}, {"sample_rate_hz": 44_100}, {"true_peak_dbtp": -9.0}, {"depth": "16"}, {"tail_seconds": None}]
)
def test_beside_silence_a_file_is_what_it_is_alone(tmp_path: Path, wishes: dict[str, Any]) -> None:
    """Sample for sample, with its lead, tail, level, dither (which hangs on the file's name) and cue points."""
    delivery = FLOATS.replace(**wishes)
    transport = WowFlutter(seed=4, speed_error_percent=1.0)
    chain = Chain([PreEcho(ahead_seconds=0.05, level_db=-20.0), transport, FdnReverb(decay_seconds=0.3), *CHAIN])
    paths = [tmp_path / f"{name}.wav" for name in "abc"]
    for path, sound in zip(paths, (np.zeros((1, 9_000)), noise(2, 30_000, 1), np.zeros((1, 99))), strict=True):
        make(path, sound)
        append_chunks(path, [(b"cue ", struct.pack("<III4sIII", 1, 1, 3_000, b"data", 0, 0, 3_000))])
    targets = [tmp_path / f"{name}-out.wav" for name in "abc"]
    report = render_files(paths, chain, targets=targets, delivery=delivery, side_by_side=True)[1]
    (tmp_path / "alone").mkdir()
    alone = render_file(paths[1], chain, tmp_path / "alone/b-out.wav", delivery=delivery)
    assert alone.notes[0].startswith("begins 0.05")
    assert report.notes == alone.notes
    np.testing.assert_array_equal(load(targets[1]), load(alone.target))
    assert carried_chunks(targets[1]) == carried_chunks(alone.target)


def test_each_file_hisses_on_a_track_of_its_own(tmp_path: Path) -> None:
    silence, chain = (
        np.zeros((1, 3_000)),
        Chain([Hiss(level_dbfs=-20.0), Crosstalk(fringing_db=-120.0, coupling_db=-75.0)]),
    )
    got = together(tmp_path, [silence, silence], chain, track=3)
    for track, sound in zip((3, 4), got, strict=True):
        hiss = Hiss(level_dbfs=-20.0)(silence, RATE, track=track, tail_seconds=0.02)
        np.testing.assert_allclose(sound, hiss, rtol=0.0, atol=0.002)  # coupling adds what is left
    assert "; track 4; tracks beside it: a.wav before;" in comment(tmp_path / "out/b.wav")


def test_a_reader_may_give_blocks_of_any_length(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sounds = [noise(1, 50_000, 1), noise(1, 50_000, 2)]
    expected = together(tmp_path, sounds)
    whole = AudioReader.blocks
    for length in (777, 40_000):  # 32,768 at a time are asked for
        monkeypatch.setattr(AudioReader, "blocks", lambda self, _, length=length: whole(self, length))
        got = together(tmp_path, sounds, delivery=FLOATS.replace(overwrite=True))
        np.testing.assert_array_equal(got, expected)


def test_the_comment_names_what_lies_beside(tmp_path: Path) -> None:
    together(tmp_path, [noise(1, 500, seed) for seed in range(4)], Chain([Crosstalk()]))
    told = [comment(tmp_path / "out" / f"{name}.wav") for name in "abcd"]
    assert "; tracks beside it: b.wav behind; chain" in told[0]
    assert "; tracks beside it: a.wav before, c.wav behind; chain" in told[1]
    assert "; tracks beside it: c.wav before; chain" in told[3]
    twice = Chain([Crosstalk(), Chain([Crosstalk()])])
    together(tmp_path, [noise(1, 500, seed) for seed in range(4)], twice, delivery=FLOATS.replace(overwrite=True))
    assert "; tracks beside it: a.wav, b.wav before, d.wav behind; chain" in comment(tmp_path / "out/c.wav")


def test_a_longer_neighbour_is_told(tmp_path: Path) -> None:
    sources = [make(tmp_path / "a.wav", noise(1, 500, 1)), make(tmp_path / "b.wav", noise(1, 5_300, 2))]
    targets = [tmp_path / "c.wav", tmp_path / "d.wav"]
    seen: list[tuple[Path, int, int]] = []
    reports = render_files(
        sources, CHAIN, targets=targets, side_by_side=True, progress=lambda *told: seen.append(told)
    )
    assert [report.notes for report in reports] == [
        ("lasts 0.1 s longer than its input, as long as b.wav beside it",),
        (),
    ]
    assert [report.seconds_in for report in reports] == [500 / RATE, 5_300 / RATE]
    assert (sources[0], 500, 500) in seen
    assert seen[-1] == (sources[1], 5_300, 5_300)


def test_what_cannot_lie_on_one_tape_is_refused(tmp_path: Path) -> None:
    one, other = noise(1, 500, 1), noise(1, 500, 2)
    with pytest.raises(ParameterError, match="no stage of crosstalk that sounds"):
        together(tmp_path, [one, other], Chain([PreampDrive(), Stage(processor=Crosstalk(), bypass=True)]))
    with pytest.raises(ParameterError, match="lies between two stems or more, and 1 is given"):
        together(tmp_path, [one])
    with pytest.raises(AudioError, match="257 channels together, but side by side lie 256 at most"):
        together(tmp_path, [noise(200, 500, 1), noise(57, 500, 1)])
    sources = [make(tmp_path / "a.wav", one), make(tmp_path / "b.wav", other, rate=44_100)]
    targets = [tmp_path / "c.wav", tmp_path / "d.wav"]
    with pytest.raises(
        AudioError, match=r"44,100 Hz and .* 48,000 Hz, but stems side by side need one sample rate"
    ):
        render_files(sources, CHAIN, targets=targets, side_by_side=True)
    with pytest.raises(AudioError, match=r"b\.wav holds no audio"):
        together(tmp_path, [one, noise(1, 0, 1)])
    with pytest.raises(ParameterError, match="is still used by another stream"):
        together(tmp_path, [one, other], Chain([PluginObject(effect=_Wire()), Crosstalk()]))
    with pytest.raises(ParameterError, match="leave one of the two out"):
        render_batch(plan_batch(sources, tmp_path / "out"), CHAIN, side_by_side=True, cluster="tcp://nowhere:1")
    assert not list((tmp_path / "out").iterdir())


class _Wire:
    def __call__(self, audio: Any, sample_rate: float, reset: bool = True) -> Any:
        return audio


def test_a_bare_processor_is_a_chain_of_one(tmp_path: Path) -> None:
    both = noise(2, 700, 1)
    got = together(tmp_path, [both[:1], both[1:]], Crosstalk())
    np.testing.assert_array_equal(np.concatenate(got), Crosstalk()(both, RATE, tail_seconds=0.02))


def test_one_gain_for_all_keeps_the_balance(tmp_path: Path) -> None:
    delivery = FLOATS.replace(true_peak_dbtp=-9.0, keep_balance=True)
    plain = together(tmp_path, [noise(1, 3_000, 1), noise(1, 3_000, 2)])
    got = together(tmp_path, [noise(1, 3_000, 1), noise(1, 3_000, 2)], delivery=delivery.replace(overwrite=True))
    gains = [float(np.max(np.abs(a)) / np.max(np.abs(b))) for a, b in zip(got, plain, strict=True)]
    assert gains[0] == pytest.approx(gains[1], rel=1e-12)
    assert gains[0] != pytest.approx(1.0, rel=0.01)


def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    peaks = []
    for seconds in (2, 6):
        sounds = [np.zeros((1, seconds * RATE)), np.zeros((2, RATE))]
        sources = [make(tmp_path / f"{k}.wav", sound, subtype="PCM_16") for k, sound in enumerate(sounds)]
        targets = [tmp_path / f"{seconds}-{k}.wav" for k in range(2)]
        tracemalloc.start()
        render_files(sources, Chain([Crosstalk()]), targets=targets, side_by_side=True)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] - peaks[0] < 2**20  # four seconds of three channels are 4.6 MB


class TestBatch:
    @pytest.fixture
    def stems(self, tmp_path: Path) -> list[Path]:
        return [make(tmp_path / f"{name}.wav", noise(1, 2_000, seed)) for seed, name in enumerate("abc")]

    def run(self, stems: list[Path], **options: Any) -> BatchOutcome:
        options = {"delivery": DEPTH_24, **options}
        plan = plan_batch(stems, stems[0].parent / "out", delivery=options["delivery"])
        return render_batch(plan, options.pop("chain", CHAIN), side_by_side=True, **options)

    @pytest.mark.parametrize("jobs", [1, pytest.param(2, marks=pytest.mark.long)])
    def test_it_makes_the_files_of_the_function(self, tmp_path: Path, stems: list[Path], jobs: int) -> None:
        assert not self.run(stems, jobs=jobs).failures
        made = contents(tmp_path / "out")
        targets = [tmp_path / "out" / stem.name for stem in stems]
        render_files(stems, CHAIN, targets=targets, delivery=DEPTH_24.replace(overwrite=True), side_by_side=True)
        assert contents(tmp_path / "out") == made

    def test_resuming_leaves_alone_what_hears_the_same(self, tmp_path: Path, stems: list[Path]) -> None:
        assert len(self.run(stems, resume=True).reports) == 3
        made = contents(tmp_path / "out")
        (tmp_path / "out/b.wav").unlink()
        outcome = self.run(stems, resume=True)
        assert [report.source.name for report in outcome.reports] == ["b.wav"]
        assert len(outcome.skipped) == 2
        assert contents(tmp_path / "out") == made

    @pytest.mark.parametrize("overwrite", [True, False])
    @pytest.mark.parametrize("change", ["sound", "order", "apart", "name"])
    def test_resuming_sees_a_change_beside(
        self, tmp_path: Path, stems: list[Path], change: str, overwrite: bool
    ) -> None:
        self.run(stems)
        if change == "sound":
            make(stems[2], noise(1, 2_000, 9))
        if change == "name":
            stems = [*stems[:2], stems[2].rename(tmp_path / "d.wav")]
        if change == "order":
            stems = [stems[1], stems[0], stems[2]]
        plan = plan_batch(stems, tmp_path / "out", delivery=DEPTH_24)
        delivery = DEPTH_24.replace(overwrite=overwrite)
        outcome = render_batch(plan, CHAIN, delivery=delivery, resume=True, side_by_side=change != "apart")
        assert not outcome.skipped
        assert len(outcome.reports) == (3 if overwrite else 0)
        if overwrite:
            return
        assert all(isinstance(failure.error, OutputError) for failure in outcome.failures)
        assert "to another folder" in outcome.failures[0].message

    def test_resuming_sees_that_files_of_one_name_have_changed_places(self, tmp_path: Path) -> None:
        for folder in "xyz":
            (tmp_path / "in" / folder).mkdir(parents=True)
            make(tmp_path / "in" / folder / "k.wav", noise(1, 2_000, 1))
        patterns = [tmp_path / "in" / f"{folder}*/k.wav" for folder in "xyz"]
        for order, done in ((patterns, 0), (patterns[1::-1] + patterns[2:], 1)):
            plan = plan_batch(order, tmp_path / "out")
            delivery = Delivery(overwrite=True)
            outcome = render_batch(plan, CHAIN, delivery=delivery, resume=True, side_by_side=True)
            assert len(outcome.skipped) == done, "only the one that kept its place"

    def test_one_that_would_clip_fails_alone(self, tmp_path: Path, stems: list[Path]) -> None:
        make(stems[2], noise(1, 2_000, 3, peak=0.999))
        outcome = self.run(stems, delivery=Delivery(depth="24"), chain=Chain([Crosstalk(fringing_db=-6.0)]))
        (failure,) = outcome.failures
        assert failure.source == stems[2]
        assert "would clip and is not written" in failure.message
        assert sorted(contents(tmp_path / "out")) == ["a.wav", "b.wav"]

    def test_one_that_cannot_be_read_fails_all(self, tmp_path: Path, stems: list[Path]) -> None:
        stems[1].write_bytes(b"RIFF")
        outcome = self.run(stems)
        assert len(outcome.failures) == 3
        assert all("the stems cannot be rendered side by side" in each.message for each in outcome.failures)
        assert all(str(stems[1]) in each.message for each in outcome.failures)
        gone = self.run([stems[0], tmp_path / "missing.wav"])
        assert len(gone.failures) == 2
        nothing = self.run([stems[0], tmp_path / "nothing*.wav"])
        assert len(nothing.failures) == 2
        assert "since one of them is missing; correct the list of files" in nothing.failures[1].message
        make(stems[1].with_suffix(".flac"), noise(1, 2_000, 3), subtype="PCM_24")
        refused = self.run([stems[0], stems[1].with_suffix(".flac")], delivery=FLOATS)
        assert len(refused.failures) == 2, "told before the work of all"
        assert not contents(tmp_path / "out")

    def test_an_internal_error_is_told_of_each(self, stems: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
        def broken(*_: Any, **__: Any) -> None:
            raise ValueError("broken")

        monkeypatch.setattr("tapeemu.rendering.batch.spool_side_by_side", broken)
        outcome = self.run(stems)
        assert len(outcome.failures) == 3
        assert all("internal error: ValueError: broken" in failure.message for failure in outcome.failures)


def test_the_command_line_renders_side_by_side(tmp_path: Path, run: Callable[..., str]) -> None:
    loud = make(tmp_path / "a.wav", noise(2, 9_000, 1))
    silent = make(tmp_path / "b.wav", np.zeros((2, 3_000)))
    preset = tmp_path / "tracks.toml"
    preset.write_text('format = 1\npurpose = "Tracks"\n[[stages]]\nkind = "crosstalk"\n', "utf-8")
    words = ["--preset", preset, "--depth", "float", "--out", tmp_path / "out"]
    told = run("process", loud, silent, *words, "--side-by-side")
    assert "b.wav: lasts 0.125 s longer than its input, as long as a.wav beside it" in told.replace("\n", " ")
    got = load(tmp_path / "out/b.wav")
    assert got[0].any()
    assert not got[1].any()
