"""Orders and runs analyses; only what is stale runs."""
