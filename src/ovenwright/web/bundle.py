"""The built scripts and styles, found by the names their sources have."""

from __future__ import annotations

import json
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any

from ovenwright.errors import StorageTrouble

FOLDER = Path(str(files("ovenwright.web"))) / "static"


class Bundle:
    """The manifest the build wrote; entries are named as in ``frontend/src``."""

    def __init__(self, folder: Path = FOLDER) -> None:
        self.folder = folder

    @cached_property
    def _manifest(self) -> dict[str, Any]:
        path = self.folder / "manifest.json"
        try:
            found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as cause:
            raise StorageTrouble(
                "the scripts and styles of the web pages were not built",
                where="ovenwright/web/static",
                remedy="install anew: pip install . (it builds them, no Node.js needed)",
            ) from cause
        return found

    def script(self, name: str) -> str:
        """Return the address of the script ``places/NAME.ts``."""
        return f"/static/{self._entry(f'src/places/{name}.ts')['file']}"

    def pieces(self, name: str) -> tuple[str, ...]:
        """Return the addresses of what the scripts of a page import, to be fetched with them."""
        found: dict[str, None] = {}
        left = [f"src/places/{n}.ts" for n in ("every", name) if n]
        while left:
            for piece in self._entry(left.pop()).get("imports", []):
                if piece not in found:
                    found[piece] = None
                    left.append(piece)
        return tuple(f"/static/{self._entry(piece)['file']}" for piece in found)

    def styles(self, name: str = "") -> tuple[str, ...]:
        """Return the addresses of the style sheets: the site's own, then those of one place."""
        sheets = [self._entry("src/styles/site.css")["file"]]
        if name:
            sheets += self._sheets_of(f"src/places/{name}.ts", set())
        return tuple(f"/static/{s}" for s in dict.fromkeys(sheets))

    def _sheets_of(self, source: str, seen: set[str]) -> list[str]:
        """Return the sheets of an entry and of the pieces it shares with others, theirs first."""
        seen.add(source)
        found = self._entry(source)
        shared = [
            s
            for piece in found.get("imports", [])
            if piece not in seen
            for s in self._sheets_of(piece, seen)
        ]
        return [*shared, *found.get("css", [])]

    def _entry(self, source: str) -> dict[str, Any]:
        try:
            found: dict[str, Any] = self._manifest[source]
        except KeyError as cause:
            raise StorageTrouble(
                f"{source} is missing among the built scripts",
                where="ovenwright/web/static",
                remedy="build anew: npm run build in frontend/",
            ) from cause
        return found
