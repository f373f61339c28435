"""Made-up workshops with known truth, and the checks every plugin must pass."""
