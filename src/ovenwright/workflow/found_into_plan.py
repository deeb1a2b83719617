"""Write what was heard into a plan: every word that is there stays."""

from __future__ import annotations

import codecs
import math
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import tomli_w

from ovenwright.domain.heard import Heard
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.errors import UsageError
from ovenwright.physics.sampling import PRACTICAL_S
from ovenwright.storage.durable import whole_file
from ovenwright.workflow.found_completing import complete
from ovenwright.workflow.found_matching import missing_in, proposals_of
from ovenwright.workflow.planning import checked_text


def write_into(
    plan_file: Path, heard: Sequence[Heard], url: str, library: ReferenceLibrary
) -> tuple[str, ...]:
    """Add what was heard and is new to a plan file; every word in it stays as it was.

    Channels that nothing feeds yet take the first inputs in order; for the others new ones are
    written, with a sensor to be set. Where the plan has the instrument already, its table is
    completed; what it has is never written twice, and a plan that has it all is left alone.

    Returns
    -------
    names of the channels that were added

    Raises
    ------
    UsageError : if nothing was heard, or it can't be added without changing what is there
    PlanFaults : if the plan has faults of its own
    StorageTrouble : if the disk refuses
    """
    content = plan_file.read_bytes()  # as text, line ends would be lost
    mark = codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
    text = content.decode("utf-8-sig")
    plan = checked_text(text, library, file=str(plan_file))
    if not proposals_of(heard):
        raise _nothing(url)
    missing = missing_in(plan, heard)
    if not missing:
        return ()
    fed = {name for one in plan.instruments for _, name in one.fed()}
    free = [c.name for c in plan.channels if c.name not in fed]
    taken = {c.name for c in plan.channels}
    added: list[tuple[str, str]] = []

    def name_for(key: str) -> str:
        if free:
            return free.pop(0)
        name = _plain_name(key)
        count = 2
        while name in taken:
            name, count = f"{_plain_name(key)} {count}", count + 1
        taken.add(name)
        added.append((name, key))
        return name

    new_text = text.replace("\r\n", "\n")
    tables: list[dict[str, Any]] = []
    for one in missing:
        table = _filled(_from_folder(one.table, plan_file.parent), name_for)
        if one.at is None:
            tables.append(table)
        else:
            note = f"heard at {url}, added: see that each name stands beside its sensor's input"
            new_text = complete(new_text, one.at, one.many, table[one.many], note=note)
    pieces = [new_text if new_text.endswith("\n") or not new_text else new_text + "\n"]
    pieces += [_channel_text(name, key, url) for name, key in added]
    pieces += [_instrument_text(t, url) for t in tables]
    new_text = "".join(pieces)
    if "\r\n" in text:
        new_text = new_text.replace("\n", "\r\n")
    checked_text(new_text, library, file=str(plan_file))  # never leave a plan worse than it was
    with whole_file(plan_file, overwrite=True) as temp:
        temp.write_bytes(mark + new_text.encode("utf-8"))
        temp.chmod(plan_file.stat().st_mode & 0o777)
    return tuple(name for name, _ in added)


def write_new(
    plan_file: Path, heard: Sequence[Heard], url: str, library: ReferenceLibrary
) -> tuple[str, ...]:
    """Write a first plan around what was heard: enough to check and to record with.

    Returns
    -------
    names of its channels

    Raises
    ------
    UsageError : if nothing was heard that a plan could read
    StorageTrouble : if the file is there, or the disk refuses
    """
    proposals = proposals_of(heard)
    if not proposals:
        raise _nothing(url)
    names: list[tuple[str, str]] = []

    def name_for(key: str) -> str:
        name, count = _plain_name(key), 2
        while name in {n for n, _ in names}:
            name, count = f"{_plain_name(key)} {count}", count + 1
        names.append((name, key))
        return name

    tables = [_filled(_from_folder(p, plan_file.parent), name_for) for p in proposals]
    pieces = [
        _FIRST.format(interval=_interval_s(heard)),
        *(_channel_text(name, key, url) for name, key in names),
        *(_instrument_text(t, url) for t in tables),
    ]
    new_text = "".join(pieces)
    checked_text(new_text, library, file=str(plan_file))
    with whole_file(plan_file) as temp:
        temp.write_text(new_text, encoding="utf-8", newline="\n")
    return tuple(name for name, _ in names)


_FIRST = """# A first plan around instruments that were found. Lines marked (yours) are placeholders: they do
# not touch what is recorded, but a verdict and advice rest on them. Presets with requirements and
# sources: ovenwright plan presets
title = "First look"                # (yours)

[oven]
kind = "chamber"                    # (yours) or "tunnel", see: ovenwright plan new
name = "oven"                       # (yours)
width_m = 1.0                       # (yours)
depth_m = 1.0                       # (yours)
height_m = 1.0                      # (yours)

[product]
name = "product"                    # (yours)

[recording]
interval_s = {interval:g}
"""


def _interval_s(heard: Sequence[Heard]) -> float:
    """Return the pace of what was heard, on a number an instrument can be set to."""
    rates = [c.rate_hz for h in heard for c in h.channels if c.rate_hz > 0]
    if not rates:
        return 1.0
    wanted = 1.0 / sorted(rates)[len(rates) // 2]
    near = min(PRACTICAL_S, key=lambda s: abs(math.log(s / wanted)))
    return near if abs(math.log(near / wanted)) < 0.15 else round(wanted, 3)


def _channel_text(name: str, key: str, url: str) -> str:
    row = {"name": name, "sensor": "K", "role": "air", "note": f"heard as {key}"}
    return (
        f"\n# found at {url}: its sensor type, role and place are yours to say\n"
        "[[channels]]\n" + tomli_w.dumps(row)
    )


def _instrument_text(table: Mapping[str, Any], url: str) -> str:
    return (
        f"\n# heard at {url}: see that each name stands beside the input its sensor is plugged into\n"
        + _array_of_tables("instruments", table)
    )


def _array_of_tables(name: str, table: Mapping[str, Any]) -> str:
    """Write one item of an array of tables in full, so that a person can go on writing in it."""
    text = tomli_w.dumps({name: [dict(table)]})
    if text.startswith(f"[[{name}]]"):
        return text
    plain = {k: v for k, v in table.items() if not isinstance(v, Mapping)}
    out = [f"[[{name}]]\n", tomli_w.dumps(plain)]
    for key, inner in table.items():
        if isinstance(inner, Mapping):
            out.append(f"\n[{name}.{key}]\n" + tomli_w.dumps(dict(inner)))
    return "".join(out)


def _nothing(url: str) -> UsageError:
    return UsageError(
        "nothing was heard that a plan could read", where=url, remedy="listen longer: --seconds"
    )


def _from_folder(proposal: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Write file names as the plan reads them: from its own folder where they lie in it."""
    out: dict[str, Any] = {}
    for key, value in proposal.items():
        if isinstance(value, Mapping) and key == "tls":
            out[key] = _from_folder(value, folder)
        elif key.endswith("_file") and value and Path(value).is_relative_to(folder.absolute()):
            out[key] = Path(value).relative_to(folder.absolute()).as_posix()
        else:
            out[key] = value
    return out


def _filled(proposal: Mapping[str, Any], name_for: Callable[[str], str]) -> dict[str, Any]:
    """Return a proposed table with the plan's channel names in it."""
    table = dict(proposal)
    if isinstance(table.get("channels"), Mapping):
        table["channels"] = {key: name_for(key) for key in table["channels"]}
    for many in ("registers", "nodes", "fields"):
        if isinstance(table.get(many), Sequence):
            table[many] = [
                {"channel": name_for(_key_of(row, table)), **_without_channel(row)}
                if "channel" in row
                else row
                for row in table[many]
            ]
    return table


def _key_of(row: Mapping[str, Any], table: Mapping[str, Any]) -> str:
    """Return a name to call a register or a node by: its own where the search gave one."""
    if row.get("channel"):
        return str(row["channel"])
    if "address" in row:
        return f"unit {table.get('unit_id', 1)} at {row['address']}"
    return str(row.get("node", "input"))


def _without_channel(row: Mapping[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in row.items() if k != "channel"}


def _plain_name(key: str) -> str:
    words = re.sub(r"[^\w]+", " ", key).strip()
    return words or "input"
