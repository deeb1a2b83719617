"""A file that another program is still writing, or standard input, as a plan describes it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ovenwright.domain.sources.described import DescribedSource, KeyPath
from ovenwright.domain.sources.lines import TextMapping


class FollowFileSource(DescribedSource):
    """A text file that another program is still writing; new lines are taken as they come."""

    kind: Literal["follow-file"]
    """"follow-file": a file that another program is still writing."""
    path: str = Field(min_length=1)
    """The file. It may be renamed, begun anew or cut short while it is followed; it need not exist yet."""
    already_there: Literal["skip", "read"] = "skip"
    """What to do with lines that stand there at the start: pass them over, or take them as delivered late."""
    look_every_s: Annotated[float, Field(ge=0.02, le=60)] = 0.2
    """How often to look for new lines."""
    silent_after_s: Annotated[float, Field(gt=0)] = 15.0
    """A silence longer than this is told."""
    text: TextMapping
    """How readings stand in a line."""
    channels: dict[str, str] = Field(min_length=1)
    """From the file's own key, a heading or ``module/channel``, to the plan's channel name."""

    def fed(self) -> tuple[tuple[KeyPath, str], ...]:
        """Return the plan's channels this file feeds, each with the key that says so."""
        return tuple((("channels", key), name) for key, name in self.channels.items())

    def places(self) -> tuple[tuple[KeyPath, str, str], ...]:
        """Return faults across the keys of this table: (key path, what is wrong, remedy)."""
        return tuple((("text", *path), what, how) for path, what, how in self.text.faults())


class StandardInputSource(DescribedSource):
    """Lines of text that another program writes into this one's standard input."""

    kind: Literal["standard-input"]
    """"standard-input": lines piped into this program."""
    silent_after_s: Annotated[float, Field(gt=0)] = 15.0
    """A silence longer than this is told."""
    text: TextMapping
    """How readings stand in a line."""
    channels: dict[str, str] = Field(min_length=1)
    """From the text's own key, a heading or ``module/channel``, to the plan's channel name."""

    def fed(self) -> tuple[tuple[KeyPath, str], ...]:
        """Return the plan's channels these lines feed, each with the key that says so."""
        return tuple((("channels", key), name) for key, name in self.channels.items())

    def places(self) -> tuple[tuple[KeyPath, str, str], ...]:
        """Return faults across the keys of this table: (key path, what is wrong, remedy)."""
        return tuple((("text", *path), what, how) for path, what, how in self.text.faults())
