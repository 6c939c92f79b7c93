"""Polarisation: a pair of ports, how well they are parted, and which way to turn the feed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.figures.polarisation import pair_figure, pair_words, skew_figure, skew_words
from dashboard.look import look
from dashboard.registry import Page, Place, Table, link
from dashboard.words import name_of_visit, value

if TYPE_CHECKING:
    from dashboard.desk import Desk
    from spectra.findings.comparison import Comparison, Pair
    from spectra.visit import VisitReview


def layout(desk: Desk, place: Place) -> Any:
    """Return the page."""
    visit = desk.visit(place.path["visit"])
    address = f"/visit/{visit['key'][:SHORT]}"
    heading = parts.heading("Polarisation", trail=[("Visits", "/"), (name_of_visit(visit), address)])
    pairs = _pairs(desk.review(visit["key"]))
    if not pairs:
        return html.Div([heading, _none()])
    number = min(place.whole("pair", 1), len(pairs)) - 1
    chosen = pairs[max(0, number)]
    review = desk.review(visit["key"])
    limit = None if review is None else review.visit.limits.isolation_min_db
    drawn = pair_figure(chosen, look(place.scheme), limit)
    return html.Div(
        [
            heading,
            _answer(chosen, limit),
            _choice(pairs, number, f"{address}/polarisation"),
            parts.sheet(
                "Both ports", parts.figure("polarisation-figure", drawn, pair_words(chosen), name="polarisation pair")
            ),
            html.Div([_carriers(chosen, address, number), _skew(chosen, place)], className="pair"),
            parts.sheet("Findings", parts.findings(chosen.findings)),
        ]
    )


def _pairs(review: VisitReview | None) -> list[Comparison]:
    return [] if review is None else [c for c in review.comparisons if c.kind == "polarisation"]


def _none() -> html.Section:
    words = "No pair of ports was swept on this visit, so nothing tells how well the polarisations are parted."
    step = (
        "Sweep the co-polar and the cross-polar port (or both LO states of one port) with the same settings, one right "
        "after the other, and note which is which."
    )
    from spectra.finding import step as with_cautions

    made = with_cautions(step)
    return parts.answer(None, words, more=parts.steps([(made.text, made.cautions)]))


def _answer(chosen: Comparison, limit: float | None) -> html.Section:
    whole = chosen.polarisation
    if whole is None or (whole.isolation_db is None and whole.isolation_lower_bound_db is None):
        return parts.answer("cannot tell", "These two sweeps do not tell the isolation.", kind="open")
    if whole.isolation_db is None:
        said = f"No leak is seen: the isolation is above {whole.isolation_lower_bound_db:.1f} dB (95 %)."
        return parts.answer("clean", said, kind="good", more=html.P(_limit_words(limit)))
    said = f"The ports are parted by {value(whole.isolation_db, whole.isolation_std_db, 'dB')}. {skew_words(whole)}"
    kind, word = "fair", "measured"
    if limit is not None and whole.isolation_std_db is not None:
        margin = whole.isolation_db - limit
        sure = abs(margin) >= 2.0 * whole.isolation_std_db
        kind, word = ("good", "above the limit") if margin > 0 else ("bad", "below the limit")
        kind, word = (kind, word) if sure else ("open", "too near the limit to tell")
    return parts.answer(word, said, kind=kind, more=html.P(_limit_words(limit)))


def _limit_words(limit: float | None) -> str:
    return "No limit was stated for this visit." if limit is None else f"Wanted: {limit:g} dB or more."


def _choice(pairs: list[Comparison], number: int, address: str) -> html.Nav | None:
    if len(pairs) < 2:
        return None
    links = [
        dcc.Link(
            " and ".join(p.captures[:2]),
            href=link(address, pair=k + 1),
            className="take here" if k == number else "take",
        )
        for k, p in enumerate(pairs)
    ]
    return html.Nav(["Pairs: ", *links], className="row", **{"aria-label": "Pairs of this visit"})


def _isolation_words(pair: Pair) -> str:
    if pair.isolation_db is not None:
        return value(pair.isolation_db, pair.isolation_std_db, "dB")
    return "–" if pair.isolation_lower_bound_db is None else f"> {pair.isolation_lower_bound_db:.1f} dB"


def _carriers(chosen: Comparison, address: str, number: int) -> html.Section:
    rows = [
        [
            html.Span(f"{(p.reference_centre_hz or p.other_centre_hz or 0.0) / 1e6:.3f} MHz", className="n"),
            "" if p.row is None else html.Span(f"row {p.row}", className="n"),
            chosen.captures[0] if p.home == "reference" else chosen.captures[1] if p.home == "other" else "–",
            html.Span(_isolation_words(p), className="n"),
            {True: "yes", False: "no"}.get(p.counts, "–") if p.counts is not None else "–",
            html.Span(p.why, className="soft"),
        ]
        for p in chosen.pairs
    ]
    made = parts.table(
        [
            "Centre (IF)",
            "Listed",
            "Belongs to",
            "Isolation",
            ("Counts", "Whether it says something of the feed"),
            "Why",
        ],
        rows,
        caption="Carrier by carrier",
        right=(3,),
    )
    csv = parts.csv_link(f"{address}/polarisation", "pairs", Place(query={"pair": str(number + 1)}))
    return parts.sheet("Carriers", made, html.P(csv))


def _skew(chosen: Comparison, place: Place) -> html.Section:
    whole = chosen.polarisation
    if whole is None:
        return parts.sheet("The feed", html.P("Nothing is known of it.", className="empty"))
    facts = parts.facts(
        [
            ("gain difference", value(whole.gain_difference_db, whole.gain_difference_std_db, "dB")),
            ("taken from", whole.gain_difference_by or None),
            ("axial ratio", None if whole.axial_ratio_db is None else f"{whole.axial_ratio_db:.2f} dB"),
        ]
    )
    # what to do about it comes from the findings alone: they bring the cautions
    steps = [s for f in chosen.findings if f.code == "polarisation.skew_error" for s in f.next_steps]
    todo = [html.H3("What to do"), parts.steps([(s.text, s.cautions) for s in steps])] if steps else []
    if whole.skew_deg is None:
        return parts.sheet("The feed", html.P(skew_words(whole)), facts, *todo)
    drawn = skew_figure(whole, look(place.scheme))
    words = skew_words(whole)
    about = "Seen from behind the antenna, looking at the satellite."
    return parts.sheet(
        "The feed",
        parts.figure("polarisation-skew", drawn, words, name="skew", height="middle"),
        *todo,
        facts,
        about=about,
    )


def table(desk: Desk, place: Place) -> Table:
    """Return the carriers of a pair for a spreadsheet."""
    pairs = _pairs(desk.review(desk.visit(place.path["visit"])["key"]))
    if not pairs:
        return Table("polarisation", ("nothing",), ())
    frame = pairs[min(place.whole("pair", 1), len(pairs)) - 1].to_frame().drop(columns=["captures"])
    return Table(
        "polarisation", list(frame.columns), frame.astype(object).where(frame.notna(), None).to_numpy().tolist()
    )


PAGE = Page("polarisation", "/visit/<visit>/polarisation", "Polarisation", layout, tab=5, tables={"pairs": table})
