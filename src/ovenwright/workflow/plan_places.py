"""See where a plan's channels sit, and move them in the picture."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from ovenwright.domain.strict import FiniteFloat, Strict
from ovenwright.errors import UsageError
from ovenwright.reporting.oven_moves import nudge, put
from ovenwright.reporting.oven_scene import Scene, View, scene_of
from ovenwright.reporting.words import Shown
from ovenwright.storage import toml_edit
from ovenwright.storage.plan_draft import draft_of
from ovenwright.workflow.plan_drafting import Change, change_text, refuse_long, tomllib_data

Step = Annotated[int, Field(ge=-500, le=500)]


class Move(Strict):
    """A channel moved in the picture of its oven.

    ``do``: ``put`` sets it down at the picture's point (``u``, ``v``), in units of the picture;
    ``nudge`` moves it by steps ``right`` and ``down``, larger ones with ``far``.
    """

    do: Literal["put", "nudge"]
    channel: Annotated[int, Field(ge=0)]
    view: View
    u: FiniteFloat = 0.0
    v: FiniteFloat = 0.0
    right: Step = 0
    down: Step = 0
    far: bool = False


def scene_in(data: Mapping[str, Any], view: View, shown: Shown) -> Scene | None:
    """Return the picture of a plan's oven, None where its oven can't be read.

    Parameters
    ----------
    data : the plan as plain data, faulty or not
    """
    draft = draft_of(data)
    if draft.oven is None:
        return None
    return scene_of(draft.oven, draft.product, draft.channels, view, shown)


def move_text(text: str, move: Move) -> str:
    """Return a plan's text with a channel moved.

    Raises
    ------
    UsageError : if the text is no TOML, or has no such channel or no oven to put it in
    """
    refuse_long(text)
    data = tomllib_data(text)
    draft = draft_of(data)
    channel = dict(draft.channels).get(move.channel)
    if draft.oven is None or channel is None:
        raise UsageError(
            f"there is no channel {move.channel} that could be moved",
            remedy="mend the plan's oven and channels first",
        )
    for _ in range(max(1, abs(move.right), abs(move.down)) if move.do == "nudge" else 1):
        channel = dict(draft_of(tomllib_data(text)).channels)[move.channel]
        scene = scene_of(draft.oven, draft.product, draft.channels, move.view, Shown())
        if move.do == "put":
            keys = put(scene, channel, move.u, move.v)
        else:
            keys = nudge(scene, channel, _one(move.right), _one(move.down), far=move.far)
        text = _placed(text, move.channel, keys)
    return text


def _one(steps: int) -> int:
    return (steps > 0) - (steps < 0)


def _placed(text: str, channel: int, keys: Mapping[str, float | str | None]) -> str:
    place = tomllib_data(text)["channels"][channel].get("place", {})
    for key, value in keys.items():
        path = ("channels", channel, "place", key)
        if value is None:
            if key in place:
                text = toml_edit.remove_value(text, path)
        elif place.get(key) != value:
            text = toml_edit.set_value(text, path, value)
    return text


def edit_text(text: str, changes: list[Change | Move]) -> str:
    """Return a plan's text with changes and moves made in their order; raises as each of them."""
    for change in changes:
        text = move_text(text, change) if isinstance(change, Move) else change_text(text, [change])
    return text
