"""Readers: a sweep file of any usual layout to a Sweep, with everything assumed told."""

from __future__ import annotations

from spectra.readers.face import load_capture, read_sweep, read_sweeps

__all__ = ["load_capture", "read_sweep", "read_sweeps"]
