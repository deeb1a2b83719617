"""From an instrument as the plan describes it to the source that reads it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Any

from ovenwright.domain.live import Clock, Source
from ovenwright.domain.sources import SourcePlan
from ovenwright.errors import UnknownName


@dataclass(frozen=True, slots=True)
class Opening:
    """How a source is opened.

    ``lasting`` is True for a recording: what is sent while we are away is kept for us where the link
    can do that. A check or a search leaves nothing behind. ``fresh`` is True where another recording
    begins: what was kept for one before it belongs to another test. ``folder`` is where relative file
    names of the plan start. ``since`` is set where a recording is gone on with: up to which time, UTC
    ns, each channel's readings are there already; an instrument that remembers is asked for the rest.
    """

    clock: Clock
    lasting: bool = True
    folder: Path = Path()
    fresh: bool = False
    since: Mapping[str, int] = field(default_factory=dict)


# kind: (module, function taking (source plan, opening)); loaded only when asked for
_KINDS: dict[str, tuple[str, str]] = {
    "mqtt": ("ovenwright.sources.mqtt", "open_mqtt"),
    "modbus": ("ovenwright.sources.modbus", "open_modbus"),
    "scpi": ("ovenwright.sources.scpi", "open_scpi"),
    "serial-text": ("ovenwright.sources.serial_text", "open_serial_text"),
    "follow-file": ("ovenwright.sources.follow_file", "open_follow_file"),
    "standard-input": ("ovenwright.sources.follow_file", "open_standard_input"),
    "opcua": ("ovenwright.sources.opcua", "open_opcua"),
}


def open_source(
    plan: SourcePlan,
    clock: Clock,
    *,
    lasting: bool = True,
    folder: Path | None = None,
    fresh: bool = False,
    since: Mapping[str, int] | None = None,
) -> Source:
    """Return the source that reads an instrument; nothing is connected before it runs.

    Parameters
    ----------
    plan : one of the plan's instruments
    clock : the time of day
    lasting : whether the link should keep for us what is sent while we are away
    folder : where the plan's relative file names start, the current folder when left out
    fresh : whether what the link kept for an earlier recording is to be left out
    since : up to which time, UTC ns, each channel is recorded already

    Raises
    ------
    UnknownName : if there is no source of that kind
    UsageError : if the description can't be carried out, such as a missing password
    MissingExtra : if its library is not installed
    """
    kind = str(plan.kind)
    if kind not in _KINDS:
        raise UnknownName("kind of instrument", kind, known=tuple(_KINDS))
    module, function = _KINDS[kind]
    opened: Callable[[Any, Opening], Source] = getattr(import_module(module), function)
    return opened(plan, Opening(clock, lasting, folder or Path(), fresh, since or {}))
