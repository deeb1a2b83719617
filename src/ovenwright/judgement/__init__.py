"""Results and limits to verdict: pass, fail or undecided."""
