"""Readers: a sweep file of any usual layout to a Sweep, with everything assumed told; and the writers.

`read_sweep`, `read_sweeps` and `load_capture` read; `inspect_file` tells how a file was understood; `write_sweep` and
`write_sm1809` write; `to_if_axis` brings an RF axis back to IF.
"""

from __future__ import annotations

from spectra.readers.face import load_capture, read_bytes, read_sweep, read_sweeps
from spectra.readers.inspection import Inspection, inspect_file
from spectra.readers.rf_axis import LoNumbers, to_if_axis
from spectra.readers.writers import write_sm1809, write_sweep

__all__ = [
    "Inspection",
    "LoNumbers",
    "inspect_file",
    "load_capture",
    "read_bytes",
    "read_sweep",
    "read_sweeps",
    "to_if_axis",
    "write_sm1809",
    "write_sweep",
]
