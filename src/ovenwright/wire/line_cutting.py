"""Bytes that come in pieces to whole lines of text, in bounded memory."""

from __future__ import annotations

import codecs

from ovenwright.errors import OutOfRange, UsageError

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


class LineCutter:
    """Takes bytes as they come and gives whole lines; keeps the beginning of an unfinished one.

    Lines end with LF, CR LF or CR. A byte-order mark at the very beginning overrules `encoding`.
    Bytes that are no letters of the encoding become U+FFFD. A line longer than `longest` letters
    is thrown away as it comes and counted in ``dropped``.

    Parameters
    ----------
    encoding : name of the encoding
    longest : letters of the longest line that is kept

    Raises
    ------
    UsageError : if the encoding is not known
    OutOfRange : if `longest` is not above 0
    """

    def __init__(self, *, encoding: str = "utf-8", longest: int = 20_000) -> None:
        if longest < 1:
            raise OutOfRange("longest", got=longest, expected="above 0")
        self.longest = longest
        self.dropped = 0
        self._rest = ""
        self._head = b""
        self._skipping = False
        self._after_cr = False
        self._decoder = _decoder(encoding)
        self._marked = False

    @property
    def unfinished(self) -> bool:
        """Whether the beginning of a line waits for its end."""
        return bool(self._rest or self._head)

    def feed(self, data: bytes) -> list[str]:
        """Return the lines that `data` completes, without their ends; empty lines are left out."""
        if not self._marked:
            self._head += data
            if len(self._head) < 3 and any(m.startswith(self._head) for m, _ in _MARKS):
                return []
            data, self._head, self._marked = self._head, b"", True
            for mark, encoding in _MARKS:
                if data.startswith(mark):
                    self._decoder = _decoder(encoding)
                    data = data[len(mark) :]
                    break
        return self._cut(self._decoder.decode(data))

    def finish(self) -> list[str]:
        """Return the last line where it has no end, and begin anew."""
        text = self._decoder.decode(self._head, final=True)
        lines = self._cut(text)
        if self._rest and not self._skipping:
            lines.append(self._rest)
        self._rest, self._head, self._skipping, self._after_cr = "", b"", False, False
        return lines

    def _cut(self, text: str) -> list[str]:
        if self._after_cr and text.startswith("\n"):
            text = text[1:]
        if text:
            self._after_cr = text.endswith("\r")
        lines: list[str] = []
        start = 0
        while start < len(text):
            ends = [e for e in (text.find("\n", start), text.find("\r", start)) if e >= 0]
            end = min(ends) if ends else -1
            if end < 0:
                self._keep(text[start:])
                break
            piece = text[start:end]
            if self._skipping:
                self._skipping = False
            elif len(self._rest) + len(piece) > self.longest:
                self.dropped += 1
            elif self._rest or piece:
                lines.append(self._rest + piece)
            self._rest = ""
            start = end + 1
            if text[end] == "\r" and text.startswith("\n", start):
                start += 1
        return lines

    def _keep(self, piece: str) -> None:
        if self._skipping:
            return
        if len(self._rest) + len(piece) > self.longest:
            self.dropped += 1
            self._skipping = True
            self._rest = ""
        else:
            self._rest += piece


def _decoder(encoding: str) -> codecs.IncrementalDecoder:
    try:
        return codecs.getincrementaldecoder(encoding)(errors="replace")
    except LookupError as cause:
        raise UsageError(
            f"{encoding!r} is no encoding", remedy="such as utf-8 or latin-1"
        ) from cause
