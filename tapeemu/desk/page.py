"""The page of the desk: one HTML file with script, style and engine inside, and stems where it is mailed."""

import base64
import hashlib
import json
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

from tapeemu import __version__
from tapeemu.desk.declarations import kinds_of_stages, preset_rules, stage_settings, transports
from tapeemu.desk.stems import PageStem
from tapeemu.errors import AudioError, ParameterError
from tapeemu.files.part_files import check_target, write_whole
from tapeemu.pages import script_data, shared_source
from tapeemu.presets import Preset, list_places, load_preset
from tapeemu.presets.writing import preset_text

__all__ = ["SCRIPTS", "content_policy", "desk_page", "write_page"]

SCRIPTS = (
    *("base.js", "toml.js", "numbers.js", "expected.js", "curves.js", "engine.js"),
    *("provenance.js", "sound.js"),
    *("slider.js", "strips.js", "recording.js", "drawings.js", "hidden.js", "desk.js"),
)
"""Scripts of the page, in the order in which they are put together."""

_MOST_MEGABYTES = 256
"""Samples in one file: a browser reads them as text, of which it holds half a gigabyte."""

_SHARED = ("player.js", "hidden_test.js")


def desk_page(
    stems: Sequence[PageStem], preset: Preset, *, server: dict[str, Any] | None = None, nonce: str | None = None
) -> str:
    """The text of the page.

    Parameters
    ----------
    stems : sequence of PageStem
        What loops; inside the page where no server is.
    preset : Preset
        What the desk opens with.
    server : dict, optional
        What the page needs to ask the server that it came from.
    nonce : str, optional
        Of its scripts; made from the script if left out.
    """
    script = "\n".join([*(shared_source(name) for name in _SHARED), *(_own(name) for name in SCRIPTS)])
    presets = _presets(preset)
    data = {
        "rate": stems[0].sample_rate,
        "stems": [stem.described() if server else stem.embedded() for stem in stems],
        "opened": preset.name,
        "version": __version__,
        "presets": [_described(each) for each in presets],
        "kinds": kinds_of_stages(),
        "stage": stage_settings(),
        "rules": preset_rules(),
        "transports": transports(),
        "engine": json.loads(_own("engine.json")),
        "wasm": {name: _encoded(f"{name}.wasm") for name in ("engine", "engine64")},
        "worklet": _own("curves.js") + _own("worklet.js"),
        "server": server,
    }
    given = nonce or hashlib.sha256(script.encode()).hexdigest()[:32]
    page = _own("desk.html")
    for mark, text in (
        ("{{ policy }}", content_policy(given)),
        ("{{ nonce }}", given),
        ("{{ style }}", _own("desk.css")),
        ("{{ script }}", f'"use strict";\n(() => {{\n{script}\n}})();'),
        ("{{ data }}", script_data(data)),
    ):
        page = page.replace(mark, text)
    return page


def content_policy(nonce: str) -> str:
    """What the page may load: nothing but what is in it, the player's script as a data address among it."""
    return (
        f"default-src 'none'; script-src 'nonce-{nonce}' 'wasm-unsafe-eval' data:; style-src 'unsafe-inline'; "
        "img-src data:; media-src blob:; connect-src 'self'; base-uri 'none'; form-action 'none'"
    )


def write_page(stems: Sequence[PageStem], preset: Preset, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write the desk as one file that works from disk.

    Raises
    ------
    ParameterError, OutputError
        If the target may not be written.
    AudioError
        If a browser could not read a file with so much sound in it.
    """
    target = Path(path)
    if target.suffix.lower() not in (".html", ".htm"):
        raise ParameterError(f"the page's name is {target.name!r}, but must end in .html")
    check_target(target, overwrite=overwrite)
    megabytes = sum(len(stem.content) for stem in stems) / 1e6
    if megabytes > _MOST_MEGABYTES:
        raise AudioError(
            f"the stems take {megabytes:.0f} MB, but one page may hold {_MOST_MEGABYTES} MB; cut out a part, "
            "or leave --page out"
        )
    write_whole(target, desk_page(stems, preset).encode(), overwrite=overwrite)
    return target


def _presets(first: Preset) -> list[Preset]:
    others = [load_preset(place.name) for place in list_places() if place.name != first.name]
    return [first, *others]


def _described(preset: Preset) -> dict[str, Any]:
    text = preset.text or preset_text(preset)
    figures = preset.readings if preset.state == "measured" else {}
    return {
        "name": preset.name,
        "text": _without_measured(text),
        "purpose": preset.purpose,
        "figures": {key: [reading.value, reading.unit] for key, reading in figures.items()},
    }


def _without_measured(text: str) -> str:
    """The text of a preset up to its figures, which a change would make untrue."""
    lines = text.splitlines(keepends=True)
    first = next((n for n, line in enumerate(lines) if line.lstrip().startswith("[measured")), len(lines))
    return "".join(lines[:first]).rstrip() + "\n"


def _own(name: str) -> str:
    return files(__package__).joinpath("page", name).read_text("utf-8")


def _encoded(name: str) -> str:
    return base64.b64encode(files(__package__).joinpath("page", name).read_bytes()).decode("ascii")
