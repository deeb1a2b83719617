"""Nouns that hold and check themselves: plan, run, profile, results, verdict."""
