"""Presets: plans to start from, each a TOML file with its sources and cautions.

A preset file is a plan with a last table, ``[about]``, that says what it is for. What stands
before that table is handed on letter by letter, comments included.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from ovenwright.errors import StorageTrouble, UnknownName

ORDER = (
    "tin-bread",
    "hearth-bread",
    "bun",
    "cookie",
    "cooked-meat",
    "poultry",
    "nuts",
    "canned-food",
    "beer",
    "milk",
    "coating-cure",
    "chamber-survey",
)
"""Ids in the order people are shown; a file that is not named here comes after them."""

_HEAD = re.compile(r"^\[about\]\s*$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Preset:
    """One preset: ``text`` is the plan it starts, as TOML with comments that teach."""

    id: str
    title: str
    purpose: str
    sources: tuple[str, ...]
    cautions: tuple[str, ...]
    text: str


@cache
def preset_ids() -> tuple[str, ...]:
    """Return the ids of all presets."""
    folder = files("ovenwright").joinpath("data").joinpath("presets")
    found = sorted(
        f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml")
    )
    return tuple([n for n in ORDER if n in found] + [n for n in found if n not in ORDER])


@cache
def read_preset(name: str) -> Preset:
    """Return one preset.

    Raises
    ------
    UnknownName : if there is none of that id; names those that exist
    StorageTrouble : if the package's own file is damaged
    """
    if name not in preset_ids():
        raise UnknownName("preset", name, known=preset_ids())
    file = files("ovenwright").joinpath("data").joinpath("presets").joinpath(f"{name}.toml")
    whole = file.read_text(encoding="utf-8")
    data = tomllib.loads(whole)
    head = _HEAD.search(whole)
    about = data.get("about")
    if head is None or not isinstance(about, dict):
        raise StorageTrouble(
            "the preset has no last table [about]",
            where=f"{name}.toml",
            remedy="install the package again",
        )
    return Preset(
        id=name,
        title=about["title"],
        purpose=about["for"],
        sources=tuple(data.get("sources", ())),
        cautions=tuple(data.get("cautions", ())),
        text=whole[: head.start()].rstrip() + "\n",
    )


def read_presets() -> tuple[Preset, ...]:
    """Return all presets, in the order people are shown."""
    return tuple(read_preset(name) for name in preset_ids())
