"""docs/first-piece.md is true: its commands run in order, and print what the page says they print.

Figures with a doubt (``2.149 ± 0.026``) agree within the doubts of the page and of the run together; figures of
presets, printed without theirs, within 2 %, since the largest of these doubts (decay at 125 Hz) is over 1 %; all
others, which nothing random moves, within one step of their last digit, and whole numbers exactly.
"""

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from modules import module_at
from page_commands import run

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "docs/first-piece.md"
TEXT = PAGE.read_text("utf-8")
CUT = "…"
# Minutes of processor time, so only in the long run; nothing later on the page needs their files.
SLOW = ("tapeemu compare", "tapeemu solve")
OF_PRESETS = ("tapeemu find",)
OF_PRESETS_SHARE = 0.02

# Digits within a word are part of its name.
_NUMBER = r"(?<!\w)(?<!\d\.)[+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?(?!\w)"
_DOUBT = rf"{_NUMBER}\s+±\s+{_NUMBER}"
_TOKEN = re.compile(rf"(?P<doubt>{_DOUBT})|(?P<number>{_NUMBER})|(?P<cut>{CUT})|(?P<space>\s+)")

# Figures of the prose that no command prints, with what they are.
GIVEN = {
    60.0: "decibels, by the definition of the reverberation time",
    7.0: "a seed, as an example",
    -40.0: "decibels, in the words for a picture",
}


def steps(text: str) -> list[tuple[str, list[str]]]:
    """Each command of the page with the lines printed below it."""
    found = re.findall(r"```sh\n(.*?)```\n\n```text\n(.*?)```", text, re.DOTALL)
    return [(command.replace("\\\n", " ").strip(), told.splitlines()) for command, told in found]


def line_pattern(line: str) -> re.Pattern[str]:
    """What a line of the page says, its figures left open."""
    pattern, place = "", 0
    line = " ".join(line.split())
    for token in _TOKEN.finditer(line):
        pattern += re.escape(line[place : token.start()])
        if token["doubt"]:
            pattern += rf"({_NUMBER})\s+±\s+({_NUMBER})"
        elif token["number"]:
            pattern += f"({_NUMBER})" if "." in token["number"] else re.escape(token["number"])
        else:
            pattern += ".*" if token["cut"] else r"\s+"
        place = token.end()
    # What is cut may be nothing, and then has no space around it.
    return re.compile((pattern + re.escape(line[place:])).replace(r"\s+.*", r"(?:\s.*)?") + "$")


def figures_of(line: str) -> list[tuple[str, str | None]]:
    """Each figure of a line that may move, with the doubt printed beside it; whole numbers are words."""
    found: list[tuple[str, str | None]] = []
    for token in _TOKEN.finditer(line):
        if token["doubt"]:
            value, doubt = re.split(r"\s+±\s+", token["doubt"])
            found.append((value, doubt))
        elif token["number"] and "." in token["number"]:
            found.append((token["number"], None))
    return found


def wrong_figures(line: str, match: re.Match[str], share: float) -> list[str]:
    """Figures of a line of the page that the run does not bear out."""
    read = iter(match.groups())
    wrong = []
    for value, doubt in figures_of(line):
        now = next(read)
        if doubt is not None:
            doubt_now = next(read)
            bound = float(doubt) + float(doubt_now)
            if not 0.5 <= float(doubt_now) / float(doubt) <= 2.0:
                wrong.append(f"± {doubt}, now ± {doubt_now}")
        else:
            bound = max(10.0 ** -len(value.partition(".")[2]), share * abs(float(value)))
        if abs(float(now) - float(value)) > bound * (1.0 + 1e-9):
            wrong.append(f"{value}, now {now}")
    return wrong


def differences(told: list[str], printed: str, share: float = 0.0) -> list[str]:
    """What of a printed block of the page differs from a run; lines are left out only where the page says so."""
    lines = [line.strip() for line in printed.splitlines() if line.strip(" ─")]
    found, place = [], 0
    free = False
    for line in told:
        if line.strip() == CUT:
            free = True
            continue
        pattern = line_pattern(line)
        reach = range(place, len(lines)) if free else range(place, min(place + 1, len(lines)))
        match = next(((at, each) for at in reach if (each := pattern.match(lines[at])) is not None), None)
        if match is None:
            found.append(f"not printed: {line!r}, there stands {lines[place : place + 1]}")
            free = True
            continue
        place = match[0] + 1
        found += [f"{line!r} says {each}" for each in wrong_figures(" ".join(line.split()), match[1], share)]
        # The rest of a line that is cut may have been wrapped.
        free = line.endswith(CUT)
    if not free and place < len(lines):
        found.append(f"left out without a word: {lines[place]!r}")
    return found


def follow(folder: Path, *, slow: bool) -> dict[str, list[str]]:
    """Run the commands of the page; what differs, by command."""
    found = {}
    for command, told in steps(TEXT):
        if slow or not command.startswith(SLOW):
            share = OF_PRESETS_SHARE if command.startswith(OF_PRESETS) else 0.0
            found[command] = differences(told, run(command, folder), share)
    return {command: each for command, each in found.items() if each}


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, list[str]]]:
    folder = tmp_path_factory.mktemp("first-piece")
    return folder, follow(folder, slow=False)


@pytest.mark.long
def test_the_commands_print_what_the_page_says(followed: tuple[Path, dict[str, list[str]]]) -> None:
    assert followed[1] == {}


@pytest.mark.long
def test_all_commands_print_what_the_page_says(tmp_path: Path) -> None:
    assert follow(tmp_path, slow=True) == {}


@pytest.mark.long
def test_the_sum_has_the_level_that_the_page_names(followed: tuple[Path, dict[str, list[str]]]) -> None:
    """By libebur128, another program's meter; the page says -20 LUFS, and at most -1 dBTP."""
    import pyebur128

    stems = [soundfile.read(path)[0] for path in sorted((followed[0] / "takes/piece").glob("*.wav"))]
    assert len(stems) == 4
    mix = np.ascontiguousarray(np.sum(stems, axis=0))
    state = pyebur128.R128State(
        2, 48_000, pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    )
    state.add_frames(mix.ravel(), len(mix))
    assert pyebur128.get_loudness_global(state) == pytest.approx(-20.0, abs=0.05)
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(2))
    assert 20.0 * np.log10(peak) < -1.0


@pytest.mark.long
def test_the_places_on_tape_differ(followed: tuple[Path, dict[str, list[str]]]) -> None:
    """The bell 95 s later meets another piece of the same tape."""
    first, _ = soundfile.read(followed[0] / "takes/piece/bell-buoy.wav")
    later, _ = soundfile.read(followed[0] / "takes/later/bell-buoy.wav")
    assert first.shape == later.shape
    first *= np.sqrt(np.sum(later**2) / np.sum(first**2))
    # The displacement of any tape starts at zero, so look behind the first second.
    assert np.sum((first - later)[48_000:] ** 2) > 0.01 * np.sum(later[48_000:] ** 2)


def test_every_figure_of_the_prose_stands_in_a_command_or_its_output() -> None:
    prose = re.sub(r"```.*?```", "", TEXT, flags=re.DOTALL)
    # Names, files and headings hold no figures.
    prose = re.sub(r"\]\([^)]*\)|^#.*$", "", prose, flags=re.MULTILINE)
    blocks = " ".join(f"{command} {' '.join(told)}" for command, told in steps(TEXT))
    known = {float(each) for each in re.findall(_NUMBER, blocks)}
    known |= {abs(each) for each in known} | set(GIVEN)
    said = {float(each) for each in re.findall(_NUMBER, prose)}
    assert len(said) > 20
    assert set(GIVEN) <= said
    assert said <= known, sorted(said - known)


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("first-piece-waves.svg", marks=pytest.mark.long),
        "first-piece-speed.svg",
        pytest.param("first-piece-decay.svg", marks=pytest.mark.long),
    ],
)
def test_the_pictures_are_those_that_the_script_draws(name: str) -> None:
    """The same text, and the same places within a fifth of a pixel: another processor rounds another way."""
    drawn = module_at(ROOT / "docs/first_piece_pictures.py").PICTURES[name]()
    kept = (ROOT / "docs" / name).read_text("utf-8")
    number = re.compile(r"-?\d+\.\d+")
    assert number.sub("#", drawn) == number.sub("#", kept)
    places = [np.array([float(each) for each in number.findall(text)]) for text in (drawn, kept)]
    np.testing.assert_allclose(*places, rtol=0.0, atol=0.2)
    assert f"]({name})" in TEXT


def test_the_page_warns_before_anything_is_heard() -> None:
    assert TEXT.index("turn the level down") < TEXT.index("```")


@pytest.mark.parametrize(
    ("told", "printed"),
    [
        (["a 2.149 ± 0.026 s"], "a 2.21 ± 0.026 s"),
        (["a 2.149 ± 0.026 s"], "a 2.149 ± 0.006 s"),
        (["a -19.6 dB"], "a -19.8 dB"),
        (["4 stems"], "5 stems"),
        (["4 stems"], "4 beds"),
        (["one", "three"], "one\ntwo\nthree"),
        (["one"], "one\ntwo"),
        (["one", "…", "two"], "two\none"),
    ],
)
def test_a_difference_is_found(told: list[str], printed: str) -> None:
    assert differences(told, printed)


@pytest.mark.parametrize(
    ("told", "printed"),
    [
        (["a 2.149 ± 0.026 s"], " a   2.18 ± 0.03   s "),
        (["a -19.6 dB …", "b"], "a   -19.7  dB  and more\n  of it\n ─── \nb"),
        (["one", "…", "three"], "one\ntwo\nthree"),
    ],
)
def test_what_agrees_is_no_difference(told: list[str], printed: str) -> None:
    assert not differences(told, printed)
