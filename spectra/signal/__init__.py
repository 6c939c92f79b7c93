"""Room signal."""
