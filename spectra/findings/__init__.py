"""Room findings."""
