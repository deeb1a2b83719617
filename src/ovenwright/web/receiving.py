"""Files handed in by a browser or a script, written to disk as they come, within bounds.

The body is never held whole: each file goes straight into a lot's folder under a name made here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING

from anyio.to_thread import run_sync
from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.exceptions import HTTPException
from starlette.requests import Request

if TYPE_CHECKING:
    from python_multipart.multipart import MultipartCallbacks

MOST_BYTES = 512 << 20
MOST_FILES = 24
MOST_FIELDS = 400
MOST_FIELD_BYTES = 4 << 20
MOST_HEADER_BYTES = 16 << 10
_FLUSH = 1 << 20


@dataclass
class Received:
    """What came: files by the field they came in, and plain fields (the last of a name holds)."""

    files: list[tuple[str, Path]] = field(default_factory=list)
    fields: dict[str, str] = field(default_factory=dict)


def too_large(limit: int = MOST_BYTES) -> HTTPException:
    """Return the refusal of a body beyond its bounds."""
    return HTTPException(
        413, f"more than {limit >> 20} MiB at once; hand in fewer or smaller files"
    )


async def receive(
    request: Request, place: Callable[[str, int], Path], *, limit: int = MOST_BYTES
) -> Received:
    """Take a multipart body apart while it comes.

    Parameters
    ----------
    place : gives the path to write the file of that name and number to
    limit : the most bytes of the whole body

    Raises
    ------
    HTTPException : 413 beyond a bound, 400 for what is no multipart form
    """
    kind, options = parse_options_header(request.headers.get("content-type", ""))
    boundary = options.get(b"boundary")
    if kind != b"multipart/form-data" or not boundary or len(boundary) > 200:
        raise HTTPException(400, "hand files in as multipart/form-data")
    said = request.headers.get("content-length", "")
    if said.isdigit() and int(said) > limit:
        raise too_large(limit)
    parts = _Parts(place)
    parser = MultipartParser(boundary, parts.callbacks())
    total = 0
    try:
        async for chunk in request.stream():
            total += len(chunk)
            if total > limit:
                raise too_large(limit)
            parser.write(chunk)
            if parts.waiting_bytes > _FLUSH:
                await run_sync(parts.flush)
        parser.finalize()
        await run_sync(parts.flush)
    except FormParserError as cause:
        raise HTTPException(400, "the form is damaged or was cut short") from cause
    finally:
        parts.close()
    if not parts.ended:
        raise HTTPException(400, "the form was cut short")
    return parts.received


class _Parts:
    """The parser's callbacks: they only collect; the disk is written to in between."""

    def __init__(self, place: Callable[[str, int], Path]) -> None:
        self._place = place
        self.received = Received()
        self.ended = False
        self.waiting_bytes = 0
        self._waiting: list[tuple[IO[bytes], bytes]] = []
        self._open: list[IO[bytes]] = []
        self._header: tuple[bytearray, bytearray] = (bytearray(), bytearray())
        self._headers: dict[bytes, bytes] = {}
        self._header_bytes = 0
        self._name = ""
        self._file: IO[bytes] | None = None
        self._text = bytearray()
        self._skip = False

    def callbacks(self) -> MultipartCallbacks:
        return {
            "on_part_begin": self._begin,
            "on_header_field": self._header_field,
            "on_header_value": self._header_value,
            "on_header_end": self._header_end,
            "on_headers_finished": self._headers_finished,
            "on_part_data": self._data,
            "on_part_end": self._end,
            "on_end": self._over,
        }

    def _begin(self) -> None:
        self._headers, self._header_bytes = {}, 0
        self._file, self._text, self._name, self._skip = None, bytearray(), "", False

    def _grow(self, target: bytearray, data: bytes, start: int, end: int) -> None:
        self._header_bytes += end - start
        if self._header_bytes > MOST_HEADER_BYTES:
            raise HTTPException(413, "a part of the form has too long a header")
        target += data[start:end]

    def _header_field(self, data: bytes, start: int, end: int) -> None:
        self._grow(self._header[0], data, start, end)

    def _header_value(self, data: bytes, start: int, end: int) -> None:
        self._grow(self._header[1], data, start, end)

    def _header_end(self) -> None:
        self._headers[bytes(self._header[0]).lower()] = bytes(self._header[1])
        self._header = (bytearray(), bytearray())

    def _headers_finished(self) -> None:
        _, options = parse_options_header(self._headers.get(b"content-disposition", b""))
        self._name = options.get(b"name", b"").decode("utf-8", "replace")[:100]
        if b"filename" not in options:
            if len(self.received.fields) >= MOST_FIELDS:
                raise HTTPException(413, f"more than {MOST_FIELDS} fields in one form")
            return
        title = options[b"filename"].decode("utf-8", "replace")
        if not title:  # a browser's empty file box
            self._skip = True
            return
        number = len(self.received.files)
        if number >= MOST_FILES:
            raise HTTPException(413, f"more than {MOST_FILES} files at once")
        path = self._place(title, number)
        self._file = path.open("xb")
        self._open.append(self._file)
        self.received.files.append((self._name, path))

    def _data(self, data: bytes, start: int, end: int) -> None:
        piece = data[start:end]
        if self._file is not None:
            self._waiting.append((self._file, piece))
            self.waiting_bytes += len(piece)
            return
        if len(self._text) + len(piece) > MOST_FIELD_BYTES:
            raise HTTPException(413, f"the field {self._name!r} is too long")
        self._text += piece

    def _end(self) -> None:
        if self._file is None and not self._skip:
            self.received.fields[self._name] = bytes(self._text).decode("utf-8", "replace")

    def _over(self) -> None:
        self.ended = True

    def flush(self) -> None:
        """Write what waits."""
        waiting, self._waiting, self.waiting_bytes = self._waiting, [], 0
        for file, piece in waiting:
            file.write(piece)

    def close(self) -> None:
        for file in self._open:
            file.close()
