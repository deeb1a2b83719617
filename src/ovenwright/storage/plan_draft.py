"""The parts of a plan that can be read, whatever else is wrong with it."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import pydantic_core
from pydantic import BaseModel, TypeAdapter, ValidationError

from ovenwright.domain.plan import (
    ChamberOven,
    Channel,
    CrossingWish,
    Oven,
    Plan,
    Product,
    Recording,
    Requirement,
    Site,
    TunnelOven,
)
from ovenwright.storage.plan_faults import holds

Part = TypeVar("Part", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Draft:
    """The parts of a plan that can be read; ``data`` is the plan as plain data."""

    data: Mapping[str, Any]
    site: Site | None
    oven: Oven | None
    product: Product | None
    recording: Recording | None
    channels: tuple[tuple[int, Channel], ...]
    requirements: tuple[tuple[int, Requirement], ...]
    crossings: tuple[tuple[int, CrossingWish], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Channel names as written, faulty channels included."""
        return tuple(str(c["name"]) for _, c in items_of(self.data, "channels") if "name" in c)

    @property
    def roles(self) -> frozenset[str]:
        """Roles as written, faulty channels included."""
        return frozenset(str(c.get("role", "")) for _, c in items_of(self.data, "channels"))

    @property
    def kind(self) -> str:
        """Kind of the oven as written."""
        return str(value_of(self, ("oven",)).get("kind", ""))

    @property
    def zones(self) -> tuple[tuple[int, str], ...]:
        """Index and name of the zones as written."""
        found = items_of(value_of(self, ("oven",)), "zones")
        return tuple((i, str(z["name"])) for i, z in found if "name" in z)


def draft_of(data: Mapping[str, Any]) -> Draft:
    """Read every part of a plan that can be read, leaving out keys that are at fault."""
    site = _part(Site, data.get("site", {}))
    return Draft(
        data=data,
        site=site,
        oven=_oven(data.get("oven")),
        product=_part(Product, data.get("product")),
        recording=_part(Recording, data.get("recording")),
        channels=tuple(_parts(Channel, data, "channels")),
        requirements=tuple(_parts(Requirement, data, "requirements")),
        crossings=tuple(_parts(CrossingWish, data, "crossings")),
    )


def plan_of(draft: Draft) -> Plan | None:
    """Return a plan that stands in for a faulty one, None where no channel can be read.

    Good for questions about single requirements only: what could not be read is filled in.
    """
    if not draft.channels:
        return None
    return Plan(
        title=str(draft.data.get("title", "")),
        site=draft.site or Site(),
        oven=draft.oven
        or TypeAdapter(Oven).validate_python(
            {"kind": "chamber", "name": "", "width_m": 1.0, "depth_m": 1.0, "height_m": 1.0}
        ),
        product=draft.product or Product(name=""),
        recording=draft.recording or Recording(interval_s=1.0),
        channels=tuple(c for _, c in draft.channels),
        requirements=tuple(r for _, r in draft.requirements),
    )


def read_strictly(kind: Any, value: Any) -> Any:
    """Validate plain data as TOML means it: a list is a list, "34" is no number, 34 is 34.0."""
    return TypeAdapter(kind).validate_json(
        pydantic_core.to_json(value, inf_nan_mode="constants"), strict=True
    )


def _part(kind: type[Part], value: Any) -> Part | None:
    """Read one part, dropping keys at fault; None where what is left can't stand."""
    value = copy.deepcopy(value)
    for _ in range(64):
        try:
            return read_strictly(kind, value)  # type: ignore[no-any-return]
        except ValidationError as trouble:
            # each one is tried, so that one round takes out all it can
            dropped = [_drop(value, error) for error in trouble.errors(include_url=False)]
            if not all(dropped):
                return None
    return None


def _oven(value: Any) -> TunnelOven | ChamberOven | None:
    kind = value.get("kind") if isinstance(value, dict) else None
    return _part(TunnelOven, value) if kind == "tunnel" else _part(ChamberOven, value)


def _drop(value: Any, error: Any) -> bool:
    """Take the key an error is about out of plain data; False where that is no help."""
    kind, loc = error["type"], list(error["loc"])
    if not isinstance(value, dict):
        return False
    if kind == "value_error":  # a rule across keys, which a check below tells by itself
        for key in ("at_most", "pressure_kpa", "altitude_m"):
            value.pop(key, None)
        if "measure" in value:
            value["at_least"] = 0.0
        return True
    if kind == "missing":
        loc = loc[:-1]  # the part it is missing from is of no use
    here: Any = value
    trail: list[tuple[Any, Any]] = []
    for key in loc:
        if holds(here, key):
            trail.append((here, key))
            here = here[key]
    while trail:
        holder, key = trail.pop()
        if isinstance(holder, dict):
            del holder[key]
            return True
    return False


def items_of(data: Mapping[str, Any], key: str) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield the tables in a list of plain data, each with its index."""
    found = data.get(key, ())
    for i, item in enumerate(found if isinstance(found, (list, tuple)) else ()):
        if isinstance(item, dict):
            yield i, item


def _parts(kind: type[Part], data: Mapping[str, Any], key: str) -> Iterator[tuple[int, Part]]:
    for i, item in items_of(data, key):
        # a forgotten name is a fault of its own and must not hide the others
        named = item if "name" in item or key == "crossings" else {**item, "name": f"{key} {i}"}
        part = _part(kind, named)
        if part is not None:
            yield i, part


def value_of(draft: Draft, path: tuple[str | int, ...]) -> Mapping[str, Any]:
    """Return the table at a path of the plain data."""
    here: Any = draft.data
    for key in path:
        here = here[key] if holds(here, key) else {}
    return here if isinstance(here, dict) else {}
