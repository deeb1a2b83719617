"""The virtual oven as an instrument: a scenario served over real protocols, while it runs.

``serve(scenario, outlets, …)`` runs a scenario against the clock and hands each scan to its
outlets: a gateway that publishes to an MQTT broker, a Modbus TCP server, a serial line of text.
"""

from __future__ import annotations

from ovenwright.virtual.serving.address import Address, open_outlet, read_address
from ovenwright.virtual.serving.frames import Frame, Shown, frames_of
from ovenwright.virtual.serving.outlet import Mischief, Outlet
from ovenwright.virtual.serving.ready import SCENARIOS, scenario_named
from ovenwright.virtual.serving.server import Served, serve
from ovenwright.virtual.serving.truth import TruthFile

__all__ = [
    "SCENARIOS",
    "Address",
    "Frame",
    "Mischief",
    "Outlet",
    "Served",
    "Shown",
    "TruthFile",
    "frames_of",
    "open_outlet",
    "read_address",
    "scenario_named",
    "serve",
]
