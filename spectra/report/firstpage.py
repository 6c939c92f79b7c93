"""The owner's page: what was asked, the answer, the three numbers, remarks, next steps, signatures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from spectra.cautions import CATALOGUE
from spectra.report.model import (
    Answer,
    Block,
    Facts,
    Heading,
    Items,
    Number,
    Numbers,
    Paragraph,
    Sheet,
    Signatures,
)
from spectra.report.words import Wording
from spectra.units import format_value, significant

if TYPE_CHECKING:
    from spectra.finding import Finding, NextStep
    from spectra.visit.acceptance import Criterion
    from spectra.visit.review import VisitReview

__all__ = ["answer_of", "caution_title", "criterion_name", "first_page", "remark_texts", "verdict_word"]

_MOST_REMARKS = 5
_MOST_STEPS = 3  # the page has to end with the signatures
_MOST_NAMES = 3
_TONES: dict[str, Any] = {
    "accepted": "good",
    "accepted with remarks": "remarks",
    "not accepted": "bad",
    "cannot tell": "open",
}


def first_page(review: VisitReview, words: Wording) -> Sheet:
    """Return the first sheet of a report on a visit."""
    blocks: list[Block] = [
        Facts(_who(review, words)),
        Heading(words("asked.title"), 3),
        Paragraph(_asked(review, words)),
        Heading(words("answer.title"), 3),
        answer_of(review, words),
        _numbers(review, words),
        Heading(words("remarks.title"), 3),
        _remarks(review, words),
        Heading(words("steps.title"), 3),
        *_steps(review, words),
        Signatures((words("sign.technician"), words("sign.owner")), words("sign.date")),
    ]
    return Sheet(tuple(blocks))


def verdict_word(verdict: str | None, words: Wording) -> str:
    """Return a verdict in the language of the report."""
    return words(f"verdict.{'none' if verdict is None else verdict.replace(' ', '_')}")


def criterion_name(criterion: Criterion, words: Wording) -> str:
    """Return the name of a criterion in the language of the report."""
    title = words.get(f"criterion.{criterion.code}", criterion.title)
    return f"{title} ({criterion.about})" if criterion.about else title


def caution_title(id_: str, words: Wording) -> str:
    """Return the title of a caution in the language of the report."""
    return words.get(f"caution_title.{id_}", CATALOGUE[id_].title)


def _who(review: VisitReview, words: Wording) -> tuple[tuple[str, str], ...]:
    visit = review.visit
    value = review.when()
    technician = visit.head.technician or visit.said("operator")
    rows = [
        (words("head.vessel"), visit.said("vessel")),
        (words("head.terminal"), visit.said("terminal")),
        (words("head.customer"), visit.head.customer),
        (words("head.technician"), technician),
        (words("head.place"), visit.head.place),
        (words("head.reference"), visit.head.reference),
        (words("head.first_capture"), _time(value["first_capture_at"])),
        (words("head.last_capture"), _time(value["last_capture_at"])),
    ]
    always = {words("head.vessel"), words("head.terminal"), words("head.technician")}
    return tuple((name, said or words("head.not_said")) for name, said in rows if said or name in always)


def _time(text: str | None) -> str | None:
    return None if text is None else text[:16].replace("T", " ") + " UTC"


def _asked(review: VisitReview, words: Wording) -> str:
    visit = review.visit
    if visit.head.asked:
        return visit.head.asked
    satellite = visit.said("expected_satellite") or words("asked.default_satellite")
    return words(
        "asked.default", satellite=satellite, terminal=visit.said("terminal") or words("asked.default_terminal")
    )


def answer_of(review: VisitReview, words: Wording) -> Answer:
    """Return the answer of the first page: its word, its sentence, its tone."""
    answer = review.statement.answer
    key = answer.replace(" ", "_")
    failed = [criterion_name(c, words) for c in review.criteria if c.answer == "no"]
    unsure = [criterion_name(c, words) for c in review.criteria if c.answer == "cannot_tell"]
    remarks = len(remark_texts(review, words))
    told = "accepted_with_one_remark" if key == "accepted_with_remarks" and remarks == 1 else key
    sentence = words(
        f"answer.{told}_sentence",
        count=len(review.criteria),
        remarks=remarks,
        failed=len(failed),
        open=len(unsure),
        names="; ".join(failed if answer == "not accepted" else unsure),
    )
    if not review.visit.limits.stated:
        sentence += " " + words("answer.no_limits")
    return Answer(words(f"answer.{key}"), sentence, _TONES[answer])


def _numbers(review: VisitReview, words: Wording) -> Numbers:
    values = review.numbers()
    return Numbers((_satellite(values, words), _lo_error(review, values, words), _isolation(review, values, words)))


def _satellite(values: dict[str, Any], words: Wording) -> Number:
    if values["satellite"] is None:
        name, detail = words("numbers.satellite_none"), verdict_word(values["verdict"], words)
    else:
        name = values["satellite"]
        detail = words(
            "numbers.satellite_detail",
            polarisation=values["polarisation"] or "–",
            verdict=verdict_word(values["verdict"], words),
        )
        odds = values["log10_odds_next"] if values["log10_odds_next"] is not None else values["log10_odds_none"]
        if odds is not None and odds > 0.0:
            told = words("numbers.odds_beyond") if odds >= 6.0 else words("numbers.odds_one", odds=_plain(10.0**odds))
            detail = words("numbers.odds", detail=detail, odds=told)
    return Number(words("numbers.satellite"), name, _from(detail, values["capture"], words), _m("satellite", words))


def _plain(value: float) -> str:
    return f"{float(significant(value, 1)):,.0f}".replace(",", " ")


def _from(detail: str, name: str | None, words: Wording) -> str:
    return detail if name is None else f"{detail}; {words('numbers.from_capture', name=name)}"


def _m(name: str, words: Wording) -> str:
    return words(f"numbers.{name}_meaning")


def _lo_error(review: VisitReview, values: dict[str, Any], words: Wording) -> Number:
    value = format_value(values["lo_error_hz"], values["lo_error_std_hz"], "kHz", 1e3)
    if values["lo_error_hz"] is None:
        return Number(words("numbers.lo_error"), words("numbers.not_measured"), "", _m("lo_error", words))
    source = values["lo_error_capture"]
    judged = [c for c in review.criteria if c.code == "acceptance.lo_error" and source in c.captures]
    judged = judged or [c for c in review.criteria if c.code == "acceptance.lo_error" and c.limit is not None]
    detail = words("numbers.lo_error_no_limit")
    if judged and isinstance(judged[0].limit, float):
        detail = words("numbers.lo_error_detail", limit=f"{judged[0].limit / 1e3:.6g} kHz")
    detail = _from(detail, source, words)
    return Number(words("numbers.lo_error"), value.replace("-", "−"), detail, _m("lo_error", words))


def _isolation(review: VisitReview, values: dict[str, Any], words: Wording) -> Number:
    limit = review.visit.limits.isolation_min_db
    detail = (
        words("numbers.isolation_no_limit") if limit is None else words("numbers.isolation_detail", limit=f"{limit:g}")
    )
    if values["isolation_db"] is not None:
        value = format_value(values["isolation_db"], values["isolation_std_db"], "dB")
    elif values["isolation_lower_bound_db"] is not None:
        value = words("numbers.isolation_above", bound=f"{values['isolation_lower_bound_db']:.1f}")
    else:
        value = words("numbers.not_measured")
    names = ", ".join(values["isolation_captures"]) or None
    return Number(words("numbers.isolation"), value, _from(detail, names, words), _m("isolation", words))


def remark_texts(review: VisitReview, words: Wording) -> list[str]:
    """Return what stands against the answer: unmet points, faults and warnings, what is missing, what is unusable."""
    points = [
        f"{criterion_name(c, words)}: {words(f'criteria.answer_{c.answer}')}; {words.phrase(c.why)}"
        for c in review.criteria
        if c.answer != "yes" and c.code != "acceptance.faults"
    ]
    found = [
        words("finding.line", severity=words(f"finding.{f.severity}"), title=words.phrase(f.title))
        for f in review.findings
        if f.severity in ("fault", "warning") and f.answer == "yes" and not _of_craft(f)
    ]
    craft = len({f.title for f in review.findings if f.severity != "note" and f.answer == "yes" and _of_craft(f)})
    missing = [
        words("remarks.missing", what=words.get(f"checklist.{item.code}", item.title))
        for item in review.checklist
        if item.done is False and item.weight == "needed"
    ]
    unusable = [words("remarks.unusable", what=problem.source) for problem in review.visit.failed]
    unusable += [words("remarks.unusable", what=c.name) for c in review.counted if c.failed]
    # how a sweep was taken is the technician's matter: on the owner's page it is one line
    quality = [words("remarks.one_of_craft" if craft == 1 else "remarks.craft", count=craft)] if craft else []
    return list(dict.fromkeys([*points, *found, *missing, *unusable, *quality]))


def _of_craft(finding: Finding) -> bool:
    return finding.code.partition(".")[0] in ("quality", "clock")


def _remarks(review: VisitReview, words: Wording) -> Block:
    texts = remark_texts(review, words)
    if not texts:
        return Paragraph(words("remarks.none"))
    shown = [(text, "") for text in texts[:_MOST_REMARKS]]
    if len(texts) > _MOST_REMARKS:
        shown.append((words("remarks.more", count=len(texts) - _MOST_REMARKS), ""))
    return Items(tuple(shown))


def _steps(review: VisitReview, words: Wording) -> Sequence[Block]:
    steps = review.next_steps
    if not steps:
        return (Paragraph(words("steps.none")),)
    shown: list[Block] = [
        Items(tuple(step_item(s.step, words, s.captures) for s in steps[:_MOST_STEPS]), numbered=True)
    ]
    if len(steps) > _MOST_STEPS:
        shown.append(Paragraph(words("steps.more", count=len(steps) - _MOST_STEPS), "small"))
    return shown


def step_item(step: NextStep, words: Wording, captures: Sequence[str] = ()) -> tuple[str, str]:
    """Return a step's text, and for which captures it is and which cautions go with it (whole texts further on)."""
    notes = []
    if captures:
        shown = ", ".join(captures) if len(captures) <= _MOST_NAMES else words("steps.many", count=len(captures))
        notes.append(words("steps.captures", names=shown))
    if step.cautions:
        titles = ", ".join(caution_title(id_, words) for id_ in step.cautions)
        notes.append(words("steps.caution_marks", titles=titles))
    return words.phrase(step.text), " ".join(notes)
