"""Bytes to readings: no sockets, no clock, bounded memory, only our own errors."""
