"""All declared measures, found by looking into the measures folder."""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from functools import cache
from importlib import import_module
from types import MappingProxyType

from ovenwright.analysis import measures
from ovenwright.analysis.declaration import Measure


@cache
def declared_measures() -> Mapping[str, Measure]:
    """Return every declared measure by name, in the order of the alphabet.

    Every module of ``analysis/measures`` that has ``MEASURES`` takes part; there is no list to
    keep.
    """
    found: dict[str, Measure] = {}
    for info in pkgutil.iter_modules(measures.__path__):
        module = import_module(f"{measures.__name__}.{info.name}")
        for measure in getattr(module, "MEASURES", ()):
            if measure.name in found:
                raise RuntimeError(f"measure {measure.name!r} is declared twice")
            if (measure.of_channel is None) == (measure.of_group is None):
                raise RuntimeError(f"measure {measure.name!r} needs exactly one function")
            found[measure.name] = measure
    return MappingProxyType(dict(sorted(found.items())))
