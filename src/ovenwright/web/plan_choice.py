"""The plan somebody chose to judge a run under, as text."""

from __future__ import annotations

import contextlib
import re

from ovenwright.errors import OvenwrightError, UnknownName, UsageError
from ovenwright.storage.plan_shelf import PlanShelf
from ovenwright.storage.presets import preset_ids, read_preset
from ovenwright.storage.run_facts import SealedFacts
from ovenwright.web.refs import run_ref
from ovenwright.web.site import Site

SEALED = "sealed"
MOST_BYTES = 1 << 20
_SHELF = re.compile(r"[a-z0-9][a-z0-9-]{0,119}", re.ASCII)


def chosen_plan(site: Site, facts: SealedFacts, choice: str, text: str = "") -> str:
    """Return the text of a plan.

    Parameters
    ----------
    choice : ``sealed`` or nothing (the plan sealed in the run), ``shelf:ID``, ``preset:ID``,
        ``run:ID`` (the plan sealed in another run), or ``text``
    text : the plan itself, where that was chosen

    Raises
    ------
    UnknownName : if there is no such plan
    UsageError : if nothing was chosen and the run has no plan, or the text is no plan's
    """
    if text.strip() and choice in {"", "text"}:
        if len(text.encode("utf-8", "replace")) > MOST_BYTES:
            raise UsageError("the plan is larger than 1 MiB", remedy="give a plan as TOML")
        return text
    kind, _, ref = choice.partition(":")
    if kind in {"", SEALED}:
        if not facts.plan_toml:
            raise UsageError(
                "this run was sealed without a plan", where=facts.id, remedy="choose another plan"
            )
        return facts.plan_toml
    if kind == "shelf" and _SHELF.fullmatch(ref):
        return PlanShelf(site.tools.logbook.plan_shelf_dir).text(ref)
    if kind == "preset" and ref in preset_ids():
        return read_preset(ref).text
    if kind == "run":
        other = site.tools.logbook.facts(run_ref(ref, site.tools.logbook))
        if other.plan_toml:
            return other.plan_toml
    raise UnknownName("plan", choice[:120])


def plan_choices(site: Site, facts: SealedFacts) -> list[tuple[str, str]]:
    """Return what can be chosen, as (choice, words): the run's own, the shelf, the presets."""
    from ovenwright.workflow.plan_keeping import list_plans

    found = [(SEALED, "the plan sealed in this run")] if facts.plan_toml else []
    with contextlib.suppress(OvenwrightError):  # a shelf that can't be read hides no preset
        found += [
            (f"shelf:{p.id}", f"{p.title} (kept here)")
            for p in list_plans(site.tools.logbook)
            if p.retired is None
        ]
    found += [(f"preset:{name}", f"{read_preset(name).title} (preset)") for name in preset_ids()]
    return found
