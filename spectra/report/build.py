"""From the review of a visit to the report: the owner's page, then the engineer's."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from spectra.cautions import CATALOGUE
from spectra.report.captures import SUBJECTS, across_captures, capture_sheets, findings_block
from spectra.report.firstpage import criterion_name, first_page, step_item, verdict_word
from spectra.report.model import Block, Facts, Grid, Heading, Items, Paragraph, Photo, Report, Sheet
from spectra.report.words import Wording, wording
from spectra.units import format_value

if TYPE_CHECKING:
    from spectra.findings.comparison import Polarisation
    from spectra.visit.review import VisitReview
    from spectra.visit.visit import Attachment

__all__ = ["build_report"]

_MOST_ATTACHED = 1_500_000
_MIME = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}


def build_report(
    review: VisitReview, *, language: str = "en", made_at: datetime | None = None, evidence_file: str | None = None
) -> Report:
    """Return the report on a visit.

    Parameters
    ----------
    review : VisitReview
    language : str
        Code of a catalogue, see `spectra.report.words.languages`.
    made_at : datetime or None
        When it was made; None takes now.
    evidence_file : str or None
        Name of the evidence file that lies beside it.

    Raises
    ------
    ReportError
        If there is no such language.
    """
    words = wording(language)
    visit = review.visit
    what = visit.head.title or " · ".join(x for x in (visit.said("vessel"), visit.said("terminal")) if x)
    title = words("title.visit", what=what) if what else words("title.report")
    made = (made_at or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%d %H:%M")
    sheets = [first_page(review, words), _overview(review, words, evidence_file)]
    sheets += capture_sheets(review, words)
    attached = _attachments(visit.attachments, words)
    if attached:
        sheets.append(Sheet(tuple(attached)))
    foot = words("title.foot", title=title, made=made, version=review.software)
    return Report(title, language, foot, words("disclaimer.text"), tuple(sheets))


def _overview(review: VisitReview, words: Wording, evidence_file: str | None) -> Sheet:
    blocks: list[Block] = [Heading(words("title.part_engineer"), 1)]
    if review.visit.head.remark:
        blocks.append(Paragraph(review.visit.head.remark))
    blocks += _criteria(review, words)
    blocks += _captures(review, words)
    blocks += _subjects(review, words)
    blocks += _all_steps(review, words)
    blocks += _cautions(review, words)
    blocks += _checklist(review, words)
    blocks += _uncertainty(review, words)
    blocks += _assumptions(review, words)
    blocks += _versions(review, words, evidence_file)
    return Sheet(tuple(blocks))


def _criteria(review: VisitReview, words: Wording) -> list[Block]:
    rows = []
    for c in review.criteria:
        scale, unit = (1e3, "kHz") if c.unit == "Hz" else (1.0, c.unit or "")
        value = verdict_word(c.value, words) if c.code == "acceptance.satellite" and isinstance(c.value, str) else "–"
        if isinstance(c.value, float):
            value = f"{c.value:g}" if c.unit is None else format_value(c.value, c.std, unit, scale)
        limit = "–"
        if isinstance(c.limit, float):
            limit = f"{c.limit / scale:g} {unit}".strip()
        elif isinstance(c.limit, str):
            limit = verdict_word(c.limit, words)
        rows.append(
            (
                criterion_name(c, words),
                words(f"criteria.answer_{c.answer}"),
                value.replace("-", "−"),
                limit,
                words.phrase(c.why),
                ", ".join(c.captures),
            )
        )
    header = tuple(words(f"criteria.head_{key}") for key in ("point", "answer", "value", "limit", "why", "captures"))
    return [
        Heading(words("criteria.title"), 2),
        Paragraph(words("criteria.intro"), "small"),
        Grid(header, tuple(rows), "lnrrll", (4, 5)),
    ]


def _captures(review: VisitReview, words: Wording) -> list[Block]:
    aside = dict(review.set_aside)
    rows = []
    for capture in review.captures:
        at, context = capture.source.captured_at, capture.source.context
        role = words(f"role.{context.role}") if context.role not in (None, "normal") else None
        best = None if capture.identification is None else capture.identification.best
        seen = "–" if best is None or best.satellite is None else f"{best.satellite} {best.polarisation or ''}".strip()
        why = aside.get(capture.name)
        rows.append(
            (
                capture.name,
                "–" if at is None else at.strftime("%Y-%m-%d %H:%M"),
                role or (words(f"port.{context.port}") if context.port else "–"),
                context.lo_state or "–",
                verdict_word(capture.verdict, words),
                seen,
                str(sum(len(m.carriers) for m in capture.measurements)),
                words("captures.yes") if why is None else words("captures.no", why=words.phrase(why)),
            )
        )
    keys = ("name", "time", "role", "state", "verdict", "seen", "carriers", "counts")
    header = tuple(words(f"captures.head_{key}") for key in keys)
    return [
        Heading(words("captures.title"), 2),
        Grid(header, tuple(rows), "lnlnnlrl", (0, 7)),
        Paragraph(words("captures.note"), "small"),
    ]


def _all_steps(review: VisitReview, words: Wording) -> list[Block]:
    if not review.next_steps:
        return []
    items = []
    for item in review.next_steps:
        text, marks = step_item(item.step, words, item.captures)
        items.append((f"{text} [{', '.join(item.because)}]", marks))
    return [Heading(words("steps.title"), 2), Items(tuple(items), numbered=True)]


def _cautions(review: VisitReview, words: Wording) -> list[Block]:
    used = {id_ for item in review.next_steps for id_ in item.step.cautions}
    used |= {id_ for c in review.captures for f in c.findings for s in f.next_steps for id_ in s.cautions}
    if not used:
        return []
    items = tuple(
        (f"{words.get(f'caution_title.{id_}', c.title)}: {words.get(f'caution.{id_}', c.text)}", "")
        for id_, c in CATALOGUE.items()
        if id_ in used
    )
    return [Heading(words("cautions.title"), 2), Paragraph(words("cautions.intro"), "small"), Items(items)]


def _checklist(review: VisitReview, words: Wording) -> list[Block]:
    states = {True: "done", False: "missing", None: "not_needed"}
    rows = tuple(
        (
            words.get(f"checklist.{item.code}", item.title),
            words(f"checklist.{'advised' if item.done is False and item.weight == 'advised' else states[item.done]}"),
            words.phrase(item.detail),
        )
        for item in review.checklist
    )
    header = tuple(words(f"checklist.head_{key}") for key in ("item", "state", "detail"))
    return [Heading(words("checklist.title"), 2), Grid(header, rows, "lnl", (2,))]


def _uncertainty(review: VisitReview, words: Wording) -> list[Block]:
    blocks: list[Block] = [Heading(words("uncertainty.title"), 2), Paragraph(words("uncertainty.intro"))]
    terms = _lo_error_terms(review, words)
    if terms:
        name = review.numbers()["lo_error_capture"]
        header = tuple(words(f"uncertainty.head_{key}") for key in ("term", "value"))
        blocks.append(Grid(header, tuple(terms), "lr", (0,), words("uncertainty.caption", name=name)))
    blocks.append(Paragraph(words("uncertainty.limits"), "small"))
    return blocks


def _lo_error_terms(review: VisitReview, words: Wording) -> list[tuple[str, str]]:
    """Split the LO error's standard uncertainty into what can be told apart; the rest is named as the rest."""
    source = review.numbers()["lo_error_capture"]
    deciding = next((c for c in review.captures if c.name == source), None)
    if deciding is None or deciding.identification is None:
        return []
    found = deciding.identification
    total = found.best.lo_error_std_hz
    if total is None:
        return []
    stds = []
    for entry in found.roll_call:
        if entry.status != "present" or entry.carrier is None or entry.sweep >= len(deciding.measurements):
            continue
        carriers = deciding.measurements[entry.sweep].carriers
        std = carriers[entry.carrier].centre_std_hz if entry.carrier < len(carriers) else None
        if std:
            stds.append(std)
    terms: list[tuple[str, float]] = []
    if stds:
        fits = sum(std**-2 for std in stds) ** -0.5
        terms.append((words("uncertainty.fits", count=len(stds)), fits))
    ppm, reference = found.best.analyser_ppm_std, found.best.if_reference_hz
    if ppm is not None and reference is not None:
        term = words("uncertainty.reference", ppm=f"{ppm:.2g}", mhz=f"{reference / 1e6:.0f}")
        terms.append((term, ppm * 1e-6 * reference))
    rest = total**2 - sum(value**2 for _, value in terms)
    if rest > (0.05 * total) ** 2:
        terms.append((words("uncertainty.rest"), rest**0.5))
    terms.append((words("uncertainty.total"), total))
    return [(name, f"{value / 1e3:.2f}") for name, value in terms]


def _assumptions(review: VisitReview, words: Wording) -> list[Block]:
    visit = review.visit
    texts = [words.phrase(text) for text in visit.assumptions]
    texts += [words("assumptions.suggestion", file=s.file, line=s.line) for s in visit.suggestions]
    texts += [str(problem) for problem in visit.failed]
    if not texts:
        texts = [words("assumptions.none")]
    if words("finding.explained"):  # of a translation: what of the findings it does not cover
        texts.append(words("finding.explained"))
    return [Heading(words("assumptions.title"), 2), Items(tuple((text, "") for text in texts))]


def _versions(review: VisitReview, words: Wording, evidence_file: str | None) -> list[Block]:
    table, chain = review.visit.table, review.visit.chain
    none = words("versions.none")
    rows = [
        (
            words("versions.table"),
            none
            if table is None
            else words("versions.table_value", file=_name(table.file), rows=len(table), sha256=table.sha256),
        ),
        (
            words("versions.chain"),
            none
            if chain is None
            else words("versions.chain_value", name=chain.name, file=_name(chain.file), sha256=chain.sha256),
        ),
        (words("versions.software"), f"Sweepmuster {review.software}"),
    ]
    if evidence_file is not None:
        rows.append((words("versions.evidence"), evidence_file))
    blocks: list[Block] = [Heading(words("versions.title"), 2), Facts(tuple(rows))]
    if chain is not None:
        blocks.append(_states(chain, words))
    return blocks


def _name(file: str) -> str:
    return file.replace("\\", "/").rpartition("/")[2]


def _states(chain: Any, words: Wording) -> Grid:
    tone = {True: words("versions.on"), False: words("versions.off"), None: "–"}
    rows = tuple(
        (
            s.name,
            f"{s.lo_hz / 1e6:.6g}",
            words(f"versions.{s.injection}"),
            f"{s.rf_min_hz / 1e6:.6g} – {s.rf_max_hz / 1e6:.6g}",
            s.polarisation or "–",
            "–" if s.supply_v is None else f"{s.supply_v:g}",
            tone[s.tone_22khz],
            "–" if s.tolerance_hz is None else f"{s.tolerance_hz / 1e3:g}",
        )
        for s in chain.lo_states
    )
    keys = ("state", "lo", "side", "rf", "polarisation", "supply", "tone", "tolerance")
    header = tuple(words(f"versions.head_{key}") for key in keys)
    return Grid(header, rows, "lrlrlrlr", (0,), words("versions.states"))


def _subjects(review: VisitReview, words: Wording) -> list[Block]:
    """Return the sections on oscillator, polarisation, interference, line, each where there is something to say."""
    blocks: list[Block] = []
    for subject in SUBJECTS:
        tables: Sequence[Block] = ()
        if subject == "oscillator":
            tables = _oscillator(review, words)
        elif subject == "polarisation":
            tables = _polarisation(review, words)
        found = [f for f in review.findings if f.code.partition(".")[0] == subject and across_captures(review, f)]
        if found or tables:
            blocks += [Heading(words(f"subject.{subject}"), 2), *tables, *findings_block(found, words)]
    return blocks


def _oscillator(review: VisitReview, words: Wording) -> list[Block]:
    aside = dict(review.set_aside)
    rows = []
    for capture in review.captures:
        found = capture.identification
        if found is None or found.best.lo_error_hz is None or found.verdict not in _SURE:
            continue
        best = found.best
        rows.append(
            (
                capture.name,
                best.lo_state or "–",
                format_value(best.lo_error_hz, best.lo_error_std_hz, scale=1e3).replace("-", "−"),
                format_value(best.analyser_ppm, best.analyser_ppm_std).replace("-", "−"),
                words("captures.yes") if capture.name not in aside else words("captures.no", why=aside[capture.name]),
            )
        )
    if not rows:
        return []
    header = tuple(words(f"subject.head_{key}") for key in ("capture", "lo", "error", "ppm", "counts"))
    return [Paragraph(words("subject.oscillator_intro"), "small"), Grid(header, tuple(rows), "lnrrl", (0, 4))]


_SURE = ("confirmed", "probable", "contradicted")


def _polarisation(review: VisitReview, words: Wording) -> list[Block]:
    blocks: list[Block] = []
    for comparison in review.comparisons:
        if comparison.kind != "polarisation":
            continue
        rows = []
        for pair in comparison.pairs:
            isolation = format_value(pair.isolation_db, pair.isolation_std_db)
            if pair.isolation_db is None and pair.isolation_lower_bound_db is not None:
                isolation = words("carriers.above", value=f"{pair.isolation_lower_bound_db:.1f}")
            if pair.isolation_db is None and pair.isolation_lower_bound_db is None:
                continue
            rows.append(
                (
                    "–" if pair.row is None else str(pair.row),
                    "–" if pair.reference_centre_hz is None else f"{pair.reference_centre_hz / 1e6:.3f}",
                    "–" if pair.other_centre_hz is None else f"{pair.other_centre_hz / 1e6:.3f}",
                    isolation,
                    format_value(pair.level_change_db, pair.level_change_std_db).replace("-", "−"),
                    words.phrase(pair.why),
                )
            )
        first, second = (*comparison.captures, "–", "–")[:2]
        header = tuple(
            words(f"subject.head_{key}") for key in ("row", "reference", "other", "isolation", "level", "why")
        )
        caption = words("subject.pairs_caption", first=first, second=second)
        blocks.append(Grid(header, tuple(rows), "rrrrrl", (5,), caption))
        blocks += _skew(comparison.polarisation, words)
    return blocks


def _skew(whole: Polarisation | None, words: Wording) -> list[Block]:
    """Return the pair as a whole: isolation, and the feed's angle that would explain it."""
    if whole is None:
        return []
    rows = [(words("numbers.isolation"), format_value(whole.isolation_db, whole.isolation_std_db, "dB"))]
    if whole.isolation_db is None and whole.isolation_lower_bound_db is not None:
        rows = [
            (
                words("numbers.isolation"),
                words("numbers.isolation_above", bound=f"{whole.isolation_lower_bound_db:.1f}"),
            )
        ]
    if whole.skew_deg is not None:
        skew = format_value(whole.skew_deg if whole.skew_signed else abs(whole.skew_deg), whole.skew_std_deg, "°")
        rows.append((words("subject.skew" if whole.skew_signed else "subject.skew_size"), skew.replace("-", "−")))
    if whole.gain_difference_db is not None:
        gain = format_value(whole.gain_difference_db, whole.gain_difference_std_db, "dB")
        rows.append((words("subject.gain"), gain.replace("-", "−")))
    return [Facts(tuple(rows))]


def _attachments(attachments: Sequence[Attachment], words: Wording) -> list[Block]:
    blocks: list[Block] = []
    for item in attachments:
        data = item.path.read_bytes()
        digest = hashlib.sha256(data).hexdigest()
        mime = next((kind for magic, kind in _MIME.items() if data.startswith(magic)), None)
        caption = " – ".join(x for x in (item.caption, item.path.name) if x)
        if mime is not None and len(data) <= _MOST_ATTACHED:
            blocks.append(Photo(data, mime, caption))
        elif mime is not None or len(data) > _MOST_ATTACHED:
            mb = f"{_MOST_ATTACHED / 1e6:g}"
            blocks.append(Paragraph(words("attachments.too_large", file=item.path.name, mb=mb, sha256=digest)))
        else:
            try:
                text = data.decode("utf-8-sig")
            except UnicodeDecodeError:
                blocks.append(Paragraph(words("attachments.unusable", file=item.path.name, sha256=digest)))
                continue
            blocks += [Heading(caption, 3), Paragraph(text)]
    return [Heading(words("attachments.title"), 1), *blocks] if blocks else []
