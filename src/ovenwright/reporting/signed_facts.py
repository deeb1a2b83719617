"""Signatures under a result, as a report shows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ovenwright.domain.people import Signature
from ovenwright.reporting.document import Cell, Column, Document, Section, Table, Tone
from ovenwright.reporting.words import DASH, Shown

_NOTE = (
    "Each signature is bound to the sealed readings and to one judgement of them, and was given with "
    "the signer's own password (21 CFR 11.50 and 11.70 ask for name, time and meaning, and for that "
    "link). Whether it still holds was found when this report was made."
)


@dataclass(frozen=True, slots=True)
class SignedLine:
    """A signature, what no longer holds of it, and whether this report tells what it signs.

    ``broken`` is empty while all holds. ``here`` is False where another judgement of the run was
    signed, such as one under another plan.
    """

    signature: Signature
    broken: str = ""
    here: bool = True


def with_signatures(document: Document, signed: Sequence[SignedLine], shown: Shown) -> Document:
    """Return the report with its signatures, oldest first; unchanged where there are none."""
    if not signed:
        return document
    lines = sorted(signed, key=lambda s: s.signature.number)
    section = Section("signatures", "Signatures", (_table(lines, shown),))
    facts = tuple(("signed", _in_short(line, shown)) for line in lines)
    return replace(
        document, sections=(section, *document.sections), facts=(*document.facts, *facts)
    )


def _when(line: SignedLine, shown: Shown) -> str:
    return shown.moment(line.signature.at_ns, absolute=True)


def _in_short(line: SignedLine, shown: Shown) -> str:
    one = line.signature
    of = "" if line.here else " (another judgement)"
    holds = "broken" if line.broken else "holds"
    return f"{one.meaning}{of}, {one.full_name}, {_when(line, shown)}: {holds}"


def _table(lines: Sequence[SignedLine], shown: Shown) -> Table:
    rows = []
    for line in lines:
        one = line.signature
        holds = (
            Cell(f"✗ broken: {line.broken}", tone=Tone.POOR)
            if line.broken
            else Cell("✓ holds", tone=Tone.GOOD)
        )
        rows.append(
            (
                Cell(one.full_name),
                Cell(f"{one.name}, {one.role}"),
                Cell(one.meaning),
                Cell(one.why),
                Cell(_when(line, shown)),
                Cell(one.verdict or DASH),
                Cell("" if line.here else "another judgement of this run"),
                holds,
            )
        )
    return Table(
        id="signed-by",
        title="Who signed, and what it says",
        columns=(
            Column("name", width=1.4),
            Column("account", width=1.2),
            Column("meaning", width=1.0),
            Column("remark", width=1.6),
            Column("signed", width=1.6),
            Column("verdict signed", width=1.0),
            Column("under", width=1.2),
            Column("holds", width=1.4),
        ),
        rows=tuple(rows),
        note=_NOTE,
    ).filled()
