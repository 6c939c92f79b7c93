"""What stands beside the picture of a sweep: its carriers, the chosen one, findings, settings and context."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from dash import html

from dashboard import parts
from dashboard.figures.sweep import carrier_lines
from dashboard.language import OWN
from dashboard.words import context_facts, frequency, interval_words, value
from spectra.findings.lookup import places

if TYPE_CHECKING:
    from dashboard.desk import Shown
    from spectra.identify.identification import RollCallEntry
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.plan.chain import LoState

__all__ = ["carrier_sheet", "carriers_table", "entries_of", "findings_sheet", "row_name", "settings_sheet", "state_of"]

_SURE = ("confirmed", "probable", "contradicted")


def state_of(shown: Shown) -> LoState | None:
    """Return the LO state that RF is told by: the identified one where it is sure, else the commanded one."""
    found = shown.review.identification
    name = found.best.lo_state if found is not None and found.verdict in _SURE else shown.review.source.context.lo_state
    states = () if shown.chain is None else shown.chain.lo_states
    return next((state for state in states if state.name == name), None)


def entries_of(shown: Shown, number: int) -> dict[int, RollCallEntry]:
    """Return the rows of the roll call that carriers of a sweep answer, by carrier."""
    found = shown.review.identification
    entries = () if found is None else found.roll_call
    return {e.carrier: e for e in entries if e.sweep == number and e.carrier is not None and e.status == "present"}


def carriers_table(shown: Shown, number: int, measurement: Measurement, chosen: int | None) -> Any:
    """Return the carriers of a sweep as a table to choose from."""
    entries, state = entries_of(shown, number), state_of(shown)
    rows = [_row(shown, k, c, entries.get(k), state) for k, c in enumerate(measurement.carriers)]
    return parts.table(
        ["No.", "Centre", "Symbol rate", "Occupied", "C/N", "In the table"],
        rows,
        caption="Choose one to bring it out in the picture",
        right=(2, 3, 4),
        classes=["chosen pick" if k == chosen else "pick" for k in range(len(rows))],
        choose=("sweep-chosen", [str(k) for k in range(len(rows))]),
        empty="No carrier stands out of the floor.",
    )


def _row(shown: Shown, k: int, c: Carrier, entry: RollCallEntry | None, state: LoState | None) -> list[Any]:
    centre: list[Any] = [html.Span(frequency(c.centre_hz, c.centre_std_hz, "MHz"), className="n")]
    if state is not None:
        centre.append(html.Span(f"RF {float(state.rf_from_if(c.centre_hz)) / 1e6:.3f} MHz", className="under"))
    cn = value(c.cn_db, c.cn_std_db, "dB")
    if c.cn_db is None and c.cn_lower_bound_db is not None:
        cn = f"> {c.cn_lower_bound_db:.1f} dB"
    rate = value(c.symbol_rate_bd, c.symbol_rate_std_bd, "kBd", 1e3)
    return [
        html.Span([html.Span(className=f"shape {c.kind}", **{"aria-hidden": "true"}), f" {k + 1}"], title=c.kind),
        html.Div(centre),
        rate if c.symbol_rate_bd is not None else c.kind,
        value(c.occupied_bandwidth_hz, c.occupied_bandwidth_std_hz, "kHz", 1e3),
        cn,
        _listed(shown, entry),
    ]


def _listed(shown: Shown, entry: RollCallEntry | None) -> Any:
    if entry is None:
        return html.Span("not listed" if shown.review.identification is not None else "–", className="soft")
    name = row_name(shown, entry.row)
    row = html.Span(f"row {entry.row}", className="n")
    return html.Div([row, html.Span(name, className=f"under {OWN}")]) if name else row


def row_name(shown: Shown, line: int) -> str:
    """Return what a row of the carrier table is called: its network id, else nothing."""
    if shown.table is None:
        return ""
    place = places(shown.table).get(line)
    return "" if place is None else shown.table.row(place).network_id or ""


def carrier_sheet(shown: Shown, number: int, measurement: Measurement, chosen: int | None) -> html.Section:
    """Return what is known of the chosen carrier, or of the floor where none is chosen."""
    if chosen is None or not 0 <= chosen < len(measurement.carriers):
        floor = measurement.floor
        inside = parts.facts(
            [
                ("median", value(floor.median_dbm, floor.density_std_db, "dBm")),
                ("density", None if floor.density_dbm_hz is None else f"{floor.density_dbm_hz:.2f} dBm/Hz"),
                ("tilt", f"{floor.tilt_db:+.2f} dB over the span"),
                ("readings a point", value(measurement.readings_per_point, measurement.readings_std)),
            ]
        )
        note = "C/N is over this floor; it lacks the noise that arrives inside the transponder, so a modem shows less."
        return parts.sheet("Floor", inside, about=note)
    carrier = measurement.carriers[chosen]
    lines = carrier_lines(carrier, state_of(shown))
    entry = entries_of(shown, number).get(chosen)
    if entry is not None and entry.offset_hz is not None:
        lines.append(("off its listed place", f"{entry.offset_hz / 1e3:+.1f} kHz"))
    lines += [interval_words(name, low, high) for name, (low, high) in carrier.interval95.items()]
    about = [f for f in shown.review.findings if chosen in f.subjects.carriers]
    inside_: list[Any] = [parts.facts(lines)]
    if about:
        inside_ += [html.H3("Findings about it"), parts.findings(about)]
    return parts.sheet(f"Carrier {chosen + 1}", *inside_)


def findings_sheet(shown: Shown) -> html.Section:
    """Return what was found, of the sweep itself and of the terminal."""
    found = [f for f in shown.review.findings if f.code.partition(".")[0] in ("quality", "clock", "line")]
    rest = [f for f in shown.review.findings if f not in found]
    failed = [parts.trouble(problem) for problem in shown.review.failed]
    sheets: list[Any] = [*failed, html.H3("The sweep itself"), parts.findings(found, empty="Nothing against it.")]
    if rest:
        sheets += [html.H3("What it tells of the terminal"), parts.findings(rest)]
    return parts.sheet("Findings", *sheets)


def settings_sheet(shown: Shown, measurement: Measurement) -> html.Section:
    """Return settings, assumptions and context."""
    sweep, settings = measurement.sweep, measurement.sweep.settings
    facts = [
        ("RBW", "not told" if settings.rbw_hz is None else f"{settings.rbw_hz / 1e3:g} kHz"),
        ("VBW", "not told" if settings.vbw_hz is None else f"{settings.vbw_hz / 1e3:g} kHz"),
        ("detector", (settings.detector or "not told").replace("_", " ")),
        ("averages", None if settings.averages is None else str(settings.averages)),
        ("trace mode", (settings.trace_mode or "").replace("_", " ")),
        ("reference level", None if settings.reference_level_dbm is None else f"{settings.reference_level_dbm:g} dBm"),
        ("attenuation", None if settings.attenuation_db is None else f"{settings.attenuation_db:g} dB"),
        ("sweep time", None if settings.sweep_time_s is None else f"{settings.sweep_time_s:g} s"),
        ("points", f"{sweep.points}, {sweep.spacing_hz / 1e3:.4g} kHz apart"),
        ("read as", sweep.origin.layout),
        ("SHA-256", html.Span(sweep.origin.sha256, className="code") if sweep.origin.sha256 else None),
    ]
    inside: list[Any] = [parts.facts(facts)]
    notes = [*sweep.origin.assumptions, *sweep.origin.warnings, *shown.review.source.notes]
    if notes:
        inside += [html.H3("Assumed, because the file does not say"), html.Ul([html.Li(note) for note in notes])]
    inside += [html.H3("Context"), parts.facts(_context(shown))]
    return parts.sheet("Settings and context", *inside)


def _context(shown: Shown) -> list[tuple[str, str]]:
    context = shown.review.source.context
    values = {item.name: getattr(context, item.name) for item in dataclasses.fields(context)}
    extra = values.pop("extra")
    values.pop("assumptions")
    return context_facts({**values, **extra})
