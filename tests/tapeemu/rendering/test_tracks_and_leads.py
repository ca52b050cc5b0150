"""Stems on tracks of their own, and files that begin before their input; by two dummy processors."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from dummy_processors import Hiss, PreEcho
from typer.testing import CliRunner

from tapeemu import Chain, PreampDrive, WowFlutter, render_file, render_files
from tapeemu.cli import app
from tapeemu.errors import OutputError
from tapeemu.files.riff_chunks import append_chunks, carried_chunks, led
from tapeemu.rendering.batch import render_batch
from tapeemu.rendering.contender import Contender
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.matched import render_all
from tapeemu.rendering.plan import plan_batch
from tapeemu.validation import FloatArray

RATE = 48_000
BEXT_TIME_REFERENCE = 338  # EBU Tech 3285
SOUND = np.random.default_rng(1).uniform(-0.3, 0.3, (2, 6000))
FLOATS = Delivery(depth="double", tail_seconds=0.01)


def wav(path: Path, audio: FloatArray = SOUND, rate: int = RATE) -> Path:
    soundfile.write(path, audio.T, rate, "DOUBLE")
    return path


def read(path: Path) -> FloatArray:
    return np.asarray(soundfile.read(path)[0].T)


def comment(path: Path) -> str:
    with soundfile.SoundFile(path) as file:
        return str(file.comment)


@pytest.mark.parametrize("balanced", [False, True])
def test_each_stem_of_a_run_hisses_on_a_track_of_its_own(tmp_path: Path, balanced: bool) -> None:
    chain = Chain([Hiss(level_dbfs=-20.0), PreampDrive(high_pass_hz=30.0)])
    sources = [wav(tmp_path / f"{name}.wav") for name in "ab"]
    delivery = FLOATS.replace(keep_balance=True, true_peak_dbtp=-1.0) if balanced else FLOATS
    folder = tmp_path / "files"
    folder.mkdir()
    targets = [folder / source.name for source in sources]
    reports = render_files(sources, chain, targets=targets, delivery=delivery, start_seconds=2.0)
    plan = plan_batch(sources, tmp_path / "batch", delivery=delivery)
    outcome = render_batch(plan, chain, delivery=delivery, start_seconds=2.0)
    assert not outcome.failures
    for track, (target, report) in enumerate(zip(targets, reports, strict=True)):
        expected = chain(SOUND, RATE, start_sample=2 * RATE, track=track, tail_seconds=0.01)
        np.testing.assert_allclose(read(target), expected * 10.0 ** (report.gain_db / 20.0), rtol=0, atol=1e-15)
        np.testing.assert_array_equal(read(target), read(tmp_path / "batch" / target.name))
        assert ("; track 1;" in comment(target)) is bool(track)
    again = render_batch(plan, chain, delivery=delivery, start_seconds=2.0, resume=True)
    assert [item.source for item in again.skipped] == sources


def test_a_file_that_has_changed_its_track_is_not_taken_as_done(tmp_path: Path) -> None:
    sources = [wav(tmp_path / f"{name}.wav") for name in "ab"]
    chain, out = Chain([Hiss()]), tmp_path / "out"
    render_batch(plan_batch(sources, out, delivery=FLOATS), chain, delivery=FLOATS)
    turned = plan_batch(sources[::-1], out, delivery=FLOATS)
    assert len(render_batch(turned, chain, delivery=FLOATS, resume=True).failures) == 2
    delivery = FLOATS.replace(overwrite=True)
    assert len(render_batch(turned, chain, delivery=delivery, resume=True).reports) == 2
    assert "; track 1;" in comment(out / "a.wav")


def test_the_second_stem_is_made_again_by_its_track(tmp_path: Path) -> None:
    sources = [wav(tmp_path / f"{name}.wav") for name in "ab"]
    targets = [tmp_path / f"{name}-out.wav" for name in "ab"]
    render_files(sources, Chain([Hiss()]), targets=targets, delivery=FLOATS)
    render_file(sources[1], Chain([Hiss()]), tmp_path / "alone.wav", delivery=FLOATS, track=1)
    np.testing.assert_array_equal(read(tmp_path / "alone.wav"), read(targets[1]))
    assert comment(tmp_path / "alone.wav") == comment(targets[1])


def test_a_batch_may_begin_on_any_track(tmp_path: Path) -> None:
    sources = [wav(tmp_path / f"{name}.wav") for name in "ab"]
    chain, plan = Chain([Hiss()]), plan_batch(sources, tmp_path / "out", delivery=FLOATS)
    assert not render_batch(plan, chain, delivery=FLOATS, track=3).failures
    for number, source in enumerate(sources):
        expected = chain(SOUND, RATE, track=3 + number, tail_seconds=0.01)
        np.testing.assert_array_equal(read(tmp_path / "out" / source.name), expected)
    # The first file of track 3 is not what a batch from track 0 would make, so it is not taken as done.
    assert len(render_batch(plan, chain, delivery=FLOATS, resume=True).failures) == 2
    assert len(render_batch(plan, chain, delivery=FLOATS, track=3, resume=True).skipped) == 2


def test_a_skew_by_track_is_seen_when_resuming_from_another_track(tmp_path: Path) -> None:
    """What a track hears of its own need not be noise."""
    source, chain = wav(tmp_path / "a.wav"), Chain([WowFlutter(track_skew_us=100.0)])
    plan = plan_batch([source], tmp_path / "out", delivery=FLOATS)
    render_batch(plan, chain, delivery=FLOATS)
    assert len(render_batch(plan, chain, delivery=FLOATS, resume=True).skipped) == 1
    assert len(render_batch(plan, chain, delivery=FLOATS, track=3, resume=True).failures) == 1


def test_the_track_of_the_command_line_is_that_of_the_first_file(tmp_path: Path) -> None:
    source = wav(tmp_path / "a.wav")
    words = ["process", str(source), "-p", "preamplifier-alone", "-o", str(tmp_path / "out"), "--track", "2"]
    assert CliRunner().invoke(app, words, catch_exceptions=False).exit_code == 0
    assert "; track 2;" in comment(tmp_path / "out/a.wav")


def test_renders_that_are_compared_begin_with_the_longest_lead() -> None:
    early = Contender(label="early", chain=Chain([PreEcho(ahead_seconds=0.05, level_db=-20.0)]))
    plain = Contender(label="plain", chain=Chain([PreampDrive()]))
    renders = render_all(SOUND, [plain, early], sample_rate=RATE, tail_seconds=0.1, start_sample=0, jobs=1)
    lead = round(0.05 * RATE)
    tail = round(0.1 * RATE)
    for render, chain in zip(renders, (plain.chain, early.chain), strict=True):
        assert render.lead_samples == lead
        assert render.audio.shape[1] == lead + SOUND.shape[1] + tail
        expected = chain(SOUND, RATE, tail_seconds=0.1)
        np.testing.assert_allclose(render.audio[:, lead:], expected, rtol=0, atol=1e-6)
    assert not renders[0].audio[:, :lead].any()
    # A tenth of the sound, 50 ms before it: by construction.
    np.testing.assert_allclose(renders[1].audio[:, :lead], 0.1 * SOUND[:, :lead], rtol=0, atol=1e-6)


def test_without_a_source_every_stem_is_the_same_on_every_track(tmp_path: Path) -> None:
    sources = [wav(tmp_path / f"{name}.wav") for name in "ab"]
    outcome = render_batch(plan_batch(sources, tmp_path / "out", delivery=FLOATS), Chain([PreampDrive()]))
    assert not outcome.failures
    np.testing.assert_array_equal(read(tmp_path / "out/a.wav"), read(tmp_path / "out/b.wav"))
    assert comment(tmp_path / "out/a.wav") == comment(tmp_path / "out/b.wav")


@pytest.mark.parametrize(("rate", "to_rate"), [(48_000, None), (44_100, 48_000), (48_000, 96_000)])
def test_a_file_begins_with_what_sounds_early(tmp_path: Path, rate: int, to_rate: int | None) -> None:
    chain = Chain([PreEcho(ahead_seconds=0.05, level_db=-20.0), PreampDrive()])
    source = wav(tmp_path / "a.wav", rate=rate)
    cue = struct.pack("<III4sIII", 1, 1, 3000, b"data", 0, 0, 3000)
    bext = bytearray(602)
    struct.pack_into("<Q", bext, BEXT_TIME_REFERENCE, rate * 3600)
    append_chunks(source, [(b"bext", bytes(bext)), (b"cue ", cue)])
    delivery = FLOATS.replace(sample_rate_hz=to_rate) if to_rate else FLOATS
    report = render_file(source, chain, tmp_path / "out.wav", delivery=delivery)
    assert report.notes[0].startswith("begins 0.05")
    assert "before its input" in report.notes[0]
    result = read(tmp_path / "out.wav")
    out_rate = to_rate or rate
    chunks = dict(carried_chunks(tmp_path / "out.wav"))
    stamp = struct.unpack_from("<Q", chunks[b"bext"], BEXT_TIME_REFERENCE)[0]
    lead = out_rate * 3600 - stamp
    assert abs(lead - 0.05 * out_rate) <= 147 * out_rate / rate
    assert struct.unpack_from("<I", chunks[b"cue "], 8)[0] == round(3000 * out_rate / rate) + lead
    whole = lead * rate / out_rate
    assert whole == round(whole), "the lead is a whole number of samples at both rates"
    if to_rate is None:
        np.testing.assert_array_equal(result, chain(SOUND, rate, tail_seconds=0.01, lead_seconds=lead / rate))
        assert np.any(result[:, : lead // 2]), "the lead holds the pre-echo"
    # The pre-echo is at its place, and so is the sound behind it: the lag to the input is the lead.
    sent = SOUND[0] if to_rate is None else np.zeros(0)
    if sent.size:
        lags = np.correlate(result[0], sent, "valid")
        assert int(np.argmax(np.abs(lags))) == lead


def test_a_fainter_lead_than_the_tail_may_end_at_is_left_out(tmp_path: Path) -> None:
    source = wav(tmp_path / "a.wav")
    chain = Chain([PreEcho(level_db=-70.0)])
    report = render_file(source, chain, tmp_path / "out.wav")
    assert report.notes == ()
    assert round(report.seconds_out * RATE) == SOUND.shape[1]
    loud = render_file(source, chain, tmp_path / "led.wav", delivery=Delivery(tail_level_db=-80.0))
    assert round(loud.seconds_out * RATE) == SOUND.shape[1] + 2400


def test_a_time_stamp_does_not_go_before_midnight() -> None:
    bext = bytearray(602)
    struct.pack_into("<Q", bext, BEXT_TIME_REFERENCE, 100)
    assert struct.unpack_from("<Q", led(b"bext", bytes(bext), 99), BEXT_TIME_REFERENCE)[0] == 1
    assert struct.unpack_from("<Q", led(b"bext", bytes(bext), 101), BEXT_TIME_REFERENCE)[0] == 0
    sampler = struct.pack("<9I6I", *[0] * 7, 1, 0, *(0, 0, 10, 20, 0, 0))
    assert struct.unpack("<9I6I", led(b"smpl", sampler, 5))[-4:-2] == (15, 25)
    assert led(b"data", b"abc", 5) == b"abc"


def test_the_balance_of_one_file_is_its_own_level(tmp_path: Path) -> None:
    source, target = wav(tmp_path / "a.wav"), tmp_path / "b.wav"
    delivery = FLOATS.replace(keep_balance=True, true_peak_dbtp=-7.0)
    (report,) = render_files([source], Chain([PreampDrive()]), targets=[target], delivery=delivery)
    assert report.true_peak_dbtp == pytest.approx(-7.0, abs=0.01)
    with pytest.raises(OutputError, match="exists"):
        render_files([source], Chain([PreampDrive()]), targets=[target], delivery=delivery)


def test_a_stage_that_remembers_four_samples_behind_a_source_has_heard_it_before() -> None:
    chain = Chain([Hiss(), PreEcho(ahead_seconds=4 / 48_000)])
    whole = chain(np.zeros((2, 3_000)), 48_000)
    part = chain(np.zeros((2, 1_000)), 48_000, start_sample=2_000)
    np.testing.assert_allclose(part[:, :-4], whole[:, 2_000:-4], rtol=0.0, atol=1e-15)
