"""Draws a run at a glance: what its channels spanned over time, as a small SVG."""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

Numbers = Sequence[float | None]


def spark_line(
    low: Numbers, high: Numbers, words: str, *, width: float = 140, height: float = 36
) -> str:
    """Return the band between the coldest and the hottest channel as an SVG element.

    Parameters
    ----------
    low, high : (k,) over equal stretches of time, None where there is no reading
    words : what it shows, for those who can't see it
    width, height : of its own frame; style sheets may stretch it

    Returns
    -------
    an element whose parts have the classes ``band``, ``low`` and ``high``; an empty picture with
    its words where there is no reading
    """
    known = [v for v in (*low, *high) if v is not None]
    head = (
        f'<svg class="spark" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="{escape(words, {chr(34): "&quot;"})}" preserveAspectRatio="none">'
    )
    if not known:
        return head + "</svg>"
    bottom, top = min(known), max(known)
    span = max(top - bottom, 1e-9)
    pad = 2.0
    step = width / max(len(low) - 1, 1)

    def point(i: int, value: float) -> str:
        y = height - pad - (value - bottom) / span * (height - 2 * pad)
        return f"{i * step:.1f} {y:.1f}"

    out = [head]
    for stretch in _stretches(low, high):
        up = " ".join(point(i, h) for i, _, h in stretch)
        down = " ".join(point(i, lo) for i, lo, _ in stretch)
        back = " ".join(point(i, lo) for i, lo, _ in reversed(stretch))
        out.append(f'<path class="band" d="M{up} {back}z"/>')
        out.append(f'<path class="high" d="M{up}"/><path class="low" d="M{down}"/>')
    return "".join(out) + "</svg>"


def _stretches(low: Numbers, high: Numbers) -> list[list[tuple[int, float, float]]]:
    """Return the stretches without a hole; no line is drawn over one."""
    found: list[list[tuple[int, float, float]]] = [[]]
    for i, (a, b) in enumerate(zip(low, high, strict=True)):
        if a is None or b is None:
            if found[-1]:
                found.append([])
            continue
        found[-1].append((i, a, b))
    return [s for s in found if s]
