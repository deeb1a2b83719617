"""Contract suites that adapters written elsewhere can run."""
