"""Layouts: one module each, a sniffer and a reader, in one ordered table."""
