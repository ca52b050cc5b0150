"""The report as a file: whole, self-contained, safe with hostile names, complete in its figures."""

import base64
import html
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hostile_comparison import HOSTILE, RATE, comparison

from tapeemu.chain import Chain
from tapeemu.comparison.compared_figures import FIGURES
from tapeemu.errors import OutputError, ParameterError
from tapeemu.rendering.matched import Render
from tapeemu.report import drawings, html_page, html_tables, value_text, write_report
from tapeemu.report.pictures import envelope, loudest_moment, picture_of, shown


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    (path,) = write_report(comparison(), tmp_path_factory.mktemp("page") / "report.html")
    return path.read_text("utf-8")


class Elements(HTMLParser):
    """Every element with its attributes, and the text of scripts by id."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.text: list[str] = []
        self._inside = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        self._inside = tag
        if tag == "script":
            self.scripts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside == "script":
            self.scripts[-1] += data
        elif self._inside != "style":
            self.text.append(data)


def test_nothing_points_outside(page: str) -> None:
    """No attribute that loads may hold anything but data of the page itself."""
    for tag, attributes in Elements(page).found:
        for name in ("src", "href", "xlink:href", "srcset", "action", "poster", "data"):
            value = attributes.get(name)
            assert value is None or value.startswith(("#", "data:image/png;base64,")), (tag, name, value[:60])
    assert "@import" not in page
    assert "url(http" not in page
    assert re.search(r"default-src 'none'", page)


def test_hostile_names_open_no_element(page: str) -> None:
    elements = Elements(page)
    scripts = [attributes for tag, attributes in elements.found if tag == "script"]
    kinds = sorted(str(attributes.get("type")) for attributes in scripts)
    assert kinds == ["None", "application/json", "text/plain", "text/plain", "text/plain"]
    assert HOSTILE in "".join(elements.text)
    assert "49" not in re.findall(r"hidden (\S+)", "".join(elements.text))
    data = json.loads(next(text for text in elements.scripts if text.startswith("{")))
    assert data["name"] == HOSTILE
    assert data["tracks"][1]["label"] == f"{HOSTILE} before drive"


def test_the_sound_inside_is_the_render(page: str) -> None:
    """Lossless: 16 bits with triangular dither, so at most two steps from the render."""
    coded = re.findall(r'<script type="text/plain" id="audio-(\d)">([^<]+)</script>', page)
    assert [index for index, _ in coded] == ["0", "1", "2"]
    done = comparison()
    for (_, text), render in zip(coded, (done.dry, *done.renders), strict=True):
        audio, rate = soundfile.read(io.BytesIO(base64.b64decode(text)), always_2d=True)
        assert rate == RATE
        assert audio.T.shape == render.audio.shape
        assert np.max(np.abs(audio.T - render.audio)) <= 2.0 * 2.0**-15
    # What the page says of their size is that of the files.
    megabytes = sum(len(base64.b64decode(text)) for _, text in coded) / 1e6
    (told,) = re.findall(r"16 bits with dither, ([\d.]+) MB", page)
    assert float(told) == pytest.approx(megabytes, abs=0.051)


def test_every_figure_stands_in_the_page(page: str) -> None:
    text = "".join(Elements(page).text).replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", " ")
    for own in comparison().figures:
        for key, reading in own.items():
            assert FIGURES[key].name in text
            assert value_text(key, reading) in text, key
    for sentence in comparison().sentences:
        assert sentence in text
    for part in comparison().answer.split(". ", 1):
        assert part in text


def test_plots_are_named_and_take_the_page_s_ink(page: str) -> None:
    elements = Elements(page)
    images = [attributes for _, attributes in elements.found if attributes.get("role") == "img"]
    assert len(images) >= 12
    assert all(len(str(attributes["aria-label"])) > 30 for attributes in images)
    plots = re.findall(r'<figure><div role="img".*?</figure>', page, re.DOTALL)
    assert len(plots) >= 12
    for plot in plots:
        assert "currentColor" in plot
        assert not re.search(r"(fill|stroke): #(000000|ffffff|010203|040506)", plot)
    for axis in ("Time / s", "Frequency / Hz", "Level / dBFS", "EDT / s", "THD / %", "Share of the time / %"):
        assert axis in page
    identifiers = re.findall(r' id="([^"]+)"', page)
    assert len(identifiers) == len(set(identifiers))


def test_controls_have_labels(page: str) -> None:
    elements = Elements(page).found
    labelled = {attributes.get("for") for tag, attributes in elements if tag == "label"}
    inside_label = re.findall(r'<label[^>]*>\s*<input[^>]*id="([^"]+)"', page)
    for tag, attributes in elements:
        if tag in ("input", "select") and attributes.get("type") != "radio":
            name = attributes.get("id")
            assert name in labelled or name in inside_label or attributes.get("aria-label"), attributes


def test_the_same_comparison_makes_the_same_page(page: str, tmp_path: Path) -> None:
    (again,) = write_report(comparison(), tmp_path / "again.html")
    assert again.read_text("utf-8") == page


def test_sound_over_the_limit_lies_beside(tmp_path: Path) -> None:
    written = write_report(comparison(), tmp_path / "report.html", embed_limit_mb=0.01)
    assert [path.relative_to(tmp_path).as_posix() for path in written] == [
        "report.html",
        *(f"report-audio/order-{index}.js" for index in range(3)),
    ]
    script = written[2].read_text("ascii")
    match = re.fullmatch(r'\(window\.tapeemuAudio \?\?= \{\}\)\[1\] = "([A-Za-z0-9+/=]+)";\n', script)
    assert match
    audio, _ = soundfile.read(io.BytesIO(base64.b64decode(match[1])))
    assert np.max(np.abs(audio.T - comparison().renders[0].audio)) <= 2.0 * 2.0**-15
    page = written[0].read_text("utf-8")
    assert 'id="audio-' not in page
    assert "report-audio" in page


def test_every_figure_stands_in_one_table_of_the_page() -> None:
    printed = [key for _, keys in html_tables._GROUPS for key in keys]
    assert sorted(printed) == sorted(FIGURES)


def test_what_exists_is_kept_unless_told(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text("mine", "utf-8")
    with pytest.raises(OutputError, match="exists"):
        write_report(comparison(), path)
    assert path.read_text("utf-8") == "mine"
    write_report(comparison(), path, overwrite=True)
    assert path.read_text("utf-8") != "mine"
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]


@pytest.mark.parametrize(
    ("name", "limit", "error", "words"),
    [
        ("report.pdf", 1.0, ParameterError, "must end in .html"),
        ("report.html", -1.0, ParameterError, "zero or more"),
        ("missing/report.html", 1.0, OutputError, "not an existing folder"),
    ],
)
def test_a_target_that_is_no_page_is_refused(
    tmp_path: Path, name: str, limit: float, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        write_report(comparison(), tmp_path / name, embed_limit_mb=limit)
    assert not list(tmp_path.iterdir())


def render_of(audio: np.ndarray) -> Render:
    return Render(
        label="x",
        order=(),
        chain=Chain(),
        audio=audio.astype(np.float32),
        gain_db=0.0,
        loudness_lufs=-20.0,
        true_peak_dbtp=-1.0,
    )


def test_pictures_show_what_is_there() -> None:
    """A half-scale sine of 1 kHz: one third octave at -6 dBFS, one level, one mel band."""
    clock = np.arange(2 * RATE) / RATE
    picture = picture_of(render_of(np.tile(0.5 * np.sin(2.0 * np.pi * 1000.0 * clock), (2, 1))), RATE)
    np.testing.assert_allclose(picture.third_hz[1:] / picture.third_hz[:-1], 10.0**0.1)  # IEC 61260-1, base ten
    loudest = int(np.argmax(picture.third_dbfs))
    assert picture.third_hz[loudest] == pytest.approx(1000.0)
    assert picture.third_dbfs[loudest] == pytest.approx(-6.02, abs=0.05)
    assert picture.level_percent[np.flatnonzero(picture.level_dbfs == -8.0)[0]] == pytest.approx(100.0)
    band = int(np.argmax(picture.spectrogram_db.mean(axis=1)))
    assert picture.band_hz[band] == pytest.approx(1000.0, rel=0.05)
    assert picture.seconds == 2.0


def test_the_envelope_follows_the_peaks() -> None:
    ramp = np.repeat(np.linspace(0.0, 1.0, 400), 50)
    points = envelope(render_of(np.stack([ramp, -0.5 * ramp])), 0, ramp.size, 400)
    assert points == pytest.approx(np.linspace(0.0, 1.0, 400), abs=1e-6)
    # Fewer samples than points: each shows the sample it falls into.
    assert envelope(render_of(np.array([[1.0, -0.5]])), 0, 2, 4) == pytest.approx([1.0, 1.0, 0.5, 0.5])


@pytest.mark.parametrize("peak", [0, 5, 500, 999])
def test_the_loudest_moment_holds_the_peak(peak: int) -> None:
    audio = np.zeros((2, 1000))
    audio[1, peak] = -1.0
    first, last = loudest_moment(render_of(audio), 1000.0, 0.1)
    assert 0 <= first <= peak < last <= 1000
    assert last - first == 100
    assert loudest_moment(render_of(audio[:, :50]), 1000.0, 0.1) == (0, 50)


def test_drawings_fit_their_frames() -> None:
    clock = np.arange(RATE) / RATE
    renders = [render_of(level * np.sin(2.0 * np.pi * 1000.0 * clock)[None]) for level in (0.1, 0.5, 0.25)]
    pictures = [picture_of(render, RATE) for render in renders]
    strips = [drawings.whole(renders, RATE), drawings.moment(renders, RATE), *drawings.spectra(pictures, 1)]
    for strip in strips:
        assert len(strip.paths) == 3
        for path in strip.paths:
            numbers = np.array(re.findall(r"-?[0-9.]+", path), dtype=float).reshape(-1, 2)
            assert np.all((numbers >= 0.0) & (numbers <= [600.0, 100.0]))
        assert all(-1e-6 <= place <= 100.0 + 1e-6 for place, _ in strip.vertical + strip.horizontal)
    assert [text for _, text in strips[0].vertical] == ["0.0 s", "0.2 s", "0.4 s", "0.6 s", "0.8 s", "1.0 s"]
    # Order 1 against itself is a level line in the middle; half of its level lies 6.02 dB below.
    middle = set(re.findall(r" ([0-9.]+)", strips[3].paths[1]))
    assert middle == {"50.0"}


def test_drawn_are_the_first_and_those_that_differ_most() -> None:
    assert shown([float("nan"), -30.0]) == [0, 1]
    assert shown([float("nan"), -30.0, -5.0, -40.0, float("nan"), -10.0]) == [0, 1, 2, 5]


def test_each_figure_has_a_cell_for_each_order_and_one_for_the_stem(page: str) -> None:
    """Few orders stand beside each other as columns, the stem last."""
    (table,) = re.findall('<table class="compared">.*?</table>', page, re.DOTALL)
    rows = re.findall('<tr><th scope="row">.*?</tr>', table)
    assert len(rows) > 10
    assert {row.count("<td>") for row in rows} == {len(comparison().renders) + 1}


class CountedStep:
    """A step of the work that counts what is done."""

    def __init__(self, parts: int) -> None:
        self.parts, self.done, self.finished = parts, [0], False

    def advance(self, count: int = 1) -> None:
        self.done.append(count)

    def finish(self) -> None:
        self.finished = True


class Counted:
    """What is told of the work."""

    def __init__(self) -> None:
        self.steps: list[CountedStep] = []

    def step(self, name: str, parts: int) -> CountedStep:
        self.steps.append(CountedStep(parts))
        return self.steps[-1]


@pytest.mark.parametrize("channels", [2, 9])  # a stream of FLAC has eight at most: without sound
def test_the_work_is_told_in_as_many_parts_as_are_done(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, channels: int
) -> None:
    monkeypatch.setattr(html_page, "picture_of", lambda *_: None)
    monkeypatch.setattr(html_page, "_coded", lambda *_: b"")
    monkeypatch.setattr(html_page, "_page", lambda *_: "")
    own = comparison()
    wide = replace(own, dry=replace(own.dry, audio=np.zeros((channels, 10))))
    told = Counted()
    write_report(wide, tmp_path / "report.html", progress=told)
    pictures, writing = told.steps
    assert pictures.parts == sum(pictures.done) == 1 + len(own.renders) + (channels == 2) * (1 + len(own.renders))
    assert pictures.finished
    assert writing.finished


def test_pictures_say_which_number_is_which_order(page: str) -> None:
    labels = [render.label for render in comparison().renders]
    names = "; ".join(f"{number} is {label}" for number, label in enumerate(labels, start=1))
    assert f"{names}." in html.unescape(page)
