"""What was heard when instruments were looked for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ovenwright.domain.run import Quality


@dataclass(frozen=True, slots=True)
class HeardChannel:
    """One number that an instrument keeps giving.

    ``key`` is the instrument's own key, written as the plan's mapping writes it, ``also`` are other
    ways in which a plan may write it; ``rate_hz`` is NaN where it came once only, ``last_ns`` the
    time of the last reading, 0 where there is none. ``detail`` is what the instrument calls it where
    the key is only a place.
    """

    key: str
    value: float
    unit: str = "degC"
    quality: Quality = Quality.GOOD
    rate_hz: float = math.nan
    count: int = 0
    last_ns: int = 0
    detail: str = ""
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Heard:
    """One module that was heard.

    ``address`` is what was asked, such as ``mqtt://127.0.0.1:1883``. ``proposal`` is a table
    ``[[instruments]]`` as plain data that would read it; modules that one table reads carry the same
    one. ``battery`` is a share, ``signal`` as the instrument gives it, both NaN where it is silent
    on them. ``remarks`` say what a person has to decide.
    """

    address: str
    module: str
    channels: tuple[HeardChannel, ...] = ()
    serial: str = ""
    battery: float = math.nan
    signal: float = math.nan
    detail: str = ""
    proposal: Mapping[str, Any] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
