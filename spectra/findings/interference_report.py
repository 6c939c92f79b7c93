"""The facts that a report of harmful interference asks for, as text and JSON, for the user to complete.

The fields follow those of the ITU Radio Regulations, Appendix 10 (from memory, not read). That form passes between
administrations; this is not it, but what a ship's technician can hand to the satellite operator and the service
provider.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from spectra.cautions import DISCLAIMER
from spectra.errors import UsageError
from spectra.findings.emissions import Emission, Emissions, Sighting
from spectra.findings.interference_sets import CHANCE, duration_words, entry_of, hours_words, occurrence
from spectra.units import format_frequency, jsonable

if TYPE_CHECKING:
    from spectra.capture import Capture, Context
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierRow, CarrierTable

__all__ = ["SCHEMA", "InterferenceReport", "interference_report", "interference_reports", "reports_from_log"]

SCHEMA = "sweepmuster/interference-report/1"
_OPEN = "(to be completed)"
_SOURCE = (
    "Fields after the ITU Radio Regulations, Appendix 10 (from memory); not that form, which passes between "
    "administrations."
)


@dataclass(frozen=True, slots=True)
class InterferenceReport:
    """Facts under headings of our own: ``{heading: {field: text or None}}``; None is for the user to complete."""

    title: str
    sections: Mapping[str, Mapping[str, str | None]]
    emission: Emission

    def text(self) -> str:
        """Return the report as plain text, open fields marked."""
        lines = [self.title, "=" * len(self.title), ""]
        for heading, fields in self.sections.items():
            lines += [heading, "-" * len(heading)]
            lines += [f"{name}: {_OPEN if value is None else value}" for name, value in fields.items()]
            lines.append("")
        return "\n".join([*lines, _SOURCE, DISCLAIMER, ""])

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain values (`sweepmuster/interference-report/1`)."""
        value: dict[str, Any] = jsonable({k: dict(v) for k, v in self.sections.items()})
        return {
            "schema": SCHEMA,
            "title": self.title,
            "sections": value,
            "emission": self.emission.to_dict(),
            "source": _SOURCE,
            "disclaimer": DISCLAIMER,
        }


def interference_report(
    emission: Emission,
    log: Emissions,
    *,
    context: Context | None = None,
    wanted: CarrierRow | None = None,
    wanted_measured_hz: float | None = None,
    wanted_power_dbm: float | None = None,
) -> InterferenceReport:
    """Return what is known of an emission, for a report of harmful interference.

    Parameters
    ----------
    emission : Emission
        Of the log.
    log : Emissions
    context : Context or None
        Of a capture that shows it: vessel, position, antenna, weather.
    wanted : CarrierRow or None
        The table's row that is interfered with.
    wanted_measured_hz, wanted_power_dbm : float or None
        Its RF as measured, and its level.
    """
    place = format_frequency(emission.if_hz)
    sections = {
        "What disturbs": _disturber(emission, log),
        "What is disturbed": _disturbed(wanted, wanted_measured_hz),
        "Where it was received": _receiver(context, wanted, wanted_power_dbm),
        "When": _when(emission, log),
        "How it was measured": _how(emission, log),
        "What is asked": {"Action requested": None, "Reported by": context.operator if context is not None else None},
    }
    return InterferenceReport(f"Interference at {place} IF (emission {emission.number})", sections, emission)


def interference_reports(
    captures: Sequence[Capture],
    *,
    table: CarrierTable | None = None,
    chain: ReceiveChain | None = None,
    measurements: Sequence[Sequence[Measurement]] | None = None,
    identifications: Sequence[Identification | None] | None = None,
    only: int | None = None,
) -> tuple[InterferenceReport, ...]:
    """Return one report for every interferer that captures show; arguments as for `follow`.

    Parameters
    ----------
    only : int or None
        Number of the one emission to report.

    Raises
    ------
    UsageError
        If there is no emission of that number.
    """
    from spectra.findings.interference_sets import follow

    log = follow(captures, measurements=measurements, identifications=identifications, table=table, chain=chain)
    contexts = [c.context for c in captures for _ in c.sweeps]
    return reports_from_log(log, contexts, tables=[table] * len(contexts), only=only)


def reports_from_log(
    log: Emissions,
    contexts: Sequence[Context | None],
    *,
    tables: Sequence[CarrierTable | None] | None = None,
    only: int | None = None,
) -> tuple[InterferenceReport, ...]:
    """Return one report for every emission of a log; `contexts` and `tables` are those of its looks, in order.

    Raises
    ------
    UsageError
        If there is no emission of the number `only`.
    """
    wanted = [e for e in log.emissions if only in (None, e.number)]
    if only is not None and not wanted:
        raise UsageError(
            "emission", None, str(only), f"1 to {len(log.emissions)}", "See the list of emissions for its number."
        )
    reports = []
    for emission in wanted:
        strongest = max(emission.sightings, key=lambda s: -300.0 if s.power_dbm is None else s.power_dbm)
        host = next((s for s in emission.sightings if s.row is not None), None)
        table = None if host is None or tables is None else tables[host.look]
        row = None if host is None or table is None else next((r for r in table if r.line == host.row), None)
        reports.append(
            interference_report(
                emission,
                log,
                context=contexts[strongest.look],
                wanted=row,
                wanted_measured_hz=None if host is None else host.host_rf_hz,
                wanted_power_dbm=None if host is None else host.host_power_dbm,
            )
        )
    return tuple(reports)


def _disturber(emission: Emission, log: Emissions) -> dict[str, str | None]:
    rf = [s for s in emission.sightings if s.rf_hz is not None]
    entry = entry_of(emission, log)
    ways = {
        "cable": "by the cable (no RF applies)",
        "antenna": "through the antenna",
        "cannot_tell": "not known: " + entry.why,
    }
    ports = sorted({p for s in emission.sightings if (p := log.looks[s.look].port) is not None})
    return {
        "Name, call sign or other identification": None,
        "IF measured": format_frequency(emission.if_hz, None if emission.frame == "rf" else emission.frequency_std_hz),
        "RF measured": _rf_words(entry.way, rf),
        "Class of emission": _CLASS.get(emission.sightings[0].kind),
        "Bandwidth measured": f"{emission.width_hz / 1e3:.4g} kHz" if emission.width_hz else "narrower than the filter",
        "Level at the analyser": None if emission.power_dbm is None else f"{emission.power_dbm:.1f} dBm",
        "Field strength or power flux-density": None,
        "Polarisation ports on which it shows": ", ".join(ports) or None,
        "Way in": ways[entry.way],
        "Cause so far": None if emission.cause is None else emission.cause.replace("_", " "),
        "Class of station and nature of service": None,
        "Location or bearing": None,
    }


_CLASS = dict.fromkeys(
    ("cw", "unresolved"),
    "unmodulated (N0N, designation of Radio Regulations, Appendix 1, from memory), or too narrow to tell",
)


def _rf_words(way: str, rf: Sequence[Sighting]) -> str | None:
    if way == "cable":
        return "none: it enters below the LNB"
    return format_frequency(rf[0].rf_hz, rf[0].rf_std_hz) if rf else None


def _disturbed(wanted: CarrierRow | None, measured_hz: float | None) -> dict[str, str | None]:
    if wanted is None:
        names = ("Name or identification", "Frequency assigned", "Frequency measured", "Class of emission", "Bandwidth")
        return dict.fromkeys((*names, "Location of the transmitting station"))
    return {
        "Name or identification": f"{wanted.satellite}, row {wanted.line}",
        "Frequency assigned": format_frequency(wanted.rf_hz),
        "Frequency measured": None if measured_hz is None else format_frequency(measured_hz),
        "Class of emission": " ".join(x for x in (wanted.modulation, wanted.code_rate) if x) or None,
        "Bandwidth": None if wanted.symbol_rate_bd is None else f"{wanted.symbol_rate_bd / 1e3:g} kBd",
        "Location of the transmitting station": None,
    }


def _receiver(context: Context | None, wanted: CarrierRow | None, power_dbm: float | None) -> dict[str, str | None]:
    position = None
    if context is not None and context.latitude_deg is not None and context.longitude_deg is not None:
        position = f"latitude {context.latitude_deg:.3f}, longitude {context.longitude_deg:.3f} degrees"
    direction = None
    if context is not None and context.antenna_azimuth_deg is not None and context.antenna_elevation_deg is not None:
        direction = f"azimuth {context.antenna_azimuth_deg:.1f}, elevation {context.antenna_elevation_deg:.1f} degrees"
    return {
        "Name of station": None if context is None else context.vessel,
        "Terminal and antenna": None
        if context is None
        else ", ".join(x for x in (context.terminal, context.antenna) if x) or None,
        "Position": position,
        "Direction in which the antenna looked": direction,
        "Level of the wanted emission": None if power_dbm is None else f"{power_dbm:.1f} dBm at the analyser",
        "Polarisation of the receiving antenna": None if wanted is None else wanted.polarisation,
        "Weather": None if context is None else context.weather,
    }


def _utc(when: datetime | None) -> str | None:
    return None if when is None else when.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def _when(emission: Emission, log: Emissions) -> dict[str, str | None]:
    told = occurrence(emission, log)
    times = [_utc(log.looks[s.look].captured_at) for s in emission.sightings]
    return {
        "First seen": _utc(emission.first_seen),
        "Last seen": _utc(emission.last_seen),
        "Seen in": f"{told.seen} of {told.looked} captures",
        "Times": "; ".join(dict.fromkeys(t for t in times if t is not None)) or None,
        "Period": None if told.period_s is None else duration_words(told.period_s, told.period_std_s),
        "Time of day": hours_words(told.hours) if told.hours and _goes_with(told.daily_chance) else None,
        "Headings": (
            f"{told.headings_deg[0]:.0f} to {told.headings_deg[1]:.0f} degrees"
            if told.headings_deg and _goes_with(told.heading_chance)
            else None
        ),
    }


def _goes_with(chance: float | None) -> bool:
    return chance is not None and chance < CHANCE


def _how(emission: Emission, log: Emissions) -> dict[str, str | None]:
    names = list(dict.fromkeys(log.looks[s.look].name for s in emission.sightings))
    worst = [s.loss_db for s in emission.sightings if s.loss_db is not None]
    ratio = [s.c_over_i_db for s in emission.sightings if s.c_over_i_db is not None]
    return {
        "Captures": ", ".join(names),
        "Carrier to interference": f"{min(ratio):.1f} dB at worst" if ratio else None,
        "Loss of Es/N0, interference taken as noise": f"{max(worst):.1f} dB at worst" if worst else None,
    }
