"""Reading logs into checked samples."""
