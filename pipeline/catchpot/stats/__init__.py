"""Pure statistics. Imports nothing of ours."""
