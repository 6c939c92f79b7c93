"""The inner loops of the fit, compiled: each file does what the one of its name one floor up does, number by number.

Numpy needs some hundred calls for one step of a fit, each on a few hundred numbers, and spends most of its time
between them. These loops do the same without. The numpy code is their definition, and runs where numba is not
installed; the tests hold the two against each other. `Points` is what a trace is to the loops, `At` what an evaluation
is; both are plain tuples.

What was compiled is kept on disk, and forgotten when any of these files changes (`kept`).
"""

from spectra.measure.loops.detect import edges_found, windows_found
from spectra.measure.loops.fit import best_within, fitted, kept, moved
from spectra.measure.loops.floor import (
    best_cuts,
    floor_fitted,
    floor_grown,
    gram_of,
    hull_under,
    line_through,
    spline_at,
    variance_at,
)
from spectra.measure.loops.information import gradient, information
from spectra.measure.loops.likelihood import losses
from spectra.measure.loops.linear import inverse_within, solved, solved_at_each
from spectra.measure.loops.model import evaluated
from spectra.measure.loops.pairs import ordered, reached, within
from spectra.measure.loops.response import orders_asked, response_sums
from spectra.measure.loops.seeds import guessed, medians
from spectra.measure.loops.statistics import products_at_lags, scattered

__all__ = [
    "best_cuts",
    "best_within",
    "edges_found",
    "evaluated",
    "fitted",
    "floor_fitted",
    "floor_grown",
    "gradient",
    "gram_of",
    "guessed",
    "hull_under",
    "information",
    "inverse_within",
    "kept",
    "line_through",
    "losses",
    "medians",
    "moved",
    "ordered",
    "orders_asked",
    "products_at_lags",
    "reached",
    "response_sums",
    "scattered",
    "solved",
    "solved_at_each",
    "spline_at",
    "variance_at",
    "windows_found",
    "within",
]
