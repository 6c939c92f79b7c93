"""Room simulate."""
