"""From a file on disk to a stream of UTF-8 text: kind, compression and encoding."""

from __future__ import annotations

import codecs
import gzip
import io
import re
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import IO

from ovenwright.errors import ReadingsRefused, StorageTrouble

HEAD_BYTES = 1 << 18
UNPACKED_LIMIT = 16 << 30
"""A gzip file that unpacks to more than this is taken for damaged or hostile."""

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_CP1252_GAPS = frozenset(b"\x81\x8d\x8f\x90\x9d")
_ASCII = frozenset(range(128))
# letters and the degree sign of the old DOS code page, which some instruments still write
_OEM_LETTERS = frozenset(range(0x80, 0xA8)) | {0xE1, 0xF8}
_OEM_DEGREE = re.compile(rb"(?<![A-Za-z\x80-\xff])\xf8\s?[CFcf](?![A-Za-z])")


class FileKind(StrEnum):
    """What sort of file it is, by its first bytes and not by its name."""

    TEXT = "text"
    GZIP = "gzip"
    SPREADSHEET = "spreadsheet"
    PARQUET = "Parquet"


def kind_of(path: Path) -> FileKind:
    """Return the kind of a file.

    Raises
    ------
    ReadingsRefused : if it is empty or plainly no readings
    StorageTrouble : if it can't be opened
    """
    try:
        with path.open("rb") as file:
            head = file.read(8)
    except IsADirectoryError as cause:
        raise ReadingsRefused("is a folder, not a file", file=str(path)) from cause
    except FileNotFoundError as cause:
        raise ReadingsRefused("there is no such file", file=str(path)) from cause
    except OSError as cause:
        raise StorageTrouble(f"can't be opened: {cause.strerror}", where=str(path)) from cause
    if not head:
        raise ReadingsRefused("the file is empty", file=path.name)
    if head.startswith(b"PAR1"):
        return FileKind.PARQUET
    if head.startswith(b"\x1f\x8b"):
        return FileKind.GZIP
    if head.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        return FileKind.SPREADSHEET
    if head.startswith((b"%PDF", b"\x89PNG", b"\xff\xd8\xff", b"SQLite f", b"\x89HDF")):
        raise ReadingsRefused(
            "this is a picture, a document or a database, not a table; export the readings from "
            "the instrument as delimited text or a spreadsheet",
            file=path.name,
        )
    return FileKind.TEXT


@dataclass(frozen=True, slots=True)
class TextSource:
    """A text file whose encoding is settled; every stream of it is UTF-8 without mark."""

    path: Path
    gzipped: bool
    encoding: str
    why: str
    given: bool
    head: str
    complete: bool
    bare_cr: bool = False

    def stream(self) -> IO[bytes]:
        """Open the text from its beginning as UTF-8 bytes."""
        raw = _open(self.path, gzipped=self.gzipped)
        for bom, name in _BOMS:
            if self.encoding == name:
                if raw.read(len(bom)) != bom:
                    raw.seek(0)
                break
        if self.encoding == "utf-8" and not self.bare_cr:
            return raw
        text = io.TextIOWrapper(raw, encoding=self.encoding, errors="strict", newline=None)
        return io.BufferedReader(_Utf8(text), buffer_size=1 << 20)


class _Utf8(io.RawIOBase):
    """Text read as UTF-8 bytes."""

    def __init__(self, text: io.TextIOWrapper) -> None:
        self._text = text
        self._rest = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        if not self._rest:
            self._rest = self._text.read(1 << 18).encode("utf-8")
        part = self._rest[: len(buffer)]
        self._rest = self._rest[len(part) :]
        buffer[: len(part)] = part
        return len(part)

    def close(self) -> None:
        if not self.closed:
            self._text.close()
        super().close()


def _open(path: Path, *, gzipped: bool) -> IO[bytes]:
    if gzipped:
        return io.BufferedReader(_Capped(path), buffer_size=1 << 20)
    return path.open("rb")


class _Capped(io.RawIOBase):
    """A gzip stream that gives up where no honest file of readings would still go on."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = gzip.open(path, "rb")  # noqa: SIM115
        self._seen = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        self._seen = 0
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        try:
            part = self._file.read(len(buffer))
        except (EOFError, gzip.BadGzipFile, OSError) as cause:
            raise ReadingsRefused(
                f"the gzip file is damaged or cut short: {cause}; copy it again",
                file=self._path.name,
            ) from cause
        self._seen += len(part)
        if self._seen > UNPACKED_LIMIT:
            raise ReadingsRefused(
                f"unpacks to more than {UNPACKED_LIMIT >> 30} GiB; split it into smaller files",
                file=self._path.name,
            )
        buffer[: len(part)] = part
        return len(part)

    def close(self) -> None:
        if not self.closed:
            self._file.close()
        super().close()


def open_text(path: Path, *, gzipped: bool, encoding: str = "") -> TextSource:
    """Settle how a text file is encoded.

    Raises
    ------
    ReadingsRefused : if it is no text, or not in the encoding that was given
    """
    with _open(path, gzipped=gzipped) as file:
        head = file.read(HEAD_BYTES)
    complete = len(head) < HEAD_BYTES
    if not head:
        raise ReadingsRefused("the file is empty", file=path.name)
    given = bool(encoding)
    if given:
        try:
            name = codecs.lookup(encoding).name
        except LookupError as cause:
            raise ReadingsRefused(
                f"no encoding is called {encoding!r}",
                file=path.name,
                option="--encoding utf-8, utf-16, cp1252 or latin-1",
            ) from cause
        if name == "utf-16":
            name = "utf-16-be" if head.startswith(codecs.BOM_UTF16_BE) else "utf-16-le"
        if name == "utf-8-sig":
            name = "utf-8"
        why = "it was given"
    else:
        name, why = _conclude_encoding(head, complete=complete, file=path.name)
    text = _decode_head(head, name, complete=complete, file=path.name, given=given)
    if "\x00" in text:
        raise ReadingsRefused(
            "holds zero bytes: not a text file, or text in an unusual encoding",
            file=path.name,
            option="--encoding",
        )
    bare_cr = "\n" not in text and "\r" in text
    lines = text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text
    return TextSource(path, gzipped, name, why, given, lines, complete, bare_cr)


def _decode_head(head: bytes, name: str, *, complete: bool, file: str, given: bool) -> str:
    for bom, bom_name in _BOMS:
        if name == bom_name and head.startswith(bom):
            head = head[len(bom) :]
            break
    try:
        return codecs.getincrementaldecoder(name)("strict").decode(head, final=complete)
    except UnicodeDecodeError as cause:
        line = head[: cause.start].count(b"\n") + 1
        said = "as was given" if given else "as its mark says"
        raise ReadingsRefused(
            f"is not in {name} {said}: byte {head[cause.start]:#04x}",
            file=file,
            line=line,
            option="--encoding cp1252",
        ) from cause


def _conclude_encoding(head: bytes, *, complete: bool, file: str) -> tuple[str, str]:
    for bom, name in _BOMS:
        if head.startswith(bom):
            return name, "the file begins with its mark"
    pairs = len(head) // 2
    if pairs and b"\x00" in head:
        even, odd = head[0::2].count(0) / pairs, head[1::2].count(0) / pairs
        if odd > 0.5 > even:
            return "utf-16-le", "every second byte is zero"
        if even > 0.5 > odd:
            return "utf-16-be", "every first byte of two is zero"
        raise ReadingsRefused("holds zero bytes: not a text file", file=file, option="--encoding")
    try:
        codecs.getincrementaldecoder("utf-8")("strict").decode(head, final=complete)
    except UnicodeDecodeError:
        if _OEM_DEGREE.search(head) and b"\xb0" not in head:
            return "cp850", "a byte stands before C or F that is the degree sign in cp850"
        beyond = set(head) - _ASCII
        if _CP1252_GAPS & beyond and beyond <= _OEM_LETTERS:
            return "cp850", "all bytes beyond ASCII are letters in cp850 and some none in cp1252"
        if _CP1252_GAPS & set(head):
            return "latin-1", "the bytes are not valid UTF-8 and some have no sign in cp1252"
        return "cp1252", "the bytes are not valid UTF-8"
    return "utf-8", "the bytes are valid UTF-8"
