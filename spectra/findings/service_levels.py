"""Level of the vessel's own carrier over captures: blocked sectors, tracking loss, is the antenna peaked."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.finding import Evidence, Finding, Subjects, step
from spectra.units import FloatArray, jsonable

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.identify.identification import Identification
    from spectra.plan.table import CarrierTable

__all__ = [
    "Peak",
    "Sector",
    "ServiceLevel",
    "blockage",
    "blocked_sectors",
    "not_peaked",
    "peak_of_steps",
    "service_findings",
    "service_levels",
    "tracking_excess",
    "tracking_loss",
]

_BLOCKED_DB = 3.0
_GAP_DEG = 30.0  # bearings further apart than this belong to no one sector
_LEAST_EXCESS_DB = 0.5
_LEAST_LOSS_DB = 0.3
_STEPS_DEG = 10.0  # angles further apart are no steps about one pointing


@dataclass(frozen=True, slots=True)
class ServiceLevel:
    """C/N of the own carrier in one capture; `bearing_deg` is relative to the bow where both angles are known."""

    capture: str
    cn_db: float
    std_db: float
    bearing_deg: float | None = None
    azimuth_deg: float | None = None
    elevation_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Sector:
    """A sector of bearings, clockwise from `start_deg` to `stop_deg`, in which the level is down."""

    start_deg: float
    stop_deg: float
    down_db: float
    down_std_db: float
    captures: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the sector as plain values."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


@dataclass(frozen=True, slots=True)
class Peak:
    """Vertex of level against antenna steps: where, how far the mean step is off, what that costs."""

    peak_deg: float
    peak_std_deg: float
    off_deg: float
    loss_db: float


def service_levels(
    captures: Sequence[Capture], identifications: Sequence[Identification | None], table: CarrierTable
) -> tuple[ServiceLevel, ...]:
    """Return the C/N of the vessel's own carrier in every capture that shows it (the mean of several rows)."""
    own = set(table.line[table.service].tolist())
    found = []
    for capture, identification in zip(captures, identifications, strict=True):
        if identification is None:
            continue
        cn = [e.cn_db for e in identification.roll_call if e.row in own and e.cn_db is not None]
        if not cn:
            continue
        context = capture.context
        azimuth, heading = context.antenna_azimuth_deg, context.heading_deg
        bearing = heading if azimuth is None or heading is None else (azimuth - heading) % 360.0
        std = 0.3 / math.sqrt(len(cn))
        found.append(
            ServiceLevel(capture.name, float(np.mean(cn)), std, bearing, azimuth, context.antenna_elevation_deg)
        )
    return tuple(found)


def service_findings(
    captures: Sequence[Capture], identifications: Sequence[Identification | None], table: CarrierTable
) -> tuple[Finding, ...]:
    """Return what the own carrier's level tells over captures: blockage, tracking loss, peak; see `service_levels`."""
    from spectra.finding import run_rules
    from spectra.findings.table import SERVICE_RULES

    return run_rules(SERVICE_RULES, {"service_levels": service_levels(captures, identifications, table) or None})


def blocked_sectors(levels: Sequence[ServiceLevel]) -> tuple[Sector, ...]:
    """Return the sectors in which the level stands 3 dB and 4 standard uncertainties below the median.

    Neighbouring bearings (30 degrees apart at most) that are all down make one sector.
    """
    known = sorted((x for x in levels if x.bearing_deg is not None), key=lambda x: x.bearing_deg or 0.0)
    if len(known) < 6:
        return ()
    cn = np.array([x.cn_db for x in known])
    std = np.array([x.std_db for x in known])
    middle = float(np.median(cn))
    low = middle - cn > np.maximum(_BLOCKED_DB, 4.0 * std)
    if not low.any() or low.all():
        return ()
    start = int(np.flatnonzero(~low)[0])
    sectors: list[Sector] = []
    run: list[int] = []
    for step_ in range(1, len(known) + 1):
        k = (start + step_) % len(known)
        gap = (known[k].bearing_deg or 0.0) - (known[run[-1]].bearing_deg or 0.0) if run else 0.0
        if run and (not low[k] or gap % 360.0 > _GAP_DEG):
            sectors.append(_sector(known, run, middle))
            run = []
        if low[k]:
            run.append(k)
    if run:
        sectors.append(_sector(known, run, middle))
    return tuple(sectors)


def _sector(known: Sequence[ServiceLevel], run: Sequence[int], middle: float) -> Sector:
    down = middle - np.array([known[k].cn_db for k in run])
    std = float(np.sqrt(np.mean([known[k].std_db ** 2 for k in run]) / len(run)))
    return Sector(
        float(known[run[0]].bearing_deg or 0.0),
        float(known[run[-1]].bearing_deg or 0.0),
        float(down.mean()),
        std,
        tuple(known[k].capture for k in run),
    )


def tracking_excess(levels: Sequence[ServiceLevel]) -> tuple[float, float] | None:
    """Return the scatter of level beyond its measurement (dB) and the chance of it; None with fewer than five."""
    from scipy.special import chdtrc

    if len(levels) < 5:
        return None
    cn, std = np.array([x.cn_db for x in levels]), np.array([x.std_db for x in levels])
    weight = 1.0 / std**2
    mean = float(weight @ cn / weight.sum())
    chi2 = float(weight @ (cn - mean) ** 2)
    extra = max(0.0, float(np.var(cn, ddof=1) - np.mean(std**2)))
    return math.sqrt(extra), float(chdtrc(len(levels) - 1, chi2))


def peak_of_steps(angle_deg: FloatArray, level_db: FloatArray, std_db: FloatArray) -> Peak | None:
    """Return the vertex of a parabola through level against antenna steps; None where there is no maximum.

    A main beam is a parabola in dB near its peak (Gaussian beam; derived). At least four steps at three angles.
    """
    if np.unique(angle_deg).size < 3 or angle_deg.size < 4:
        return None
    middle = float(angle_deg.mean())
    x = angle_deg - middle
    matrix = np.column_stack([np.ones(x.size), x, x * x]) / std_db[:, None]
    inverse = np.linalg.pinv(matrix.T @ matrix)
    _, b, c = inverse @ (matrix.T @ (level_db / std_db))
    if c >= -2.0 * math.sqrt(max(float(inverse[2, 2]), 0.0)):
        return None
    peak = -b / (2.0 * c)
    gradient = np.array([0.0, -1.0 / (2.0 * c), b / (2.0 * c * c)])
    std = math.sqrt(max(float(gradient @ inverse @ gradient), 0.0))
    return Peak(middle + float(peak), std, float(peak), float(-c * peak * peak))


def blockage(service_levels: Sequence[ServiceLevel]) -> Iterable[Finding]:
    """Tell the sectors in which something aboard stands in the way."""
    for sector in blocked_sectors(service_levels):
        yield Finding(
            "service.blockage",
            "warning",
            f"Between {sector.start_deg:.0f} and {sector.stop_deg:.0f} degrees the own carrier is "
            f"{sector.down_db:.1f} dB down",
            "Bearings are relative to the bow where heading and azimuth are told. Something aboard stands there.",
            evidence=(
                Evidence("down", sector.down_db, sector.down_std_db, "dB", _BLOCKED_DB),
                Evidence("sector_start", sector.start_deg, None, "deg"),
                Evidence("sector_stop", sector.stop_deg, None, "deg"),
            ),
            subjects=Subjects(captures=sector.captures),
            next_steps=(
                step("Enter the sector as blocked in the antenna's controller, so that it hands over in time."),
            ),
        )


def tracking_loss(service_levels: Sequence[ServiceLevel]) -> Iterable[Finding]:
    """Tell a level that scatters more than its measurement."""
    found = tracking_excess(service_levels)
    if found is None or found[1] > 1e-3 or found[0] < _LEAST_EXCESS_DB:
        return
    if blocked_sectors(service_levels) or _peaks(service_levels):
        return  # bearings or antenna steps explain it
    yield Finding(
        "service.tracking_loss",
        "warning",
        f"The own carrier scatters by {found[0]:.1f} dB from capture to capture, beyond its measurement",
        "Tracking loss at sea, fading or a loose connector; blockage by bearing does not explain it.",
        evidence=(Evidence("excess_scatter", found[0], None, "dB", _LEAST_EXCESS_DB), Evidence("chance", found[1])),
        subjects=Subjects(captures=tuple(x.capture for x in service_levels)),
        next_steps=(step("Compare captures in harbour and at sea with the antenna's tracking log."),),
    )


def _peaks(levels: Sequence[ServiceLevel]) -> list[tuple[str, Peak, tuple[str, ...]]]:
    """Return the peaks that steps in azimuth and elevation show: name of the axis, peak, captures."""
    found = []
    for name, attribute in (("azimuth", "azimuth_deg"), ("elevation", "elevation_deg")):
        known = [x for x in levels if getattr(x, attribute) is not None]
        angle = np.array([getattr(x, attribute) for x in known], dtype=np.float64)
        if len(known) < 4 or float(np.ptp(angle)) > _STEPS_DEG:
            continue
        peak = peak_of_steps(angle, np.array([x.cn_db for x in known]), np.array([x.std_db for x in known]))
        if peak is not None:
            found.append((name, peak, tuple(x.capture for x in known)))
    return found


def not_peaked(service_levels: Sequence[ServiceLevel]) -> Iterable[Finding]:
    """Tell an antenna that does not stand on the peak of level against its steps."""
    for name, peak, captures in _peaks(service_levels):
        if peak.loss_db < _LEAST_LOSS_DB or abs(peak.off_deg) < 2.0 * peak.peak_std_deg:
            continue
        yield Finding(
            "service.not_peaked",
            "warning",
            f"Peak {name} is {peak.peak_deg:.2f} degrees, {abs(peak.off_deg):.2f} from the middle of the steps",
            f"At the middle of the steps {peak.loss_db:.1f} dB are lost.",
            evidence=(
                Evidence(f"peak_{name}", peak.peak_deg, peak.peak_std_deg, "deg"),
                Evidence("loss", peak.loss_db, None, "dB", _LEAST_LOSS_DB),
            ),
            subjects=Subjects(captures=captures),
            next_steps=(step(f"Step the antenna to {name} {peak.peak_deg:.2f} degrees and sweep again."),),
        )
