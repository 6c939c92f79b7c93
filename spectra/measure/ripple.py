"""Ripple of the floor or carriers? The floor's stiffness, and the two ways to read a hump."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from spectra.measure.floor import WIDEST_CARRIER_HZ, humps, lower_envelope
from spectra.measure.information import information
from spectra.measure.scene import RC, stacked
from spectra.measure.seeds import seed_stretch
from spectra.measure.standing import settle_waves
from spectra.measure.work import RIPPLE_ODDS, Work

__all__ = ["EVIDENCE_MARGIN", "reconsider", "strengthen", "unbend"]

_RIPPLE_LEVEL = 0.0  # ln(plateau / floor) below which a wide carrier may be ripple (0 dB: 3 dB of ripple)
_RIPPLE_WIDTH_HZ = 3e6
_MOST_HUMPS = 5
_HUMP_LEVEL = 0.05  # nepers of floor over its own lower envelope that may be a carrier
_HOPELESS = 60.0  # in ln(evidence) behind after three steps
EVIDENCE_MARGIN = 3.0
"""In ln(likelihood): a floor bends only where the trace asks for it."""


def strengthen(work: Work) -> None:
    """Take the strength of the floor's penalty from the trace, by restricted maximum likelihood.

    The stiffest is taken that explains the trace about as well as the best; how far the floors of others are from its
    own, each weighted by its likelihood and its share of the same odds against them all, is a part of the floor's
    uncertainty.
    """
    basis, scene = work.trace.basis, work.scene
    here = information(work.at)
    m, bend = basis.size, basis.bend(scene.beta)
    bent = 0.5 * float(scene.beta @ bend)
    grid = basis.prior_strength * 10.0 ** np.linspace(-1.5, 6.0, 11)
    pull, more = np.zeros(here.gradient.size), grid - scene.strength
    pull[-m:] = bend
    steps, determinants = here.band.solve_at_each(here.gradient, here.free, here.rough, pull, more)
    gain = steps @ here.gradient - more * (steps @ pull)
    value = 0.5 * (m - 2) * np.log(grid) - 0.5 * determinants + 0.5 * gain - grid * bent
    moved = steps[:, -m:]
    enough = np.flatnonzero(value >= value.max() - EVIDENCE_MARGIN)
    work.scene = replace(scene, strength=float(grid[enough[-1]]))
    value[enough[-1]] += EVIDENCE_MARGIN + math.log(grid.size - 1.0)
    likely = np.exp(value - value.max())
    likely /= likely.sum()
    apart = np.array([basis.spline(other - moved[enough[-1]]) for other in moved])
    work.floor_doubt = likely @ apart**2


def unbend(work: Work) -> bool:
    """Ask whether humps of the floor are carriers that it swallowed, by the evidence of both readings."""
    basis = work.trace.basis
    level = basis.spline(work.scene.beta)
    chord = np.interp(work.trace.x, work.trace.x[[0, -1]], level[[0, -1]])
    if np.ptp(level - chord) < _HUMP_LEVEL:
        return False
    below = lower_envelope(work.trace.x, level, WIDEST_CARRIER_HZ / work.spacing_hz)
    changed = False
    # where the floor is known to ripple, one more crest is no news
    doubt = 1.0 if work.scene.strength > 5.0 * basis.prior_strength else 1.0 + 2.0 * RIPPLE_ODDS
    for a, b in humps(level - below, _HUMP_LEVEL)[:_MOST_HUMPS]:
        within_reach = 0.5 * work.trace.information * float(((level - below)[a:b] ** 2).sum())
        if (b - a) * work.spacing_hz < _RIPPLE_WIDTH_HZ or within_reach < 0.5 * work.least**2:
            continue
        before, worth = (work.scene, work.at), work.worth()
        flat = basis.spline(work.scene.beta)
        flat[a:b] = below[a:b]
        beta = basis.approximate(flat if basis.wave is None else flat + basis.wave)
        kind, theta = seed_stretch(work.trace, basis.floor(beta), a, b)
        work.scene = replace(work.scene, beta=beta).with_carriers(
            np.r_[work.scene.kind, kind].astype(np.intp), stacked(work.scene.theta, [theta])
        )
        work.refit(3)
        if work.worth() > worth - _HOPELESS:
            work.refit(8)
        if work.worth() > worth + doubt:
            changed = True
        else:
            work.scene, work.at = before
    return changed


def reconsider(work: Work) -> bool:
    """Ask whether weak wide carriers are ripple of the floor, by the evidence of both readings of the trace."""
    basis, scene = work.trace.basis, work.scene
    if scene.count == 0:
        return False
    theta = scene.theta
    middle = np.clip(np.round(0.5 * (theta[:, 0] + theta[:, 1])).astype(int), 0, work.trace.x.size - 1)
    over = theta[:, 3] - basis.floor(scene.beta)[middle]
    wide = (theta[:, 1] - theta[:, 0]) * work.spacing_hz > _RIPPLE_WIDTH_HZ
    suspect = (scene.kind == RC) & (over < _RIPPLE_LEVEL) & wide
    if not suspect.any():
        return False
    before, worth = (work.trace, work.scene, work.at), work.worth()
    work.scene = replace(scene, kind=scene.kind[~suspect], theta=theta[~suspect], strength=0.3 * basis.prior_strength)
    work.refit(6)
    strengthen(work)
    work.refit(4)
    settle_waves(work)
    if work.worth() > worth:
        return True
    work.trace, work.scene, work.at = before
    return False
