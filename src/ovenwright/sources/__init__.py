"""Sockets and ports to readings: one module for each kind of link."""
