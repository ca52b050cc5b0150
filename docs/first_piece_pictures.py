"""Draw the pictures of docs/first-piece.md from the demonstration: ``python docs/first_piece_pictures.py``.

Each is an SVG without colours, on a ground of its own, so that it reads alike on any page and on paper. The same
version of the program draws the same text again.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from measure.quantities.decay import decay_from_impulse
from measure.quantities.flutter import flutter
from tapeemu import Chain, load_preset
from tapeemu.demo_scene import SECONDS, make_stem

FloatArray = npt.NDArray[np.float64]

RATE = 48_000
PRESET = "hall-into-drive"
STEM = "bell-buoy"
TAIL_SECONDS = 4.0
LATER_SECONDS = 95
_WIDTH, _LEFT, _RIGHT = 800.0, 70.0, 780.0
_STYLE = (
    ".ground{fill:#fbfaf7}.rule{stroke:#d8d5cd}.zero{stroke:#8a8d90}.body{fill:#3b3f43}"
    ".line{fill:none;stroke:#1d1f21;stroke-width:1.6}.broken{stroke-dasharray:7 5}"
    "text{font-family:system-ui,sans-serif;font-size:14px;fill:#1d1f21}.small{font-size:12px;fill:#5b5f63}"
)


def own_chain() -> Chain:
    """The chain that the page makes of the preset: a shorter room on a less steady tape."""
    chain = load_preset(PRESET).chain.with_setting("hall", "decay_seconds", 1.8)
    return chain.with_setting("transport", "weighted_flutter_percent", 0.2)


def draw_waves() -> str:
    """The bell, dry and on tape: the highest and lowest sample of each step, both on one scale."""
    dry = make_stem(STEM, sample_rate=RATE)
    wet = load_preset(PRESET).chain(dry, sample_rate=RATE, tail_seconds=TAIL_SECONDS)
    span = SECONDS + TAIL_SECONDS
    parts = _seconds(span, bottom=300.0, step=2)
    for label, sound, middle in (("dry", dry, 80.0), ("on tape", wet, 220.0)):
        steps = np.array_split(sound.mean(axis=0), round(sound.shape[1] / RATE * 55.0))
        across = _LEFT + (_RIGHT - _LEFT) * (np.arange(len(steps)) + 0.5) / (span * 55.0)
        scale = 60.0 / 0.25
        # At least a hairline, so that silence is drawn too.
        upper = [middle - max(scale * float(step.max()), 0.4) for step in steps]
        lower = [middle - min(scale * float(step.min()), -0.4) for step in steps]
        outline = [*zip(across, upper, strict=True), *reversed(list(zip(across, lower, strict=True)))]
        parts.append(f'<path class="body" d="{_path(outline)}Z"/>')
        parts.append(f'<text x="12" y="{middle + 5.0:.0f}">{label}</text>')
    return _document("The bell buoy, dry and on tape", parts, height=340.0)


def draw_speed() -> str:
    """The speed of three places on tape, as the laboratory reads it from a tone of 3150 Hz."""
    transport = load_preset(PRESET).chain.stages[2].processor
    own = own_chain().stages[2].processor
    seconds = 8.0
    tone = 0.25 * np.sin(2.0 * np.pi * 3_150.0 * np.arange(round((seconds + 1.0) * RATE)) / RATE)
    rows = (
        ("0.12 % weighted flutter: the tape of the preset, from its start", transport, 0),
        ("0.20 %: your tape, from its start, the same movement and further", own, 0),
        (f"0.20 %: your tape, {LATER_SECONDS} s later", own, LATER_SECONDS * RATE),
    )
    parts = _seconds(seconds, bottom=412.0, step=1)
    for number, (label, processor, start) in enumerate(rows):
        middle = 82.0 + 132.0 * number
        read = flutter(processor(tone, sample_rate=RATE, start_sample=start), RATE).deviation
        grid = np.arange(0.0, seconds + 1e-9, 1.0 / 50.0)
        # The reading itself begins a moment after the tone, when its filter is full.
        grid = grid[(grid >= read.x[0]) & (grid <= read.x[-1])]
        speed = np.interp(grid, read.x, read.y)
        for percent in (-0.5, 0.0, 0.5):
            y = middle - 80.0 * percent
            kind = "rule" if percent else "zero"
            parts.append(f'<line class="{kind}" x1="{_LEFT}" x2="{_RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
            text = f"{percent:+.1f} %".replace("-", "\N{MINUS SIGN}") if percent else "0"
            parts.append(
                f'<text class="small" x="{_LEFT - 8.0}" y="{y + 4.0:.1f}" text-anchor="end">{text}</text>'
            )
        points = zip(_LEFT + (_RIGHT - _LEFT) * grid / seconds, middle - 80.0 * speed, strict=True)
        parts.append(f'<path class="line" d="{_path(list(points))}"/>')
        parts.append(f'<text x="{_LEFT}" y="{middle - 50.0:.0f}">{label}</text>')
    return _document("How far the speed of the tape is off, in time", parts, height=452.0)


def draw_decay() -> str:
    """How the sound of both rooms dies away in the octave at 500 Hz."""
    span, top, bottom, lowest_db = 4.0, 24.0, 324.0, -60.0
    parts = _seconds(span, bottom=bottom, step=1)
    for level in range(0, round(lowest_db) - 1, -20):
        y = top + (bottom - top) * level / lowest_db
        parts.append(f'<line class="rule" x1="{_LEFT}" x2="{_RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        text = f"\N{MINUS SIGN}{-level} dB" if level else "0 dB"
        parts.append(f'<text class="small" x="{_LEFT - 8.0}" y="{y + 4.0:.1f}" text-anchor="end">{text}</text>')
    rooms = (("the preset's room", load_preset(PRESET).chain, ""), ("your room", own_chain(), " broken"))
    for label, chain, kind in rooms:
        click = np.zeros(round(6.0 * RATE))
        click[0] = 1.0
        hall = chain.with_setting("hall", "wet_percent", 100.0).stages[0].processor
        decay = decay_from_impulse(hall(click, sample_rate=RATE), RATE)
        (band,) = (each for each in decay.bands if each.centre_hz == 500.0)
        curve = band.curve
        # The reading itself ends where the fit does, some way above the floor.
        grid = np.arange(0.0, min(span, float(curve.x[-1])), 0.04)
        level = np.interp(grid, curve.x, curve.y - curve.y[0])
        shown = level >= lowest_db
        points = np.stack(
            [
                _LEFT + (_RIGHT - _LEFT) * grid[shown] / span,
                top + (bottom - top) * level[shown] / lowest_db,
            ],
            axis=1,
        )
        parts.append(f'<path class="line{kind}" d="{_path(points.tolist())}"/>')
        x, y = points[round(0.5 * len(points))]
        parts.append(f'<text x="{x + 12.0:.1f}" y="{y - 8.0:.1f}">{label}</text>')
    return _document("How the octave at 500 Hz dies away in both rooms", parts, height=364.0)


PICTURES = {
    "first-piece-waves.svg": draw_waves,
    "first-piece-speed.svg": draw_speed,
    "first-piece-decay.svg": draw_decay,
}


def _seconds(span: float, *, bottom: float, step: int) -> list[str]:
    parts = []
    for second in range(0, round(span) + 1, step):
        x = _LEFT + (_RIGHT - _LEFT) * second / span
        parts.append(f'<line class="rule" x1="{x:.1f}" x2="{x:.1f}" y1="16" y2="{bottom:.0f}"/>')
        text = f"{second} s" if second else "0"
        parts.append(f'<text class="small" x="{x:.1f}" y="{bottom + 20.0:.0f}" text-anchor="middle">{text}</text>')
    return parts


def _path(points: Sequence[Sequence[float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _document(title: str, parts: Sequence[str], *, height: float) -> str:
    head = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" role="img">',
        f"<title>{title}</title>",
        f"<style>{_STYLE}</style>",
        f'<rect class="ground" width="{_WIDTH:.0f}" height="{height:.0f}" rx="8"/>',
    ]
    return "\n".join([*head, *parts, "</svg>"]) + "\n"


def main() -> None:
    """Write the pictures beside this file."""
    for name, draw in PICTURES.items():
        (Path(__file__).parent / name).write_text(draw(), "utf-8", newline="\n")


if __name__ == "__main__":
    main()
