"""Room identify."""
