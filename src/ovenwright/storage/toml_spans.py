"""Where in a TOML text each table, key and value stands, to the letter.

:mod:`ovenwright.storage.toml_places` tells lines, for faults; this tells spans, for editing in
place. It walks a text *the standard reader has already accepted*.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field

KeyPath = tuple[str | int, ...]

_BARE_END = " \t=.]\r\n"
_SCALAR_END = ",]}#\n"


@dataclass(frozen=True, slots=True)
class Pair:
    """One ``key = value``: ``table`` is the path of the table it was written in."""

    path: KeyPath
    table: KeyPath
    start: int
    value: tuple[int, int]
    inline: bool


@dataclass(frozen=True, slots=True)
class Header:
    """One ``[table]`` or ``[[table]]`` line, its newline included in ``end``."""

    path: KeyPath
    start: int
    end: int
    many: bool


@dataclass(slots=True)
class Spans:
    """Everything found in one text. Paths count array items by index."""

    text: str
    headers: list[Header] = field(default_factory=list)
    pairs: dict[KeyPath, Pair] = field(default_factory=dict)
    items: dict[KeyPath, tuple[int, int]] = field(default_factory=dict)
    holders: dict[KeyPath, tuple[int, int]] = field(default_factory=dict)
    """Inline tables and arrays, brackets included."""

    def line_end(self, at: int) -> int:
        """Return the place just behind the line that ``at`` stands in."""
        end = self.text.find("\n", at)
        return len(self.text) if end < 0 else end + 1

    def line_start(self, at: int) -> int:
        """Return where the line that ``at`` stands in begins."""
        return self.text.rfind("\n", 0, at) + 1

    def own_pairs(self, table: KeyPath) -> list[Pair]:
        """Return the pairs written straight into a table, in order."""
        return [p for p in self.pairs.values() if p.table == table]

    def content_end(self, header: Header | None) -> int:
        """Return the place behind the last key of a table's own lines; ``None`` is the top."""
        path = () if header is None else header.path
        after = 0 if header is None else header.end
        stop = min((h.start for h in self.headers if h.start >= after), default=len(self.text))
        ends = [
            self.line_end(p.value[1])
            for p in self.pairs.values()
            if not p.inline and p.table == path and after <= p.start < stop
        ]
        return max(ends, default=after)


def spans_of(text: str) -> Spans:
    """Return the spans of a well-formed TOML text with plain line ends."""
    walk = _Walk(text)
    walk.document()
    return walk.found


class _Walk:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.table: KeyPath = ()
        self.counts: dict[KeyPath, int] = {}
        self.found = Spans(text)

    def document(self) -> None:
        while True:
            self.blank(newlines=True)
            if self.at >= len(self.text):
                return
            if self.text.startswith("[[", self.at):
                self.header(2)
            elif self.text[self.at] == "[":
                self.header(1)
            else:
                self.pair(self.table, inline=False)

    def peek(self) -> str:
        return self.text[self.at : self.at + 1]

    def blank(self, *, newlines: bool) -> None:
        skip = " \t\r\n" if newlines else " \t"
        while self.at < len(self.text):
            if self.text[self.at] in skip:
                self.at += 1
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return

    def header(self, brackets: int) -> None:
        start = self.at
        self.at += brackets
        parts = self.keys()
        self.blank(newlines=False)
        self.at += brackets
        path: KeyPath = ()
        for i, part in enumerate(parts):
            path = (*path, part)
            if i == len(parts) - 1 and brackets == 2:
                self.counts[path] = self.counts.get(path, -1) + 1
            if path in self.counts:
                path = (*path, self.counts[path])
        self.found.headers.append(Header(path, start, self.found.line_end(self.at), brackets == 2))
        self.table = path

    def keys(self) -> list[str]:
        parts = []
        while True:
            self.blank(newlines=False)
            if self.peek() in {'"', "'"}:
                parts.append(self.string())
            else:
                start = self.at
                while self.at < len(self.text) and self.text[self.at] not in _BARE_END:
                    self.at += 1
                parts.append(self.text[start : self.at])
            self.blank(newlines=False)
            if self.peek() != ".":
                return parts
            self.at += 1

    def pair(self, table: KeyPath, *, inline: bool) -> None:
        start = self.at
        path = (*table, *self.keys())
        self.blank(newlines=False)
        self.at += 1  # the equals sign
        self.blank(newlines=False)
        begin = self.at
        self.value(path)
        end = begin + len(self.text[begin : self.at].rstrip())
        self.found.pairs[path] = Pair(path, table, start, (begin, end), inline)

    def value(self, path: KeyPath) -> None:
        self.blank(newlines=False)
        char = self.peek()
        if char in {'"', "'"}:
            self.string()
        elif char == "[":
            self.array(path)
        elif char == "{":
            self.inline(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in _SCALAR_END:
                self.at += 1

    def array(self, path: KeyPath) -> None:
        opened = self.at
        self.at += 1
        index = 0
        while True:
            self.blank(newlines=True)
            if self.peek() == "]":
                self.at += 1
                self.found.holders[path] = (opened, self.at)
                return
            if self.peek() == ",":
                self.at += 1
                continue
            begin = self.at
            self.value((*path, index))
            end = begin + len(self.text[begin : self.at].rstrip())
            self.found.items[*path, index] = (begin, end)
            index += 1

    def inline(self, path: KeyPath) -> None:
        opened = self.at
        self.at += 1
        while True:
            self.blank(newlines=True)
            if self.peek() == "}":
                self.at += 1
                self.found.holders[path] = (opened, self.at)
                return
            if self.peek() == ",":
                self.at += 1
                continue
            self.pair(path, inline=True)

    def string(self) -> str:
        quote = self.peek()
        if self.text.startswith(quote * 3, self.at):
            self.at += 3
            while not self.text.startswith(quote * 3, self.at):
                self.at += 2 if quote == '"' and self.peek() == "\\" else 1
            self.at += 3
            while self.peek() == quote:  # up to two quotes may belong to the text
                self.at += 1
            return ""
        start = self.at
        self.at += 1
        while self.peek() != quote:
            self.at += 2 if quote == '"' and self.peek() == "\\" else 1
        self.at += 1
        inside = self.text[start + 1 : self.at - 1]
        if quote == '"' and "\\" in inside:
            return str(tomllib.loads(f"k = {self.text[start : self.at]}")["k"])
        return inside
