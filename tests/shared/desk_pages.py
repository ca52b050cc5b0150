"""Pages of the desk for tests in a real browser: made, opened, asked, rendered, played as fast as it can."""

import base64
import io
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from browsers import until

from tapeemu.desk.declarations import kinds_of_stages
from tapeemu.desk.page import write_page
from tapeemu.desk.stems import read_stems
from tapeemu.presets import parse_preset

RATE = 48_000
PRESET = """format = 1
# what it is for
purpose = "A test of the desk."

# first the drive
[[stages]]
name = "drive"
kind = "preamp_drive"
drive_db = 6.0 # by ear

# then the tape
[[stages]]
name = "tape"
kind = "wow_flutter"
weighted_flutter_percent = 0.2
"""


def stem(folder: Path, frames: int, name: str = "tone", channels: int = 2) -> Path:
    path = folder / f"{name}.wav"
    time_ = np.arange(frames) / RATE
    tone = np.stack([0.25 * np.sin(2 * np.pi * hertz * time_) for hertz in (220.0, 331.0)[:channels]])
    soundfile.write(path, tone.T, RATE, subtype="PCM_24")
    return path


def desk(browser: Any, expression: str) -> Any:
    return browser.execute_script(f"const {{ desk }} = window.tapeemuDesk; return {expression}")


def element(browser: Any, name: str) -> Any:
    found = browser.find_element("id", name)
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", found)
    return found


RENDER = """
const done = arguments[1];
const { desk } = window.tapeemuDesk;
desk.sound.file(desk.setup, arguments[0], () => {}, "").then(({ wav }) => {
  let text = "";
  const bytes = new Uint8Array(wav);
  for (let i = 0; i < bytes.length; i += 30000) text += String.fromCharCode(...bytes.subarray(i, i + 30000));
  done(btoa(text));
}, (error) => done("!" + error.message));
"""


def rendered(browser: Any, index: int, at_rate: int = RATE) -> np.ndarray:
    raw = browser.execute_async_script(RENDER, index)
    assert not raw.startswith("!"), raw
    audio, rate = soundfile.read(io.BytesIO(base64.b64decode(raw)), dtype="float32", always_2d=True)
    assert rate == at_rate
    return np.asarray(audio.T)


# The page's own player in a context that renders as fast as it can: at each time a method of the desk is called.
# What comes out of the player, at full level, comes back.
OFFLINE = """
const [seconds, steps, done] = arguments;
const { desk } = window.tapeemuDesk;
(async () => {
  const { sound } = desk;
  sound.volumeDb = 0;
  document.getElementById("match").checked = false;
  desk.applyMatch();
  const context = new OfflineAudioContext(2, seconds * 48000, 48000);
  await sound.open(context);
  const moment = () => new Promise((resolve) => setTimeout(resolve, 120));
  await moment();
  sound.send({ type: "play", on: true });
  await moment();
  for (const [time, method, ...given] of steps) {
    context.suspend(time).then(async () => {
      await moment(); // for what the player has said until here
      if (method === "count") (desk.counts ??= []).push(sound.number);
      else desk[method](...given);
      await moment();
      context.resume();
    });
  }
  const heard = await context.startRendering();
  done([0, 1].map((channel) => {
    const bytes = new Uint8Array(heard.getChannelData(channel).buffer);
    let text = "";
    for (let i = 0; i < bytes.length; i += 30000) text += String.fromCharCode(...bytes.subarray(i, i + 30000));
    return btoa(text);
  }));
})().catch((error) => done(String(error.stack)));
"""


def played(browser: Any, seconds: float, steps: list[tuple[Any, ...]]) -> np.ndarray:
    found = browser.execute_async_script(OFFLINE, seconds, steps)
    assert isinstance(found, list), found
    return np.stack([np.frombuffer(base64.b64decode(raw), "<f4") for raw in found]).astype(np.float64)


def page_of(browser: Any, folder: Path, text: str, sources: list[Path]) -> None:
    page = write_page(read_stems(sources), parse_preset(text, name="page"), folder / "page.html", overwrite=True)
    browser.get(page.as_uri())
    until(lambda: browser.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")


def drawn_curves(rng: np.random.Generator, rate: int) -> str:
    """A preset of stages that move, in any order, each with curves of some of its settings and of its mix."""
    declared = kinds_of_stages()
    lines = ["format = 1", 'purpose = "Drawn."']
    if rng.random() < 0.5:
        lines += ["", "[[stages]]", 'kind = "wow_flutter"', f"speed_error_percent = {float(rng.uniform(-3, 3))!r}"]
    for kind in rng.permutation([kind for kind, each in declared.items() if each["moves"]])[: rng.integers(1, 4)]:
        lines += [
            "",
            "[[stages]]",
            f'kind = "{kind}"',
            *(["lines = 8", "decay_seconds = 0.2"] if "fdn" in kind else []),
        ]
        names = list(rng.permutation(declared[kind]["moves"]))[: rng.integers(0, 3)] + [
            "mix_percent"
        ] * rng.integers(2)
        if {"drive_db", "thd_percent"} <= set(names) or {"drive_db", "mol_db"} <= set(names):
            names.remove("drive_db")
        for name in names:
            low, high = {
                "drive_db": (-6, 18),
                "thd_percent": (0.5, 8),
                "mol_db": (0, 12),
                "bass_rise_db": (0, 18),
                "residue_db": (-90, -35),
            }.get(name, (-40, -22) if name.endswith(("db", "dbfs")) else (0, 100))
            unit = rng.choice(["seconds", "samples"])
            times = np.sort(rng.uniform(-0.1, 0.5, rng.integers(1, 6)))
            points = [
                f"{{ {unit} = {round(time * rate) if unit == 'samples' else repr(float(time))}, "
                f"value = {float(rng.uniform(low, high))!r}, shape = "
                f'"{rng.choice(["linear", "smooth", "hold"])}" }}'
                for time in times
            ]
            lines += ["", "[[stages.automation]]", f'setting = "{name}"', f"points = [{', '.join(points)}]"]
    return "\n".join([*lines, ""])
