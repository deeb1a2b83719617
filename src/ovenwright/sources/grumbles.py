"""Notices of the same trouble, told at once and then only now and again with their number."""

from __future__ import annotations

from collections import OrderedDict

from ovenwright.domain.live import Notice, NoticeKind
from ovenwright.domain.run import NS

_AGAIN_NS = 10 * NS
_MOST = 256


class Grumbles:
    """Lets a trouble through the first time, and then at most once in ten seconds, counted."""

    def __init__(self) -> None:
        self._told: OrderedDict[tuple[NoticeKind, str], tuple[int, int]] = OrderedDict()

    def tell(
        self, kind: NoticeKind, text: str, now_ns: int, *, module: str = "", about: str = ""
    ) -> tuple[Notice, ...]:
        """Return the notice, or nothing where the same was told a moment ago.

        Parameters
        ----------
        kind, text, now_ns, module : of the notice
        about : what makes two troubles the same, the text itself when left out
        """
        key = (kind, about or text)
        last_ns, silent = self._told.get(key, (now_ns - _AGAIN_NS, 0))
        if now_ns - last_ns < _AGAIN_NS:
            self._told[key] = (last_ns, silent + 1)
            return ()
        self._told[key] = (now_ns, 0)
        self._told.move_to_end(key)
        while len(self._told) > _MOST:
            self._told.popitem(last=False)
        more = f" (and {silent} more like it)" if silent else ""
        return (Notice(kind, now_ns, text + more, module=module),)
