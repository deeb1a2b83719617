"""The measures: each module declares its own in ``MEASURES``; adding one is one file."""
