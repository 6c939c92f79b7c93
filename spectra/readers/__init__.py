"""Room readers."""
