"""What a file says about its sound: how it was made, what its input said, chunks and speakers."""

import hashlib
import json
from typing import Any

from tapeemu.errors import ParameterError
from tapeemu.files import riff_chunks
from tapeemu.files.encodings import AudioInfo
from tapeemu.files.writer import AudioWriter
from tapeemu.processor import Processor
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.job import Job
from tapeemu.rendering.loudness import LevelMeter, usual_mask

__all__ = ["carry_chunks", "described", "layout_notes", "provenance", "tags_with"]

_LONGEST_COMMENT = 6000  # all text fields of an AIFF share some 8,000 bytes, beyond which it cannot be made
_LONGEST_NAME = 200


def provenance(job: Job) -> str:
    """Text that says how a rendering is made, in one line: what its file carries as a comment.

    Version, preset, order of the stages, seed, place on the tape, and all settings that differ from their
    defaults as JSON: with that version, ``Chain.from_dict`` of what stands behind "chain" is the chain again.
    Where the chain adds sound of its own, it says that the file cuts it. Settings too long for a comment are told
    by their SHA-256 alone.
    """
    from tapeemu import __version__

    parts = [f"Made by tapeemu {__version__}"]
    if job.preset is not None:
        parts.append(f"preset {job.preset[:_LONGEST_NAME]}")
    settings = described(job.chain)
    if "stages" in settings:
        names = ",".join(stage.get("name", stage["kind"]) for stage in settings["stages"])
        parts.append(f"order {names}" if names else "no stages")
    parts.append("seed of the preset" if job.seed is None else f"seed {job.seed}")
    parts.append(f"start {job.start_seconds:.17g} s")
    if job.track:
        parts.append(f"track {job.track}")
    if job.before or job.behind:
        sides = (("before", job.before), ("behind", job.behind))
        told = (f"{', '.join(name[:_LONGEST_NAME] for name in names)} {side}" for side, names in sides if names)
        parts.append(f"tracks beside it: {', '.join(told)}")
    if job.chain.traits.adds_sound:
        parts.append("its noise has no end and is cut at that of the file")
    parts.append(f"chain {json.dumps(settings)}")
    wishes = job.delivery.replace(overwrite=False, allow_clipping=False)
    if wishes != Delivery():
        parts.append(f"delivery {json.dumps(wishes.to_dict())}")
    # ASCII, because not every container keeps other letters.
    text = " ".join("; ".join(parts).split()).encode("ascii", "backslashreplace").decode("ascii")
    if len(text) <= _LONGEST_COMMENT:
        return text
    digest = hashlib.sha256(json.dumps(settings, sort_keys=True).encode("ascii")).hexdigest()
    return f"Made by tapeemu {__version__}; settings too long for a comment, SHA-256 {digest}"


def tags_with(tags: dict[str, str], comment: str) -> dict[str, str]:
    """Text fields of an input with one more line in their comment.

    What the input says of itself stays: a file that was put on tape twice tells both passes. Of a comment too
    long for a container the oldest lines go.
    """
    lines = [*tags.get("comment", "").splitlines(), comment]
    while len("\n".join(lines).encode("utf-8", "replace")) > _LONGEST_COMMENT and len(lines) > 1:
        del lines[0]
    return tags | {"comment": "\n".join(lines)}


def described(chain: Processor) -> dict[str, Any]:
    """The chain as a preset would hold it, or by its repr where it holds objects from outside."""
    try:
        return chain.to_dict()
    except ParameterError:
        stages = getattr(chain, "stages", ())
        return {"stages": [{"kind": stage.processor.kind, "name": stage.name} for stage in stages]}


def layout_notes(info: AudioInfo) -> tuple[str, ...]:
    """What is assumed about a file of more than two channels that does not say which speakers they feed."""
    if info.channels <= 2 or info.channel_mask:
        return ()
    if not usual_mask(info.channels):
        return (f"no loudness: the file does not say which speakers its {info.channels} channels feed",)
    low = ", low frequencies" if info.channels == 6 else ""
    return (f"channels taken as left, right, centre{low}, left and right surround; the file does not say",)


def carry_chunks(
    writer: AudioWriter, info: AudioInfo, *, length_ratio: float, lead_frames: int = 0, levels: LevelMeter
) -> tuple[str, ...]:
    """Give a file the metadata chunks of its input as they must stand in it; notes on what it cannot hold.

    Parameters
    ----------
    writer : AudioWriter
        The file in the making.
    info : AudioInfo
        The input.
    length_ratio : float
        Samples that came out for one that went in.
    lead_frames : int
        Frames of the file before its input begins.
    levels : LevelMeter
        What was written.
    """
    found = riff_chunks.carried_chunks(info.path)
    encoding = writer.encoding
    if found and not encoding.is_riff:
        names = ", ".join(sorted({identifier.decode("ascii").strip() for identifier, _ in found}))
        return (f"not kept, because {encoding.container.lower()} has no place for it: {names}",)
    rate_ratio = writer.sample_rate / info.sample_rate
    for identifier, body in found:
        content = riff_chunks.rescaled(identifier, body, length_ratio, rate_ratio=rate_ratio)
        content = riff_chunks.led(identifier, content, lead_frames)
        if identifier == b"bext":
            content = riff_chunks.with_coding_history(
                content, sample_rate=writer.sample_rate, bits=encoding.bits or 32, channels=info.channels
            )
            content = riff_chunks.with_levels(
                content, loudness_lufs=levels.integrated_lufs, true_peak_dbtp=levels.true_peak_dbtp
            )
        writer.chunks.append((identifier, content))
    return ()
