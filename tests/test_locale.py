"""Where a comma stands before decimals (a program that hosts this one may have set that), nothing differs."""

import subprocess
import sys
from pathlib import Path

SCRIPT = r"""
import contextlib, io, locale, os, sys
from pathlib import Path
import numpy as np
import soundfile
from measure.command_line import main as measure
from tapeemu.cli import main as tapeemu


def told(place, command, *words):
    said = io.StringIO()
    sys.argv = ["program", *map(str, words)]
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            status = command()
        except SystemExit as ended:
            status = ended.code
    assert status in (0, None), said.getvalue()
    return said.getvalue().replace(str(place), "")


def everything(place):
    os.environ["TAPEEMU_PRESETS"] = str(place)
    tone = 0.5 * np.sin(2.0 * np.pi * 1000.0 / 48000.0 * np.arange(24000))
    soundfile.write(place / "tone.wav", tone, 48000, "PCM_24")
    one, made = place / "one.toml", place / "out/tone.wav"
    stages = ("--stage", "preamp_drive drive_db=2.5", "--stage", "wow_flutter weighted_flutter_percent=0.15")
    yield told(place, tapeemu, "new", "one", "--purpose", "A tape.", *stages)
    yield one.read_text("utf-8")
    yield told(place, tapeemu, "show", "one")
    yield told(place, tapeemu, "find", "thd=0.1..1.3")
    # The table before these words holds the speed, which differs.
    words = ("process", "tone.wav", "-p", "one.toml", "-o", "out", "--tail-seconds", "0.25")
    yield told(place, tapeemu, *words).partition("tape (seed)")[2]
    yield soundfile.read(made)[0].tobytes()
    with soundfile.SoundFile(made) as file:
        yield file.comment.replace(str(place), "")
    yield told(place, measure, "tone.wav")


found, top = [], Path.cwd()
for name, point in (("C", "."), (sys.argv[1], ",")):
    locale.setlocale(locale.LC_ALL, name)
    assert locale.localeconv()["decimal_point"] == point
    place = top / str(len(found))
    place.mkdir()
    os.chdir(place)
    found.append(list(everything(place)))
for with_point, with_comma in zip(*found, strict=True):
    assert with_point == with_comma, (with_point, with_comma)
assert "drive_db = 2.5" in found[1][1]
print("the same")
"""


def test_files_sound_and_words_are_the_same_with_decimal_commas(german: dict[str, str], tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", SCRIPT, "de_DE.UTF-8"],
        cwd=tmp_path,
        env=german,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.strip() == "the same", done.stderr
