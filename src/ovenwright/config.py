"""Settings as one table: name, default, help. A flag beats the environment beats the file."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from ovenwright.errors import UsageError

ENV_PREFIX = "OVENWRIGHT_"


@dataclass(frozen=True, slots=True)
class Setting:
    """One row of the table."""

    name: str
    default: Any
    help: str
    parse: Callable[[str], Any]


def _folder(text: str) -> Path:
    return Path(text).expanduser()


def _unit(text: str) -> str:
    letter = text.strip().lstrip("°").upper()[:1]
    if letter not in {"C", "F"}:
        raise ValueError("expected C or F")
    return letter


def _optional_folder(text: str) -> Path | None:
    return Path(text).expanduser() if text else None


TABLE: tuple[Setting, ...] = (
    Setting("logbook", Path("logbook"), "folder where plans, runs and reports are kept", _folder),
    Setting("show_unit", "C", "unit that people are shown: C or F", _unit),
    Setting("zone", "", "time zone of people and of times without one, such as Europe/Riga", str),
    Setting("kinetics", None, "a TOML file with kinetics of your own", _optional_folder),
)


@dataclass(frozen=True, slots=True)
class Settings:
    """The settings in force; one field a row of :data:`TABLE`."""

    logbook: Path
    show_unit: str
    zone: str
    kinetics: Path | None


def load(flags: Mapping[str, Any], *, env: Mapping[str, str] | None = None) -> Settings:
    """Return the settings in force.

    Parameters
    ----------
    flags : values given on the command line, None where not given
    env : environment, the process's own when left out

    Raises
    ------
    UsageError : if a value can't be read, naming where it came from
    """
    env = os.environ if env is None else env
    file = Path(env.get(ENV_PREFIX + "CONFIG", "ovenwright.toml"))
    from_file: dict[str, Any] = {}
    if file.is_file():
        try:
            from_file = tomllib.loads(file.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as cause:
            raise UsageError(
                f"the settings file can't be read: {cause}",
                where=str(file),
                remedy="mend it or move it away",
            ) from cause
    known = {s.name for s in TABLE}
    strangers = sorted(set(from_file) - known)
    if strangers:
        raise UsageError(
            f"unknown setting {strangers[0]!r}",
            where=str(file),
            remedy=f"known settings: {', '.join(sorted(known))}",
        )
    found: dict[str, Any] = {}
    for row in TABLE:
        env_name = ENV_PREFIX + row.name.upper()
        for place, value in (
            (f"--{row.name.replace('_', '-')}", flags.get(row.name)),
            (env_name, env.get(env_name) or None),
            (f"{file}: {row.name}", from_file.get(row.name)),
        ):
            if value is None:
                continue
            try:
                found[row.name] = row.parse(str(value))
            except ValueError as cause:
                raise UsageError(f"{value!r} will not do: {cause}", where=place) from cause
            break
        else:
            found[row.name] = row.default
    return Settings(**{f.name: found[f.name] for f in fields(Settings)})
