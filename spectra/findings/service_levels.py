"""Level of the vessel's own carrier over captures: blocked sectors, tracking loss, is the antenna peaked."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.finding import Evidence, Finding, Subjects, step
from spectra.units import FloatArray, format_value, jsonable

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
    "peaked",
    "service_findings",
    "service_levels",
    "tracking_excess",
    "tracking_loss",
]

_BLOCKED_DB = 3.0
_SAME_DEG = 3.0  # bearings nearer than this are one place (common practice, no source)
_LEAST_PLACES = 5
_NOTHING_DB = 0.0  # C/N below which a carrier as wide as an own one does not show (common practice, no source)
_GAP_DEG = 30.0  # bearings further apart than this belong to no one sector
_LEAST_EXCESS_DB = 0.5
_LEAST_LOSS_DB = 0.3
_STEPS_DEG = 10.0  # angles further apart are no steps about one pointing


@dataclass(frozen=True, slots=True)
class ServiceLevel:
    """C/N of the own carrier in one capture; `bearing_deg` is relative to the bow where both angles are known.

    `lost` says that the sweep shows no carrier at all: `cn_db` is then an upper bound.
    """

    capture: str
    cn_db: float
    std_db: float
    bearing_deg: float | None = None
    azimuth_deg: float | None = None
    elevation_deg: float | None = None
    lost: bool = False


@dataclass(frozen=True, slots=True)
class Sector:
    """A sector of bearings, clockwise from `start_deg` to `stop_deg`, in which the level is down.

    `clear_deg` are the next bearings on either side that are not down: the sector's edges lie between. In `lost` of the
    captures nothing was left of the carrier, so that `down_db` is a lower bound.
    """

    start_deg: float
    stop_deg: float
    down_db: float
    down_std_db: float
    captures: tuple[str, ...]
    clear_deg: tuple[float, float] | None = None
    lost: int = 0

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
    """Return the C/N of the vessel's own carrier in every capture that shows it (the mean of several rows).

    A capture meant to show carriers that shows none counts as lost: behind a mast nothing may be left.
    """
    own = set(table.line[table.service].tolist())
    found = []
    for capture, identification in zip(captures, identifications, strict=True):
        if identification is None:
            continue
        context = capture.context
        cn = [e.cn_db for e in identification.roll_call if e.row in own and e.cn_db is not None]
        lost = identification.verdict == "no carriers" and context.role in (None, "normal")
        if not cn and not lost:
            continue
        azimuth, heading = context.antenna_azimuth_deg, context.heading_deg
        bearing = heading if azimuth is None or heading is None else (azimuth - heading) % 360.0
        std = 0.3 / math.sqrt(max(len(cn), 1))
        level = _NOTHING_DB if lost else float(np.mean(cn))
        elevation = context.antenna_elevation_deg
        found.append(ServiceLevel(capture.name, level, std, bearing, azimuth, elevation, lost))
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

    Captures within 3 degrees of bearing are one place; a place is blocked where every capture of it is down. At least
    five places are needed (fewer tell no sector from fading), and places down 30 degrees apart at most make one sector.
    """
    places = _places(levels)
    if len(places) < _LEAST_PLACES:
        return ()
    middle = float(np.median([np.mean([x.cn_db for x in place]) for place in places]))
    low = [all(middle - x.cn_db > max(_BLOCKED_DB, 4.0 * x.std_db) for x in place) for place in places]
    if not any(low) or all(low):
        return ()
    start = low.index(False)
    sectors: list[Sector] = []
    run: list[int] = []
    for step_ in range(1, len(places) + 1):
        k = (start + step_) % len(places)
        gap = (_bearing(places[k][0]) - _bearing(places[run[-1]][-1])) % 360.0 if run else 0.0
        if run and (not low[k] or gap > _GAP_DEG):
            sectors.append(_sector(places, run, middle))
            run = []
        if low[k]:
            run.append(k)
    if run:
        sectors.append(_sector(places, run, middle))
    return tuple(sectors)


def _bearing(level: ServiceLevel) -> float:
    return level.bearing_deg or 0.0


def _places(levels: Sequence[ServiceLevel]) -> list[list[ServiceLevel]]:
    """Return the captures of known bearing, clockwise, those within 3 degrees of the one before together."""
    places: list[list[ServiceLevel]] = []
    for one in sorted((x for x in levels if x.bearing_deg is not None), key=_bearing):
        if places and _bearing(one) - _bearing(places[-1][-1]) <= _SAME_DEG:
            places[-1].append(one)
        else:
            places.append([one])
    if len(places) > 1 and _bearing(places[0][0]) + 360.0 - _bearing(places[-1][-1]) <= _SAME_DEG:
        places[0] = [*places.pop(), *places[0]]
    return places


def _sector(places: Sequence[Sequence[ServiceLevel]], run: Sequence[int], middle: float) -> Sector:
    known = [x for k in run for x in places[k]]
    std = float(np.sqrt(np.mean([x.std_db**2 for x in known]) / len(known)))
    clear = (_bearing(places[run[0] - 1][-1]), _bearing(places[(run[-1] + 1) % len(places)][0]))
    down = float(middle - np.mean([x.cn_db for x in known]))
    lost = sum(x.lost for x in known)
    return Sector(_bearing(known[0]), _bearing(known[-1]), down, std, tuple(x.capture for x in known), clear, lost)


def tracking_excess(levels: Sequence[ServiceLevel]) -> tuple[float, float] | None:
    """Return the scatter of level beyond its measurement (dB) and the chance of it; None with fewer than five."""
    from scipy.special import chdtrc

    levels = [x for x in levels if not x.lost]
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
        down = format_value(sector.down_db, sector.down_std_db, "dB")
        title = f"Between {sector.start_deg:.0f} and {sector.stop_deg:.0f} degrees the own carrier is {down} down"
        if sector.lost:
            title = (
                f"Between {sector.start_deg:.0f} and {sector.stop_deg:.0f} degrees the own carrier is lost: at least "
                f"{sector.down_db:.0f} dB down"
            )
        yield Finding(
            "service.blockage",
            "warning",
            title,
            "Bearings are relative to the bow where heading and azimuth are told. Something aboard stands there."
            + _edges_in_words(sector),
            evidence=(
                Evidence("down", sector.down_db, sector.down_std_db, "dB", _BLOCKED_DB),
                Evidence("sector_start", sector.start_deg, None, "deg"),
                Evidence("sector_stop", sector.stop_deg, None, "deg"),
            ),
            subjects=Subjects(captures=sector.captures),
            next_steps=(
                step("Enter the sector as blocked in the antenna's controller, so that it hands over in time."),
                step(
                    "Look along that bearing from below for mast, funnel or crane, and note it in the vessel's papers."
                ),
            ),
        )


def _edges_in_words(sector: Sector) -> str:
    if sector.clear_deg is None:
        return ""
    return f" It is clear again at {sector.clear_deg[0]:.0f} and {sector.clear_deg[1]:.0f} degrees; edges lie between."


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
        "Tracking loss at sea, rain or scintillation, or a loose connector; bearings and antenna steps do not explain "
        f"it. Its C/N lay between {min(x.cn_db for x in service_levels):.1f} and "
        f"{max(x.cn_db for x in service_levels):.1f} dB in {len(service_levels)} captures.",
        evidence=(
            Evidence("excess_scatter", found[0], _scatter_std_db(found[0], service_levels), "dB", _LEAST_EXCESS_DB),
            Evidence("chance", found[1]),
        ),
        subjects=Subjects(captures=tuple(x.capture for x in service_levels)),
        next_steps=(step("Compare captures in harbour and at sea with the antenna's tracking log."),),
    )


def _scatter_std_db(excess_db: float, levels: Sequence[ServiceLevel]) -> float:
    """Return the standard uncertainty of a scatter known from so many: s / sqrt(2 (n - 1)) (normal law; textbook)."""
    mean_variance = float(np.mean([x.std_db**2 for x in levels]))
    return math.hypot(excess_db, math.sqrt(mean_variance)) / math.sqrt(2.0 * max(len(levels) - 1, 1))


def _peaks(levels: Sequence[ServiceLevel]) -> list[tuple[str, Peak, tuple[str, ...]]]:
    """Return the peaks that steps in azimuth and elevation show: name of the axis, peak, captures."""
    found = []
    for name, attribute in (("azimuth", "azimuth_deg"), ("elevation", "elevation_deg")):
        known = [x for x in levels if getattr(x, attribute) is not None and not x.lost]
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
        if not _off_peak(peak):
            continue
        yield Finding(
            "service.not_peaked",
            "warning",
            f"Peak {name} is {format_value(peak.peak_deg, peak.peak_std_deg, 'degrees')}, {abs(peak.off_deg):.2f} from "
            "the middle of the steps",
            f"At the middle of the steps {peak.loss_db:.1f} dB are lost.",
            evidence=_peak_evidence(name, peak),
            subjects=Subjects(captures=captures),
            next_steps=(step(f"Step the antenna to {name} {peak.peak_deg:.2f} degrees and sweep again."),),
        )


def peaked(service_levels: Sequence[ServiceLevel]) -> Iterable[Finding]:
    """Tell, as a note, that the steps lie about the peak, and where that is."""
    for name, peak, captures in _peaks(service_levels):
        if _off_peak(peak):
            continue
        yield Finding(
            "service.peaked",
            "note",
            f"The {name} steps lie about the peak, {format_value(peak.peak_deg, peak.peak_std_deg, 'degrees')}",
            f"At the middle of the steps {max(peak.loss_db, 0.0):.1f} dB are lost.",
            evidence=_peak_evidence(name, peak),
            subjects=Subjects(captures=captures),
            next_steps=(step(f"Leave the antenna at {name} {peak.peak_deg:.2f} degrees, and sweep once more there."),),
        )


def _off_peak(peak: Peak) -> bool:
    return peak.loss_db >= _LEAST_LOSS_DB and abs(peak.off_deg) >= 2.0 * peak.peak_std_deg


def _peak_evidence(name: str, peak: Peak) -> tuple[Evidence, ...]:
    return (
        Evidence(f"peak_{name}", peak.peak_deg, peak.peak_std_deg, "deg"),
        Evidence("loss", peak.loss_db, None, "dB", _LEAST_LOSS_DB),
    )
