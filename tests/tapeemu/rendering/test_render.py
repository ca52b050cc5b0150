"""Files through chains: what arrives is what the chain makes of the samples, and nothing is lost on the way."""

import json
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from sound_files import load, make

import tapeemu
from tapeemu.chain import Chain, Stage
from tapeemu.errors import AudioError, OutputError, ParameterError
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


def test_files_before_the_first_that_fails_stay(tmp_path: Path) -> None:
    """Each is rendered for itself, unless all must keep their balance."""
    soundfile.write(tmp_path / "good.wav", np.full((500, 1), 0.1), 48_000)
    (tmp_path / "bad.wav").write_bytes(b"RIFF")
    sources = [tmp_path / "good.wav", tmp_path / "bad.wav"]
    for keep_balance in (False, True):
        folder = tmp_path / str(keep_balance)
        folder.mkdir()
        delivery = Delivery(keep_balance=keep_balance, true_peak_dbtp=-1.0)
        with pytest.raises(AudioError, match="bad"):
            render_files(sources, DRY, targets=[folder / "a.wav", folder / "b.wav"], delivery=delivery)
        assert (folder / "a.wav").exists() is not keep_balance


def test_what_is_told_of_a_file_without_level_can_be_written_as_json(tmp_path: Path) -> None:
    source = make(tmp_path / "silent.wav", np.zeros((1, 4_800)))
    told = render_file(source, DRY, tmp_path / "out.wav").to_dict()
    assert json.loads(json.dumps(told, allow_nan=False)) == told | {"notes": list(told["notes"])}
    assert told["true_peak_dbtp"] is None
    assert (told["source"], told["clipped_samples"]) == (str(source), 0)
