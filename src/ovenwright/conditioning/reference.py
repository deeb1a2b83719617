"""The reference page of the health checks, written from their table."""

from __future__ import annotations

from ovenwright.conditioning.health import HEALTH_TABLE

_HEAD = """# Health checks

Every channel of every run goes through this table. Raw readings are never altered: a check sets a bit
beside the readings it means and gives the stretch a reason. This page is written from the table in
`src/ovenwright/conditioning/health.py`; how the checks think is told in
[channel health](../explanation/channel-health.md).

*Bad* readings are taken out of every measure. A *doubt* leaves them in, but a requirement that rests on
them becomes undecided. A *remark* is shown. The weight given here is the usual one; the
meaning says where it is another.
"""


def health_page() -> str:
    """Return the page as Markdown."""
    parts = [_HEAD, "| bit | check | weight | takes readings out |", "| --- | --- | --- | --- |"]
    for row in HEALTH_TABLE:
        gone = "the stretch" if row.severity.value == "bad" else "one by one" * row.takes_out
        parts.append(
            f"| {row.bit} | [`{row.name}`](#{row.name}) | {row.severity.value} | {gone or 'no'} |"
        )
    parts.extend(
        f"\n## {row.name}\n\n{row.meaning}\n\nWhat to do: {row.remedy}." for row in HEALTH_TABLE
    )
    return "\n".join(parts) + "\n"
