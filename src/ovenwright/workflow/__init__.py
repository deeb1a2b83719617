"""The verbs of the tool, one function each; no sums, no SQL."""
