"""The health checks, one module a family; the table over them is in ``health``."""
