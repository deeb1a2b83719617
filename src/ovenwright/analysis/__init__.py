"""Profile to results: load-in, crossings, measures, zones, uniformity."""
