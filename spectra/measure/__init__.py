"""Room measure."""
