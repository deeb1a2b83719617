"""Topics with named parts, and the filter a broker understands."""

from __future__ import annotations

import re
from dataclasses import dataclass

from ovenwright.errors import UsageError

NAMES = ("module", "channel")
_PART = re.compile(r"\{(\w*)\}")


@dataclass(frozen=True, slots=True)
class TopicPattern:
    """A topic pattern: the broker's ``filter``, and which of ``NAMES`` a topic tells."""

    text: str
    filter: str
    names: tuple[str, ...]
    form: re.Pattern[str]

    def match(self, topic: str) -> dict[str, str] | None:
        """Return the named parts of a topic, None where it is not of this pattern."""
        found = self.form.fullmatch(topic)
        return None if found is None else found.groupdict()


def decode_topic_pattern(text: str) -> TopicPattern:
    """Read a topic pattern such as ``plant/{module}/+/{channel}``.

    A named part stands for one level or a part of one; ``+`` and ``#`` mean what they mean in MQTT
    (OASIS MQTT 5.0, section 4.7).

    Raises
    ------
    UsageError : if a broker would not take it, or a name is not ``module`` or ``channel``
    """
    if not text or "\0" in text or len(text.encode()) > 65_535:
        raise UsageError(
            "not a topic", where=repr(text[:40]), remedy="write it such as plant/{module}"
        )
    levels = text.split("/")
    names: list[str] = []
    asked: list[str] = []
    form: list[str] = []
    for i, level in enumerate(levels):
        if level == "#":
            if i != len(levels) - 1:
                raise UsageError("# may only end a topic", where=repr(text), remedy="use + inside")
            asked.append("#")
            continue
        parts = _PART.split(level)
        if any(c in "".join(parts[::2]) for c in "{}#") or (level != "+" and "+" in level):
            raise UsageError(
                f"level {level!r} can't be read",
                where=repr(text),
                remedy="use + for one whole level, # at the end, {module} and {channel}",
            )
        for name in parts[1::2]:
            if name not in NAMES or name in names:
                raise UsageError(
                    f"{{{name}}} can't stand here",
                    where=repr(text),
                    remedy="use {module} and {channel}, each once, and + for the rest",
                )
            names.append(name)
        asked.append("+" if len(parts) > 1 or level == "+" else level)
        form.append(
            "[^/]*"
            if level == "+"
            else "".join(
                f"(?P<{p}>[^/]+)" if odd else re.escape(p)
                for p, odd in ((p, k % 2) for k, p in enumerate(parts))
            )
        )
    body = "/".join(form)
    if levels[-1] == "#":
        body = f"{body}(?:/.*)?" if form else ".*"
    return TopicPattern(text, "/".join(asked), tuple(names), re.compile(body, re.DOTALL))
