"""What is wrong with a text that is not TOML, in words for people who do not know the format."""

import re
import tomllib

from tapeemu.settings_text import shortened
from tapeemu.units import is_quantity

__all__ = ["explain_syntax"]

_PLACE = re.compile(r"\(at line (\d+), column \d+\)|\(at end of document\)")
_TWICE = ("overwrite", "twice", "immutable namespace", "redefine", "Duplicate")
_UNCLOSED_TEXT = (
    "Unterminated string",
    'Expected "\'"',
    "Expected '\"",
    "Expected \"'''\"",
    "Illegal character '\\n'",
)
_UNIT_BESIDE = re.compile(
    r"([\w.-]+)\s*=\s*([+-]?(?:\d+\.?\d*|\.\d+)\s*[A-Za-z%°µμ/][A-Za-z%°µμ/]*)(?=\s*[,}#]|\s*$)"
)
_TRUTHS = {"true": "true", "yes": "true", "on": "true", "false": "false", "no": "false", "off": "false"}
_NOTHING = ("none", "null", "nil", "nan", "undefined")


def explain_syntax(text: str, error: tomllib.TOMLDecodeError) -> tuple[int, str]:
    """The line, counted from 1, at which a text stops being TOML, and what stands there and what to do.

    The parser's own words are only used to tell the sorts apart: what is said is made from the line itself, so
    that it does not depend on the version of Python.
    """
    reason = str(error)
    rows = text.replace("\r\n", "\n").split("\n")
    found = _PLACE.search(reason)
    if found is not None and found[1]:
        number = min(int(found[1]), len(rows))
    else:
        number = max((place for place, row in enumerate(rows, start=1) if row.strip()), default=1)
    return number, _sentence(rows[number - 1].strip(), reason)


def _sentence(row: str, reason: str) -> str:
    key, equals, value = (part.strip() for part in row.partition("="))
    value = _without_comment(value)
    if any(word in reason for word in _TWICE):
        return _told_twice(row, key, reason)
    beside = _UNIT_BESIDE.search(_without_texts(row))
    if beside is not None and is_quantity(beside[2]):
        name, quantity = beside.groups()
        return (
            f"{name} is {shortened(quantity)}; a number with its unit stands in quotes: "
            f'{name} = "{quantity}" (or write the number alone, in the unit of the setting)'
        )
    if row.startswith("[") and "Expected ']" in reason:
        name = row.strip("[] \t")
        return f"{shortened(row)} is not closed; write [[{name}]] for a stage, or [{name}] for a table"
    if any(sort in reason for sort in _UNCLOSED_TEXT):
        return f"{shortened(row)} opens a text with a quote and does not close it; put the same quote at its end"
    if "'\\'" in reason or "hex value" in reason or "scalar value" in reason:
        return f"{shortened(row)} has a single backslash in a text; write two of them, or use single quotes"
    if "character" in reason and "initial" not in reason:
        return f"{shortened(row)} holds a character that cannot be seen; delete it and type the line again"
    if any(quote in row for quote in "“”„‘’"):
        return f'{shortened(row)} has curly quotes; use straight ones: "'
    setting = bool(equals) and re.fullmatch(r"[\w.'\"-]+", key) is not None
    if setting and (told := _told_value(key, value)):
        return told
    if "Unclosed array" in reason:
        return f"{shortened(row)}: a list is not closed; put commas between its values and ] at its end"
    if "inline table" in reason or "{" in row:
        return (
            f"{shortened(row)}: a table in braces must be whole in one line; put commas between its settings, "
            "none behind the last, and } at its end"
        )
    if ":" in row and not equals:
        name, _, rest = (part.strip() for part in row.partition(":"))
        return f"{shortened(row)} joins a setting and its value by ':'; write {shortened(f'{name} = {rest}')}"
    if setting:
        return (
            f"{key} is {shortened(value)}, which is no value; numbers are like 1.5, texts stand in quotes, truths "
            "are true or false, lists stand in [ ], tables in { }"
        )
    return (
        f"{shortened(row)} is neither a setting (name = value) nor the head of a table ([[stages]]); correct it, "
        "or put # before it to make it a remark"
    )


def _told_twice(row: str, key: str, reason: str) -> str:
    if row.startswith("["):
        name = row.split("#")[0].strip("[] \t")
        return (
            f"[{name}] stands in the file already; give it once, or write [[{name}]] everywhere for one more stage"
        )
    inner = re.search(r"key '([^']*)'", reason)
    return f"{inner[1] if inner else key!s} is set already; keep one of the two"


def _told_value(key: str, value: str) -> str:
    """What is wrong with the value of a plain line; empty where it must be something else."""
    if not value:
        return f"{key} has no value; write one behind the equals sign, or delete the line"
    if re.fullmatch(r"[+-]?\d+,\d+", value):
        return f"{key} is {value}; decimals have a point: {key} = {value.replace(',', '.')}"
    if value.lower() in _TRUTHS:
        return f"{key} is {value}; write {key} = {_TRUTHS[value.lower()]}"
    if value.lower() in _NOTHING:
        return f"{key} is {value}; to leave a setting out, delete its line"
    try:
        return f"{key} is {value}; write the number as {float(value):.15g}"
    except ValueError:
        pass
    if re.fullmatch(r"[^\W\d][\w .-]*", value):
        return f'{key} is {shortened(value)}; a text stands in quotes: {key} = "{value}"'
    if re.fullmatch(r"[^\s\[{]\S*\s+[\w.-]+\s*=.*", value):
        return f"{key} and another setting share a line; give each a line of its own"
    if value.endswith(";"):
        return f"{key} ends with a semicolon; delete it"
    return ""


def _without_texts(row: str) -> str:
    """The row with every text in quotes and the remark behind it cut out."""
    return re.sub(r"\"(?:\\.|[^\"\\])*\"|'[^']*'", '""', row).split("#")[0]


def _without_comment(value: str) -> str:
    quoted = re.match(r"(\"(?:\\.|[^\"\\])*\"|'[^']*')", value)
    if quoted:
        return quoted[1] + value[quoted.end() :].split("#")[0].rstrip()
    return value.split("#")[0].strip()
