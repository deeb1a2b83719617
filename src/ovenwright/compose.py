"""The one place that turns settings into objects."""

from __future__ import annotations
