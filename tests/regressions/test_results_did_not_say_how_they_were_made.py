"""Rendered files said nothing of preset, order, seed and version."""

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from sound_files import make

import tapeemu
from tapeemu.chain import Chain, Stage
from tapeemu.files.reader import AudioReader
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.render import render_file
from tapeemu.validation import FloatArray

RATE = 48_000


DRY = Chain(stages=[])


def noise(channels: int = 2, samples: int = 70_001, seed: int = 5) -> FloatArray:
    return np.random.default_rng(seed).uniform(-0.3, 0.3, (channels, samples))


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
