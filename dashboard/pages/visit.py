"""One visit: the answer, what it still lacks, what to do next, its sweeps."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.language import current_wording
from dashboard.registry import Page, Place, Table
from dashboard.words import count, day, found_words, kilohertz, minute, name_of_visit, seen, value
from spectra.archive import Search
from spectra.report.firstpage import answer_of, remark_texts

if TYPE_CHECKING:
    from dashboard.desk import Desk
    from spectra.visit import ChecklistItem, VisitReview

_ROWS = 100


def layout(desk: Desk, place: Place) -> Any:
    """Return the page."""
    visit = desk.visit(place.path["visit"])
    review = desk.review(visit["key"])
    heading = parts.heading(name_of_visit(visit), trail=[("Visits", "/")], about=_about(visit, review))
    if review is None:
        return html.Div([heading, _too_many(desk, visit, place)])
    return html.Div(
        [
            heading,
            _answer(review),
            _numbers(review),
            html.Div([_lacking(review), _next(review)], className="halves"),
            _captures(desk, visit, review),
            parts.sheet(
                "Findings",
                parts.findings(review.findings, sources=True),
                about="Of the sweeps that count, and of the pairs among them. Open one to see the numbers behind it.",
            ),
        ]
    )


def _about(visit: Mapping[str, Any], review: VisitReview | None) -> str:
    asked = json.loads(visit["head"])["head"].get("asked") if review is None else review.visit.head.asked
    said = [asked or "", visit["folder"]]
    if review is not None:
        when = review.when()
        first, last = day(when["first_capture_at"]), day(when["last_capture_at"])
        said.insert(0, f"{count(len(review.captures), 'sweep')}, {first if first == last else f'{first} to {last}'}")
        names = [
            plan.file.replace("\\", "/").rpartition("/")[2] for plan in (review.visit.table, review.visit.chain) if plan
        ]
        said += [" with ".join(names)] if names else ["without a carrier table"]
    return " · ".join(part for part in said if part)


def _answer(review: VisitReview) -> html.Section:
    words = current_wording()
    said, reasons = answer_of(review, words), remark_texts(review, words)
    more: Any = None
    if reasons:
        more = html.Details(
            [html.Summary(f"Why: {count(len(reasons), 'point')}"), html.Ul([html.Li(reason) for reason in reasons])],
            open=review.statement.answer in ("not accepted", "cannot tell") and len(reasons) <= 4,
        )
    return parts.answer(review.statement.answer, said.sentence, more=more)


def _numbers(review: VisitReview) -> html.Section:
    found = review.numbers()
    satellite = seen(found) or "not identified"
    isolation = value(found["isolation_db"], found["isolation_std_db"], "dB")
    if found["isolation_db"] is None and found["isolation_lower_bound_db"] is not None:
        isolation = f"above {found['isolation_lower_bound_db']:.1f} dB"
    names = " and ".join(found["isolation_captures"])
    return parts.sheet(
        None,
        html.Div(
            [
                parts.number("Satellite", satellite, parts.verdict(found["verdict"]), found["capture"]),
                parts.number(
                    "LO error",
                    kilohertz(found["lo_error_hz"], found["lo_error_std_hz"]),
                    "the largest of the sweeps that count" if found["lo_error_hz"] is not None else "no sweep tells",
                    found["lo_error_capture"],
                ),
                parts.number(
                    "Isolation",
                    isolation,
                    "between the two ports" if names else "no pair of ports was swept",
                    names or None,
                ),
            ],
            className="numbers",
        ),
    )


def _lacking(review: VisitReview) -> html.Section:
    open_items = [item for item in review.checklist if item.done is False]
    done = [item for item in review.checklist if item.done]
    if not open_items:
        return parts.sheet("What is still missing", html.P("Nothing: the visit is complete.", className="empty"))
    needed = [item for item in open_items if item.weight == "needed"]
    advised = [item for item in open_items if item.weight != "needed"]
    inside: list[Any] = [_item(item) for item in needed]
    if advised:
        inside.append(
            html.Details(
                [html.Summary(f"{len(advised)} more, good to have"), *(_item(i) for i in advised)], className="fold"
            )
        )
    if done:
        titles = html.Ul([html.Li([i.title, html.Span(f" – {i.detail}", className="soft")]) for i in done])
        inside.append(html.Details([html.Summary(f"{count(len(done), 'point')} in order"), titles], className="fold"))
    return parts.sheet("What is still missing", html.Div(inside), about="While somebody is still aboard.")


def _item(item: ChecklistItem) -> html.Details:
    inside: list[Any] = [html.P(item.detail)]
    if item.next_step is not None:
        inside += [html.P(item.next_step.text), parts.cautions(item.next_step.cautions)]
    kind = "open" if item.weight == "needed" else "plain"
    return html.Details(
        [
            html.Summary([parts.sign(kind), html.Span(item.title, className="title")]),
            html.Div(inside, className="inside"),
        ],
        className=f"finding {kind}",
    )


def _next(review: VisitReview) -> html.Section:
    items = review.next_steps
    if not items:
        return parts.sheet("What to do next", html.P("Nothing: no finding asks for a step.", className="empty"))
    shown: list[Any] = [parts.steps([(s.step.text, s.step.cautions) for s in items[:4]])]
    if len(items) > 4:
        rest = parts.steps([(s.step.text, s.step.cautions) for s in items[4:]])
        shown.append(html.Details([html.Summary(f"{len(items) - 4} more steps"), rest], className="fold"))
    return parts.sheet("What to do next", *shown, about="In order: what keeps it from being accepted first.")


def _captures(desk: Desk, visit: Mapping[str, Any], review: VisitReview) -> html.Section:
    rows = desk.visit_list(visit["key"])
    aside = dict(review.set_aside)
    contexts = {capture.name: capture.source.context for capture in review.captures}
    cells = [_row(visit["key"], row, contexts.get(row["name"]), aside.get(row["name"])) for row in rows]
    made = parts.table(
        ["Taken", "Sweep", "Port, LO state", "Verdict", "LO error", "Carriers", "Findings"],
        cells,
        caption="The newest first; greyed: the answer does not rest on it",
        right=(4, 5),
        classes=["quiet" if row["name"] in aside else "" for row in rows],
    )
    link_ = parts.csv_link(f"/visit/{visit['key'][:SHORT]}", "sweeps")
    return parts.sheet("Sweeps", made, html.P(link_))


def _row(visit: str, row: Mapping[str, Any], context: Any, aside: str | None) -> list[Any]:
    address = f"/visit/{visit[:SHORT]}/sweep/{row['key'][:SHORT]}"
    where = ", ".join(str(x) for x in (context.port, context.lo_state) if x) if context is not None else ""
    name: list[Any] = [dcc.Link(row["name"], href=address)]
    if aside:
        name.append(html.Span(aside, className="under"))
    verdict: list[Any] = [parts.verdict(row["verdict"])]
    if seen(row):
        verdict.append(html.Span(seen(row), className="under"))
    return [
        minute(row["captured_at"]),
        html.Div(name),
        where or "–",
        html.Div(verdict),
        kilohertz(row["lo_error_hz"], row["lo_error_std_hz"]),
        str(row["carriers"]),
        found_words(row["faults"], row["warnings"]),
    ]


def _too_many(desk: Desk, visit: Mapping[str, Any], place: Place) -> html.Div:
    """Return a folder of very many sweeps: listed page by page, not judged as one piece of work."""
    page = max(1, place.whole("page", 1))
    rows, total = desk.captures(Search(visit=visit["key"], limit=_ROWS, offset=(page - 1) * _ROWS))
    words = f"{count(total, 'sweep')} in one folder: too many for one piece of work, so they are not judged together."
    made = parts.table(
        ["Taken", "Sweep", "Port, LO state", "Verdict", "LO error", "Carriers", "Findings"],
        [_row(visit["key"], row, None, None) for row in rows],
        caption="The newest first",
        right=(4, 5),
    )
    pager = parts.pager(f"/visit/{visit['key'][:SHORT]}", {}, page, _ROWS, total)
    return html.Div([parts.answer(None, words), parts.sheet("Sweeps", made, pager)])


def table(desk: Desk, place: Place) -> Table:
    """Return the visit's sweeps for a spreadsheet."""
    visit = desk.visit(place.path["visit"])
    rows = desk.visit_list(visit["key"])
    head = (
        *("key", "captured_at", "name", "verdict", "satellite", "polarisation", "lo_state"),
        *("lo_error_hz", "lo_error_std_hz", "carriers", "faults", "warnings"),
    )
    return Table(f"{name_of_visit(visit)} sweeps", head, [[row[name] for name in head] for row in rows])


PAGE = Page("visit", "/visit/<visit>", "Overview", layout, tab=1, tables={"sweeps": table})
