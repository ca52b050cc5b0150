"""Sentences of a page that hold a figure."""

import re

_WORDS = "two|three|four|five|six|seven|eight|nine|ten|twenty|hundred|thousand|minute|hour|half|twice"
FIGURE = re.compile(rf"\d|\b({_WORDS})s?\b", re.IGNORECASE)
# What looks like a figure and is a name.
_NAMES = re.compile(
    r"\]\([^)]*\)|`[^`]*`|ISO [\d-]+, -\d"
    r"|\b(?:AES|IEC|ISO|JCGM|EBU|BS\.|BS |ITU-R )[\d.:-]*(?: ?(?:BS\.)?\d[\d.:-]*)*"
    r"|JAES \d+\(\d+\) \d+, \d+|Cortex-M\d|arm64|float32|LV2|VST3|C99|MP3|RF64|W64|SHA-256"
    r"|WCAG [\d., ]+|AVX-?\d+|GPL-3\.0-or-later"
    r"|\b(?:19|20)\d\d\b"
)


def sentences(text: str) -> list[str]:
    """Sentences and table rows, without code, headings and the table of presets."""
    text = re.sub(r"```.*?```", "\n\n", text, flags=re.DOTALL)
    text = re.sub(r"<!-- presets -->.*?<!-- /presets -->", "\n\n", text, flags=re.DOTALL)
    found = []
    for block in re.split(r"\n\s*\n|\n(?=\||- |#)", text):
        if not block.lstrip().startswith("#"):
            found += re.split(r"(?<=[.:;]) (?=[A-Z])", " ".join(block.split()))
    return found


def without_names(text: str) -> str:
    """The text without what looks like a figure and is a name, or a unit."""
    return _NAMES.sub("", text).replace("per minute", "")


def with_figures(text: str) -> list[str]:
    """Sentences of a page that hold a figure."""
    return [each for each in sentences(text) if FIGURE.search(without_names(each))]
