"""The virtual oven: its own 2-D physics, sharing no code with what it tests.

``record(scenario, seed=1)`` runs a scenario and gives readings with the truth beside them;
``iterate`` gives the same scans one by one. Scenarios are in ``ovenwright.virtual.scenarios``.
"""

from __future__ import annotations

from ovenwright.virtual.recording import Recording
from ovenwright.virtual.running import Scan, iterate, record
from ovenwright.virtual.scenario import Scenario

__all__ = ["Recording", "Scan", "Scenario", "iterate", "record"]
