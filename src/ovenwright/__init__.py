"""Ovenwright: from temperature readings to a judged run that others can act on."""

__version__ = "0.1.0"
