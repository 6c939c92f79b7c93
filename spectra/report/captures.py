"""The engineer's pages on each capture: settings, picture, carriers, roll call, findings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding
from spectra.report.firstpage import step_item, verdict_word
from spectra.report.model import Block, Facts, Figure, Grid, Heading, Items, Paragraph, Sheet
from spectra.report.sweepfigure import sweep_picture
from spectra.report.words import Wording
from spectra.units import format_frequency, format_value

if TYPE_CHECKING:
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.visit.analysis import CaptureReview
    from spectra.visit.review import VisitReview

__all__ = ["SUBJECTS", "across_captures", "capture_sheets", "findings_block"]

SUBJECTS = ("oscillator", "polarisation", "interference", "line", "service")
"""Subjects that have a section of their own across captures; findings of others stand with their capture."""

# context keys that have a row of their own, or are shown elsewhere
_TOLD = {"captured_at", "port", "role", "lo_state", "expected_satellite", "expected_polarisation", "assumptions"}
_TOLD |= {"vessel", "terminal", "stage", "remark"}


def capture_sheets(review: VisitReview, words: Wording) -> list[Sheet]:
    """Return one sheet per capture, in the order of the visit."""
    return [Sheet(tuple(_capture(review, capture, words))) for capture in review.captures]


def across_captures(review: VisitReview, finding: Finding) -> bool:
    """Say whether a finding stands in the section of its subject: what is wrong, and what only a comparison tells."""
    if finding.code.partition(".")[0] not in SUBJECTS:
        return False
    several = finding in review.together or any(finding in c.findings for c in review.comparisons)
    return finding.severity != "note" or several


def _capture(review: VisitReview, capture: CaptureReview, words: Wording) -> list[Block]:
    blocks: list[Block] = [Heading(capture.name, 2)]
    if capture.source.context.remark:
        blocks.append(Paragraph(capture.source.context.remark))
    for index, sweep in enumerate(capture.source.capture.sweeps):
        measurement = next((m for m in capture.measurements if m.sweep is sweep or m.sweep == sweep), None)
        file = capture.source.files[min(index, len(capture.source.files) - 1)]
        if len(capture.source.capture.sweeps) > 1:
            blocks.append(Heading(file.name, 3))
        if measurement is None:
            blocks.append(Facts(((words("capture.file"), file.name), (words("capture.sha256"), sweep.origin.sha256))))
            continue
        blocks += _sweep(review, capture, measurement, index, file.name, words)
    for problem in capture.failed:
        blocks.append(Paragraph(words("capture.failed", text=str(problem)), "strong"))
    if capture.identification is not None:
        blocks += _identification(capture.identification, words)
    history = capture.name in dict(review.set_aside)
    own = [f for f in capture.findings if history or not across_captures(review, f)]
    return blocks + findings_block(own, words)


def _sweep(
    review: VisitReview, capture: CaptureReview, measurement: Measurement, index: int, file: str, words: Wording
) -> list[Block]:
    identification = capture.identification
    picture = sweep_picture(measurement, words, identification=identification, chain=review.visit.chain, index=index)
    caption = words("capture.figure_plain" if identification is None else "capture.figure", name=file)
    blocks: list[Block] = [Figure(picture, caption), Facts(_settings(capture, measurement, file, words))]
    origin = measurement.sweep.origin
    told = [words("capture.assumed", text=text) for text in (*origin.assumptions, *capture.source.context.assumptions)]
    told += [words("capture.noticed", text=text) for text in (*origin.warnings, *capture.source.notes)]
    if told:
        blocks.append(Items(tuple((text, "") for text in dict.fromkeys(told))))
    if not measurement.carriers:
        blocks.append(Paragraph(words("capture.no_carriers")))
    else:
        rows = (
            {}
            if identification is None
            else {e.carrier: e.row for e in identification.roll_call if e.sweep == index and e.status == "present"}
        )
        blocks.append(_carriers(measurement.carriers, rows, words))
        flagged = [
            f"{number} {', '.join(words(f'carriers.{flag}') for flag in carrier.flags)}"
            for number, carrier in enumerate(measurement.carriers, 1)
            if carrier.flags
        ]
        if flagged:
            blocks.append(Paragraph(words("carriers.flags", list="; ".join(flagged)), "small"))
    return blocks


def _settings(
    capture: CaptureReview, measurement: Measurement, file: str, words: Wording
) -> tuple[tuple[str, str], ...]:
    sweep, context, silent = measurement.sweep, capture.source.context, words("capture.not_told")
    settings, floor = sweep.settings, measurement.floor
    at = capture.source.captured_at
    wanted = " ".join(x for x in (context.expected_satellite, context.expected_polarisation) if x)
    tilt = f"{floor.tilt_db:+.1f}".replace("-", "−")
    level = (
        words("capture.floor_plain", level=f"{floor.median_dbm:.1f}".replace("-", "−"), tilt=tilt)
        if floor.density_dbm_hz is None
        else words(
            "capture.floor_value",
            density=format_value(floor.density_dbm_hz, floor.density_std_db).replace("-", "−"),
            tilt=tilt,
        )
    )
    rows: list[tuple[str, str | None]] = [
        (words("capture.file"), file),
        (words("capture.sha256"), sweep.origin.sha256 or "–"),
        (words("capture.taken"), None if at is None else at.strftime("%Y-%m-%d %H:%M:%S %Z")),
        (words("capture.port"), words(f"port.{context.port}") if context.port else None),
        (words("capture.role"), words(f"role.{context.role}") if context.role else None),
        (words("capture.stage"), words(f"stage.{capture.source.stage}") if capture.source.stage else None),
        (words("capture.lo_state"), context.lo_state),
        (words("capture.wanted"), wanted or None),
        (words("capture.span"), f"{sweep.start_hz / 1e6:.6g} – {sweep.stop_hz / 1e6:.6g} MHz"),
        (words("capture.points"), str(sweep.points)),
        (words("capture.rbw"), _width(settings.rbw_hz) or silent),
        (words("capture.vbw"), _width(settings.vbw_hz) or silent),
        (words("capture.detector"), (settings.detector or silent).replace("_", " ")),
        (words("capture.averages"), str(settings.averages) if settings.averages else silent),
        (words("capture.sweep_time"), None if settings.sweep_time_s is None else f"{settings.sweep_time_s:g} s"),
        (words("capture.reference_level"), _unit(settings.reference_level_dbm, "dBm")),
        (words("capture.attenuation"), _unit(settings.attenuation_db, "dB")),
        (words("capture.floor"), level),
        (words("capture.readings"), format_value(measurement.readings_per_point, measurement.readings_std)),
        (words("capture.layout"), sweep.origin.layout),
        (words("capture.context"), _noted(capture)),
    ]
    return tuple((name, value) for name, value in rows if value)


def _width(hz: float | None) -> str | None:
    return None if hz is None else format_frequency_plain(hz)


def format_frequency_plain(hz: float) -> str:
    """Return a width in kHz or MHz without an uncertainty."""
    return f"{hz / 1e6:.6g} MHz" if hz >= 1e6 else f"{hz / 1e3:.6g} kHz"


def _unit(value: float | None, unit: str) -> str | None:
    return None if value is None else f"{value:g} {unit}".replace("-", "−")


def _noted(capture: CaptureReview) -> str:
    pairs = [
        f"{key.replace('_', ' ')}: {str(value).lower() if isinstance(value, bool) else value}"
        for key, value in capture.source.context.to_dict().items()
        if value is not None and key not in _TOLD
    ]
    return "; ".join(pairs)


def _carriers(carriers: Sequence[Carrier], rows: dict[int | None, int], words: Wording) -> Grid:
    keys = ("number", "kind", "centre", "rate", "roll_off", "width", "power", "cn", "row")
    lines = []
    for number, carrier in enumerate(carriers):
        cn = format_value(carrier.cn_db, carrier.cn_std_db)
        if carrier.cn_db is None and carrier.cn_lower_bound_db is not None:
            cn = words("carriers.above", value=f"{carrier.cn_lower_bound_db:.1f}")
        lines.append(
            (
                str(number + 1),
                words(f"carriers.{carrier.kind}"),
                format_value(carrier.centre_hz, carrier.centre_std_hz, scale=1e6),
                format_value(carrier.symbol_rate_bd, carrier.symbol_rate_std_bd, scale=1e3),
                format_value(carrier.roll_off, carrier.roll_off_std),
                format_value(carrier.occupied_bandwidth_hz, carrier.occupied_bandwidth_std_hz, scale=1e3),
                format_value(carrier.power_dbm, carrier.power_std_db).replace("-", "−"),
                cn.replace("-", "−"),
                str(rows.get(number, "–")),
            )
        )
    return Grid(
        tuple(words(f"carriers.head_{key}") for key in keys),
        tuple(lines),
        "rnrrrrrrr",
        (),
        words("carriers.caption"),
    )


def _identification(found: Identification, words: Wording) -> list[Block]:
    best = found.best
    blocks: list[Block] = [
        Heading(words("identification.title"), 3),
        Paragraph(words.phrase(found.sentence) or verdict_word(found.verdict, words).capitalize()),
    ]
    if best.satellite is not None:
        place = "" if best.orbital_longitude_deg is None else f", {_longitude(best.orbital_longitude_deg)}"
        beam = "" if best.beam is None else f", {best.beam}"
        rows = [
            (words("identification.satellite"), f"{best.satellite}{place}{beam}, {best.polarisation or '–'}"),
            (words("identification.lo_state"), f"{best.lo_state} ({words('versions.' + (best.injection or 'low'))})"),
            (
                words("identification.if_offset"),
                format_frequency(best.if_offset_hz, best.if_offset_std_hz, "kHz").replace("-", "−"),
            ),
            (
                words("identification.lo_error"),
                format_frequency(best.lo_error_hz, best.lo_error_std_hz, "kHz").replace("-", "−"),
            ),
            (words("identification.odds"), _odds(found, words)),
        ]
        if best.analyser_ppm is not None:
            ppm = format_value(best.analyser_ppm, best.analyser_ppm_std, "ppm").replace("-", "−")
            rows.append((words("identification.analyser"), ppm))
        blocks.append(Facts(tuple(rows)))
    if len(found.candidates) > 1:
        blocks.append(_candidates(found, words))
    if found.roll_call:
        blocks += _roll_call(found, words)
    if found.unlisted:
        listed = "; ".join(
            f"{words(f'carriers.{c.kind}')} {format_frequency(c.centre_hz, c.centre_std_hz)}" for _, c in found.unlisted
        )
        blocks.append(Paragraph(words("identification.unlisted", list=listed)))
    return blocks


def _longitude(value: float) -> str:
    turned = (value + 180.0) % 360.0 - 180.0
    return f"{abs(turned):.1f}° {'E' if turned >= 0.0 else 'W'}"


def _odds(found: Identification, words: Wording) -> str:
    best, rivals = found.best, found.candidates[1:]
    if best.log10_odds_none is None:
        return "–"
    if best.log10_odds_next is None or not rivals:
        against = words("identification.odds_no_rival")
    else:
        rival = " ".join(x for x in (rivals[0].satellite, rivals[0].polarisation, rivals[0].lo_state) if x)
        against = words("identification.odds_next", next=f"{best.log10_odds_next:.1f}", rival=rival)
    return words("identification.odds_value", none=f"{best.log10_odds_none:.1f}", next=against)


def _candidates(found: Identification, words: Wording) -> Grid:
    keys = ("satellite", "polarisation", "state", "error", "odds", "matched", "why_not")
    rows = tuple(
        (
            c.satellite or "–",
            c.polarisation or "–",
            c.lo_state or "–",
            format_value(c.lo_error_hz, c.lo_error_std_hz, scale=1e3).replace("-", "−"),
            "–" if c.log10_odds_none is None else f"{c.log10_odds_none:.1f}".replace("-", "−"),
            "–" if c.matched is None else str(c.matched),
            words.phrase(c.why_not or ""),
        )
        for c in found.candidates[:5]
    )
    header = tuple(words(f"identification.head_{key}") for key in keys)
    return Grid(header, rows, "lnnrrrl", (6,), words("identification.candidates"))


def _roll_call(found: Identification, words: Wording) -> list[Block]:
    counts = {s: sum(e.status == s for e in found.roll_call) for s in ("present", "absent", "not visible")}
    title = words(
        "identification.roll_call",
        present=counts["present"],
        absent=counts["absent"],
        hidden=counts["not visible"],
    )
    margins = any(e.margin_db is not None for e in found.roll_call)
    keys = ("row", "rf", "if", "status", "at", "offset", "cn", *(("margin",) if margins else ()), "why")
    rows = tuple(
        (
            str(e.row),
            f"{e.rf_mhz:.3f}",
            "–" if e.expected_if_hz is None else f"{e.expected_if_hz / 1e6:.3f}",
            words(f"identification.{e.status.replace(' ', '_')}"),
            "–" if e.centre_hz is None else f"{e.centre_hz / 1e6:.3f}",
            "–" if e.offset_hz is None else f"{e.offset_hz / 1e3:+.0f}".replace("-", "−"),
            "–" if e.cn_db is None else f"{e.cn_db:.1f}".replace("-", "−"),
            *((format_value(e.margin_db, e.margin_std_db),) if margins else ()),
            words.phrase(e.why),
        )
        for e in found.roll_call
    )
    head = tuple(words(f"identification.head_{key}") for key in keys)
    grid = Grid(head, rows, "rrrnrrrrl" if margins else "rrrnrrrl", (len(keys) - 1,), title)
    return [grid, Paragraph(words("identification.margin_note"), "small")] if margins else [grid]


def findings_block(findings: Iterable[Finding], words: Wording) -> list[Block]:
    """Return findings as blocks: title, why, evidence in numbers, what to do next."""
    blocks: list[Block] = []
    for finding in findings:
        title = words("finding.line", severity=words(f"finding.{finding.severity}"), title=words.phrase(finding.title))
        if finding.answer != "yes":
            title += f" ({words(f'finding.answer_{finding.answer}')})"
        blocks.append(Heading(title, 3))
        blocks.append(Paragraph(f"{words.phrase(finding.explanation)} [{finding.code}]"))
        if finding.evidence:
            blocks.append(Paragraph("; ".join(_evidence(e, words) for e in finding.evidence), "small"))
        if finding.next_steps:
            texts = [step_item(s, words) for s in finding.next_steps]
            blocks.append(Items(tuple((words("finding.next", text=text), marks) for text, marks in texts)))
    return blocks


def _evidence(item: Evidence, words: Wording) -> str:
    unit, scale = item.unit or "", 1.0
    if unit == "Hz" and isinstance(item.value, float):
        scale, unit = (
            (1e6, "MHz") if abs(item.value) >= 1e6 else (1e3, "kHz") if abs(item.value) >= 1e3 else (1.0, "Hz")
        )
    if isinstance(item.value, float) and item.std is None:
        value = f"{item.value / scale:.6g} {unit}".strip()
    elif isinstance(item.value, str):
        value = item.value
    else:
        value = format_value(item.value, item.std, unit, scale)
    text = words("finding.evidence", name=item.name.replace("_", " "), value=value.replace("-", "−"))
    if item.limit is not None:
        limit = f"{item.limit / scale:.6g} {unit}".strip()
        text += f" ({words('finding.limit', limit=limit.replace('-', '−'))})"
    return text
