"""What is finished in an output folder, a line a file, so that a batch that was stopped can be resumed.

A result is left alone only if it, its input and the settings are still those of its line.
"""

import hashlib
import json
import os
from pathlib import Path
from typing import Any

from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.files.part_files import reason, write_whole
from tapeemu.files.reader import AudioReader
from tapeemu.rendering.job import Job

__all__ = ["JOURNAL", "Entry", "Journal", "input_digest", "result_digest", "settings_digest"]

JOURNAL = ".tapeemu-journal"
"""Name of the file in the output folder that tells what is finished."""

_LARGEST_JOURNAL = 256 * 2**20
_SPARE_LINES = 64

Entry = dict[str, str]
"""One line of the journal; docs/files.md says what each key means."""


class Journal:
    """The lines of what is finished, in the output folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._path = folder / JOURNAL

    def name_of(self, target: Path) -> str:
        """How a result is called in the journal."""
        return target.relative_to(self._folder).as_posix()

    def read(self) -> dict[str, Entry]:
        """The last entry of each result, and the file itself made short again.

        A line that a dying process left unfinished is passed over; so is anything that is not ours.
        """
        try:
            if not self._path.is_file() or self._path.stat().st_size > _LARGEST_JOURNAL:
                return {}
            lines = self._path.read_bytes().splitlines()
        except OSError:
            return {}
        entries = {}
        for line in lines:
            try:
                entry = json.loads(line)
            except (ValueError, RecursionError):
                continue
            if isinstance(entry, dict) and all(isinstance(value, str) for value in entry.values()):
                entries[entry.get("name", "")] = entry
        if len(lines) > 2 * len(entries) + _SPARE_LINES:
            write_whole(self._path, b"".join(map(_line, entries.values())), overwrite=True)
        return entries

    def add(self, entry: Entry) -> None:
        """Add one line, in one write, so that lines of several processes never mix."""
        try:
            descriptor = os.open(
                self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666
            )
            try:
                os.write(descriptor, _line(entry))
            finally:
                os.close(descriptor)
        except OSError as error:
            raise OutputError(
                f"{self._path} cannot be written ({reason(error)}); check the permissions and space of its folder"
            ) from None


def _line(entry: Entry) -> bytes:
    # In front as well: the line before may have been cut off.
    return b"\n" + json.dumps(entry).encode("ascii") + b"\n"


def settings_digest(job: Job) -> str:
    """SHA-256 of all that decides how a file sounds, besides its input."""
    from tapeemu import __version__

    try:
        stages: Any = job.chain.to_dict()
    except ParameterError:  # objects from outside have no settings; nothing made with them is ever skipped
        stages = os.urandom(16).hex()
    # What may be replaced or clipped makes no other sound.
    consent_aside = job.delivery.replace(overwrite=False, allow_clipping=False)
    parts = [__version__, stages, consent_aside.to_dict(), job.seed, job.start_seconds]
    traits = job.chain.traits
    if job.track and (traits.adds_sound or traits.tracks_differ):
        parts.append(job.track)
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode("utf-8", "surrogatepass")).hexdigest()


def input_digest(path: Path) -> str:
    """SHA-256 of an input; an AudioError says why it cannot be read."""
    try:
        return _digest(path)
    except (OSError, ValueError) as error:
        AudioReader(path)  # its error says more
        raise AudioError(f"{path} cannot be read ({reason(error)}); check its permissions") from None


def result_digest(path: Path) -> str:
    """SHA-256 of a result; an OutputError says why it cannot be read."""
    try:
        return _digest(path)
    except (OSError, ValueError) as error:
        raise OutputError(f"{path} cannot be read ({reason(error)}); check its permissions") from None


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
