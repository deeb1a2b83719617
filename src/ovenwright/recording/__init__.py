"""One run from plan to sealed file; its life is one table of states."""
