"""Pages that can be handed over: self-contained, offline."""
