"""On which line of a TOML file each key stands.

The parsers of TOML give values without their places, and a person who is told of a mistake wants the
line. This reads only as much of the grammar as that takes, and only text that a parser has accepted.
"""

import tomllib

__all__ = ["Path", "find_line", "key_lines"]

Path = tuple[str | int, ...]
"""Keys, and numbers of items of arrays, from the top of the file."""

_BARE = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-")


def key_lines(text: str) -> dict[Path, int]:
    """The line, counted from 1, of every key, table and array item of a valid TOML document."""
    scanner = _Scanner(text)
    scanner.run()
    return scanner.found


def find_line(lines: dict[Path, int], path: Path) -> int | None:
    """The line of a key; of the nearest table around it where it does not stand in the file."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


class _Scanner:
    def __init__(self, text: str) -> None:
        # An end of file that cannot be mistaken for anything saves a check at every step.
        self.text = text.replace("\r\n", "\n") + "\n\0"
        self.at = 0
        self.line = 1
        self.found: dict[Path, int] = {}
        self.counts: dict[Path, int] = {}

    def run(self) -> None:
        table: Path = ()
        while True:
            self.skip_blank()
            if self.text[self.at] == "\0":
                return
            if self.text.startswith("[[", self.at):
                self.at += 2
                table = self.resolved(self.keys(), new_item=True)
                self.at += 2
            elif self.text[self.at] == "[":
                self.at += 1
                table = self.resolved(self.keys(), new_item=False)
                self.at += 1
            else:
                self.pair(table)

    def note(self, path: Path) -> None:
        self.found.setdefault(path, self.line)

    def resolved(self, keys: list[str], *, new_item: bool) -> Path:
        path: Path = ()
        for number, key in enumerate(keys, start=1):
            path = (*path, key)
            self.note(path)
            if new_item and number == len(keys):
                self.counts[path] = self.counts.get(path, 0) + 1
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
                self.note(path)
        return path

    def pair(self, table: Path) -> None:
        path = table
        for key in self.keys():
            path = (*path, key)
            self.note(path)
        self.at += 1  # the equals sign
        self.skip_space()
        self.value(path)

    def keys(self) -> list[str]:
        keys = []
        while True:
            self.skip_space()
            start = self.at
            if self.text[self.at] in "\"'":
                self.skip_string()
                keys.append(tomllib.loads(f"key = {self.text[start : self.at]}")["key"])
            else:
                while self.text[self.at] in _BARE:
                    self.at += 1
                keys.append(self.text[start : self.at])
            self.skip_space()
            if self.text[self.at] != ".":
                return keys
            self.at += 1

    def value(self, path: Path) -> None:
        character = self.text[self.at]
        if character in "\"'":
            self.skip_string()
        elif character == "[":
            self.items(path)
        elif character == "{":
            self.at += 1
            self.skip_blank()
            while self.text[self.at] != "}":
                self.pair(path)
                self.skip_blank()
                if self.text[self.at] == ",":
                    self.at += 1
                    self.skip_blank()
            self.at += 1
        else:
            while self.text[self.at] not in ",]}#\n\0":
                self.at += 1

    def items(self, path: Path) -> None:
        self.at += 1
        self.skip_blank()
        number = 0
        while self.text[self.at] != "]":
            self.note((*path, number))
            self.value((*path, number))
            number += 1
            self.skip_blank()
            if self.text[self.at] == ",":
                self.at += 1
                self.skip_blank()
        self.at += 1

    def skip_string(self) -> None:
        quote = self.text[self.at]
        fence = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self.at += len(fence)
        while not self.text.startswith(fence, self.at):
            if self.text[self.at] == "\n":
                self.line += 1
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" and self.text[self.at + 1] != "\n" else 1
        self.at += len(fence)
        # A multi-line string may end in up to two more quotes that belong to it.
        while len(fence) == 3 and self.text[self.at] == quote:
            self.at += 1

    def skip_space(self) -> None:
        while self.text[self.at] in " \t":
            self.at += 1

    def skip_blank(self) -> None:
        while True:
            self.skip_space()
            if self.text[self.at] == "#":
                while self.text[self.at] != "\n":
                    self.at += 1
            if self.text[self.at] != "\n":
                return
            self.line += 1
            self.at += 1
