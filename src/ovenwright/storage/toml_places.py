"""At which line of a TOML text each key stands.

The standard reader gives values without places. A fault in a plan is only useful with its line,
so this walks a text *the standard reader has already accepted* and notes the line of every key,
table, array item and inline key. It reads structure only, never values.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]

_BARE_END = " \t=.]\r\n"
_SCALAR_END = ",]}#\n"


def key_lines(text: str) -> Mapping[KeyPath, int]:
    """Return the 1-based line of every key path in a well-formed TOML text.

    A table that was never written out itself (``a`` in ``[a.b]``) stands where it is first
    mentioned. Items of arrays are found under their index: ``("channels", 2, "sensor")``.

    Parameters
    ----------
    text : TOML that ``tomllib`` accepts

    Returns
    -------
    mapping of key path to line; the root, ``()``, is line 1
    """
    walk = _Walk(text.replace("\r\n", "\n"))
    walk.document()
    return walk.lines


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int:
    """Return the line of ``path``, or of the nearest table around it when it is not there."""
    for end in range(len(path), -1, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return 1


class _Walk:
    """One pass over the text; ``at`` is the next character."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {(): 1}
        self.table: KeyPath = ()
        self.counts: dict[KeyPath, int] = {}

    def document(self) -> None:
        while True:
            self.blank(newlines=True)
            if self.at >= len(self.text):
                return
            if self.text.startswith("[[", self.at):
                self.header(brackets=2)
            elif self.text[self.at] == "[":
                self.header(brackets=1)
            else:
                self.pair(self.table)

    def step(self, count: int = 1) -> None:
        self.line += self.text.count("\n", self.at, self.at + count)
        self.at += count

    def peek(self) -> str:
        return self.text[self.at : self.at + 1]

    def blank(self, *, newlines: bool) -> None:
        """Pass over white space and comments, and over line ends where they mean nothing."""
        skip = " \t\n" if newlines else " \t"
        while self.at < len(self.text):
            if self.text[self.at] in skip:
                self.step()
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.step((end if end >= 0 else len(self.text)) - self.at)
            else:
                return

    def note(self, path: KeyPath) -> None:
        self.lines.setdefault(path, self.line)

    def header(self, *, brackets: int) -> None:
        line = self.line
        self.step(brackets)
        parts = self.keys()
        self.blank(newlines=False)
        self.step(brackets)
        path: KeyPath = ()
        for i, part in enumerate(parts):
            path = (*path, part)
            self.lines.setdefault(path, line)
            last = i == len(parts) - 1
            if last and brackets == 2:
                self.counts[path] = self.counts.get(path, -1) + 1
            if path in self.counts:
                path = (*path, self.counts[path])
                self.lines.setdefault(path, line)
        # a table may first be implied by a child and written out later: its own line wins
        self.lines[path] = line
        self.table = path

    def keys(self) -> list[str]:
        parts = []
        while True:
            self.blank(newlines=False)
            if self.peek() in ('"', "'"):
                parts.append(self.string())
            else:
                start = self.at
                while self.at < len(self.text) and self.text[self.at] not in _BARE_END:
                    self.at += 1
                parts.append(self.text[start : self.at])
            self.blank(newlines=False)
            if self.peek() != ".":
                return parts
            self.step()

    def pair(self, table: KeyPath) -> None:
        path = table
        for part in self.keys():
            path = (*path, part)
            self.note(path)
        self.blank(newlines=False)
        self.step()  # the equals sign
        self.value(path)

    def value(self, path: KeyPath) -> None:
        self.blank(newlines=False)
        char = self.peek()
        if char in ('"', "'"):
            self.string()
        elif char == "[":
            self.array(path)
        elif char == "{":
            self.inline(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in _SCALAR_END:
                self.at += 1

    def array(self, path: KeyPath) -> None:
        self.step()
        index = 0
        while True:
            self.blank(newlines=True)
            if self.peek() == "]":
                self.step()
                return
            if self.peek() == ",":
                self.step()
                continue
            self.note((*path, index))
            self.value((*path, index))
            index += 1

    def inline(self, path: KeyPath) -> None:
        self.step()
        while True:
            self.blank(newlines=True)
            if self.peek() == "}":
                self.step()
                return
            if self.peek() == ",":
                self.step()
                continue
            self.pair(path)

    def string(self) -> str:
        """Pass over a string of any of the four kinds; return its text where it can be a key."""
        quote = self.peek()
        if self.text.startswith(quote * 3, self.at):
            self.step(3)
            while not self.text.startswith(quote * 3, self.at):
                self.step(2 if quote == '"' and self.peek() == "\\" else 1)
            self.step(3)
            while self.peek() == quote:  # up to two quotes may belong to the text
                self.step()
            return ""
        start = self.at
        self.step()
        while self.peek() != quote:
            self.step(2 if quote == '"' and self.peek() == "\\" else 1)
        self.step()
        inside = self.text[start + 1 : self.at - 1]
        if quote == '"' and "\\" in inside:
            return str(tomllib.loads(f"k = {self.text[start : self.at]}")["k"])
        return inside
