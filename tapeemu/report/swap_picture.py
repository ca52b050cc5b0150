"""The picture of the page of orders: how much it changes when two stages change places."""

import math
from collections.abc import Mapping, Sequence
from html import escape

__all__ = ["swap_picture"]

_WIDTH, _LEFT, _RIGHT, _TOP = 860.0, 190.0, 24.0, 78.0
_ROW, _LINE = 26.0, 15.0
_COLUMNS = 2  # of the legend
_LOWEST_DB = -100.0
_COLOURS = ("#2f7fd0", "#c8641b", "#2e8b57", "#9a5fc0", "#c9406c", "#1b8793", "#85781a", "#a0644e")
_SHAPES = ("circle", "square", "diamond", "triangle")
# A picture in a page of unknown ground brings its own, light or dark as the reader has asked.
_STYLE = """
.ground{fill:#fbfaf7}.ink{fill:#1d1f21}.soft{fill:#5b5f63}.rule{stroke:#cfccc4}.zone{fill:#ece9e1}.limit{stroke:#5b5f63}
@media (prefers-color-scheme:dark){.ground{fill:#16181a}.ink{fill:#e7e5e0}.soft{fill:#a4a7aa}.rule{stroke:#44484c}
.zone{fill:#26292c}.limit{stroke:#a4a7aa}}
text{font-family:system-ui,sans-serif;font-size:14px}.small{font-size:12px}
"""


def swap_picture(
    recordings: Sequence[tuple[str, Mapping[tuple[str, str], Sequence[float]]]], *, limit_db: float
) -> str:
    """Draw, for each two stages, the range of the difference signals on each recording.

    Parameters
    ----------
    recordings : sequence of (str, mapping)
        Name, and levels of the difference signals in dB by the two stages; minus infinity for equal renders.
    limit_db : float
        Below it renders count as alike.

    Returns
    -------
    str
        An SVG document; the same input makes the same text.
    """
    pairs = _pairs([by_stages for _, by_stages in recordings])
    top = _TOP + math.ceil(len(recordings) / _COLUMNS) * 20.0
    height_of_row = _ROW + _LINE * (len(recordings) - 1)
    bottom = top + height_of_row * len(pairs)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {bottom + 52.0:.0f}" role="img">',
        "<title>Level of the difference when two stages change places</title>",
        f"<style>{_STYLE}</style>",
        f'<rect class="ground" width="{_WIDTH:.0f}" height="{bottom + 52.0:.0f}" rx="8"/>',
        '<text class="ink" x="20" y="32" style="font-size:18px">What changes when two stages change places</text>',
    ]
    parts += _legend([name for name, _ in recordings])
    parts += _scale(top, bottom, limit_db)
    for row, pair in enumerate(pairs):
        levels = [by_stages.get(pair, by_stages.get((pair[1], pair[0]), ())) for _, by_stages in recordings]
        parts += _row(pair, levels, top + row * height_of_row, height_of_row)
    return "\n".join([*parts, "</svg>", ""])


def _pairs(recordings: Sequence[Mapping[tuple[str, str], Sequence[float]]]) -> list[tuple[str, str]]:
    """Each two stages once, those that differ most first."""
    widest: dict[tuple[str, str], float] = {}
    for by_stages in recordings:
        for pair, levels in by_stages.items():
            known = (pair[1], pair[0]) if (pair[1], pair[0]) in widest else pair
            widest[known] = max(widest.get(known, -math.inf), *levels)
    return sorted(widest, key=lambda pair: (-widest[pair], pair))


def _legend(names: Sequence[str]) -> list[str]:
    parts = []
    for number, name in enumerate(names):
        x, y = 30.0 + (number % _COLUMNS) * 400.0, 60.0 + (number // _COLUMNS) * 20.0
        parts.append(_mark(number, x, y - 4.0))
        parts.append(f'<text class="soft" x="{x + 14.0:.0f}" y="{y:.0f}">{escape(_short(name))}</text>')
    return parts


def _scale(top: float, bottom: float, limit_db: float) -> list[str]:
    """The levels, and the one below which renders count as alike."""
    parts = []
    parts.append(
        f'<rect class="zone" x="{_LEFT:.0f}" y="{top:.0f}" width="{_x(limit_db) - _LEFT:.1f}" '
        f'height="{bottom - top:.0f}"/>'
    )
    for level in range(round(_LOWEST_DB), 1, 20):
        x = _x(float(level))
        parts.append(f'<line class="rule" x1="{x:.1f}" x2="{x:.1f}" y1="{top:.0f}" y2="{bottom:.0f}"/>')
        text = f"\N{MINUS SIGN}{-level}" if level else "0 dB"
        parts.append(
            f'<text class="soft small" x="{x:.1f}" y="{bottom + 18.0:.0f}" text-anchor="middle">{text}</text>'
        )
    x = _x(limit_db)
    parts.append(
        f'<line class="limit" x1="{x:.1f}" x2="{x:.1f}" y1="{top:.0f}" y2="{bottom:.0f}" stroke-dasharray="5 4"/>'
    )
    for text, place, anchor in (("too alike to tell apart", x - 10.0, "end"), ("heard", x + 10.0, "start")):
        parts.append(
            f'<text class="soft small" x="{place:.1f}" y="{bottom + 40.0:.0f}" '
            f'text-anchor="{anchor}">{text}</text>'
        )
    return parts


def _row(pair: tuple[str, str], by_recording: Sequence[Sequence[float]], begin: float, height: float) -> list[str]:
    """The name of two stages, and the range of their differences on each recording."""
    parts = [
        f'<text class="ink" x="{_LEFT - 14.0:.0f}" y="{begin + 0.5 * height + 5.0:.1f}" '
        f'text-anchor="end">{escape(_short(f"{pair[0]} and {pair[1]}", 24))}</text>',
        f'<line class="rule" x1="20" x2="{_WIDTH - _RIGHT:.0f}" y1="{begin:.1f}" y2="{begin:.1f}"/>',
    ]
    for number, levels in enumerate(by_recording):
        if not levels:
            continue
        y = begin + 0.5 * _ROW + number * _LINE
        low, high = _x(min(levels)), _x(max(levels))
        parts.append(
            f'<line x1="{low:.1f}" x2="{high:.1f}" y1="{y:.1f}" y2="{y:.1f}" '
            f'stroke="{_COLOURS[number % len(_COLOURS)]}" stroke-width="3" stroke-linecap="round"/>'
        )
        parts += [_mark(number, low, y), _mark(number, high, y)]
    return parts


def _x(level_db: float) -> float:
    share = (max(level_db, _LOWEST_DB) - _LOWEST_DB) / -_LOWEST_DB
    return _LEFT + min(share, 1.0) * (_WIDTH - _RIGHT - _LEFT)


def _short(text: str, most: int = 44) -> str:
    plain = "".join(letter for letter in text if letter.isprintable())
    return plain if len(plain) <= most else plain[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"


def _mark(number: int, x: float, y: float) -> str:
    colour, shape = _COLOURS[number % len(_COLOURS)], _SHAPES[number % len(_SHAPES)]
    if shape == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="{colour}"/>'
    corners = {
        "square": ((-4.5, -4.5), (4.5, -4.5), (4.5, 4.5), (-4.5, 4.5)),
        "diamond": ((0.0, -6.0), (6.0, 0.0), (0.0, 6.0), (-6.0, 0.0)),
        "triangle": ((0.0, -6.0), (5.5, 4.5), (-5.5, 4.5)),
    }[shape]
    return f'<polygon points="{" ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in corners)}" fill="{colour}"/>'
