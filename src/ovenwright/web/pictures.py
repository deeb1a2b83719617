"""A chart of the report as a page's script draws it: the same curves, limits and words."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.reporting.document import Area, TimeChart
from ovenwright.reporting.words import Shown
from ovenwright.web.slices import Packed, pack

_FINEST = {"zone", "bad", "doubt"}


def overlays(chart: TimeChart, zero_s: float, shown: Shown, *, temperature: bool) -> dict[str, Any]:
    """Return what lies over a chart's curves: elapsed seconds, and °C where it is a temperature."""

    def back(value: float) -> float:
        return (value - 32.0) / 1.8 if temperature and shown.fahrenheit else value

    return {
        "title": chart.title,
        "alt": chart.alt,
        "y_label": chart.y_label,
        "note": chart.note,
        "zero_s": zero_s,
        "limits": [{"value": back(li.y), "words": li.text} for li in chart.limits],
        "spots": [
            {
                "at_s": s.x * 60.0 + zero_s,
                "value": back(s.y),
                "words": s.text,
                "look": s.look,
                "channel": s.text.split(": ", 1)[0],
            }
            for s in chart.spots
        ],
        "stretches": [
            {
                "from_s": b.x0 * 60.0 + zero_s,
                "to_s": b.x1 * 60.0 + zero_s,
                "words": b.text,
                "kind": b.kind,
                "look": b.look,
            }
            for b in chart.bands
            if b.kind in _FINEST
        ],
        "marks": [{"at_s": x * 60.0 + zero_s, "words": words} for x, words in chart.events],
        "looks": {line.name: line.look for line in chart.lines},
    }


def packed_chart(chart: TimeChart, zero_s: float, shown: Shown) -> bytes:
    """Return a chart with its curves in binary, as :mod:`ovenwright.web.slices` tells it."""
    head = overlays(chart, zero_s, shown, temperature=False)
    return pack(
        head,
        [
            Packed(
                {"name": line.name, "look": line.look, "role": line.role},
                line.x * 60.0 + zero_s,
                line.y,
                None if line.half is None else np.asarray(line.half),
            )
            for line in chart.lines
        ],
    )


def plain_chart(chart: TimeChart, zero_s: float, shown: Shown) -> dict[str, Any]:
    """Return a chart as plain data, each curve with its times and values; NaN as None."""
    areas = {"areas": [_area(a, zero_s) for a in chart.areas]} if chart.areas else {}
    return (
        overlays(chart, zero_s, shown, temperature=False)
        | areas
        | {
            "channels": [
                {
                    "name": line.name,
                    "look": line.look,
                    "role": line.role,
                    "time_s": (line.x * 60.0 + zero_s).tolist(),
                    "value": _known(line.y),
                }
                for line in chart.lines
            ]
        }
    )


def _area(area: Area, zero_s: float) -> dict[str, Any]:
    return {
        "sure": area.sure,
        "time_s": (area.x * 60.0 + zero_s).tolist(),
        "low": _known(area.low),
        "high": _known(area.high),
    }


def _known(values: FloatArray) -> list[float | None]:
    return [v if math.isfinite(v) else None for v in values.tolist()]
