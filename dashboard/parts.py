"""Building blocks of pages: headings, answers, findings, steps with their cautions, tables, figures.

All text goes in as text: nothing from a file is ever HTML here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import dcc, html

from dashboard.registry import Place, link
from spectra import SpectraError
from spectra.cautions import CATALOGUE

__all__ = [
    "answer",
    "crumbs",
    "csv_link",
    "entry",
    "facts",
    "figure",
    "finding",
    "findings",
    "heading",
    "number",
    "pager",
    "pick",
    "sheet",
    "sign",
    "steps",
    "table",
    "toggles",
    "trouble",
    "verdict",
    "waiting",
]

Parts = list[Any]
_VERDICTS = {
    "confirmed": "good",
    "probable": "fair",
    "ambiguous": "open",
    "contradicted": "bad",
    "unidentified": "open",
    "no carriers": "plain",
    "accepted": "good",
    "accepted with remarks": "fair",
    "not accepted": "bad",
    "cannot tell": "open",
}
_MOST_OPEN = 12
_SEVERITY = {"fault": "bad", "warning": "open", "note": "plain"}
_ANSWERED = {"yes": "", "no": "looked for and not found", "cannot_tell": "cannot be told"}


def heading(title: str, *, trail: Sequence[tuple[str, str]] = (), about: Any = None) -> html.Div:
    """Return the head of a page: where it belongs, its title, a line about it."""
    found: Parts = []
    if trail:
        found.append(crumbs(trail))
    found.append(html.H1(title))
    if about:
        found.append(html.P(about, className="about"))
    return html.Div(found, className="heading")


def crumbs(trail: Sequence[tuple[str, str]]) -> html.Nav:
    """Return the way back, as links."""
    items = [html.Li(dcc.Link(word, href=href)) for word, href in trail]
    return html.Nav(html.Ol(items), className="crumbs", **{"aria-label": "Where this belongs"})


def sign(kind: str) -> html.Span:
    """Return the shape that goes with an answer; its word says the same."""
    return html.Span(className=f"sign {kind}", **{"aria-hidden": "true"})


def kind_of(word: str | None) -> str:
    """Return the kind (good, fair, open, bad, plain) of a verdict or a visit's answer."""
    return _VERDICTS.get(word or "", "plain")


def verdict(word: str | None) -> html.Span:
    """Return a verdict as its word with a shape."""
    kind = kind_of(word)
    return html.Span([sign(kind), word or "not identified"], className=f"verdict {kind}")


def answer(word: str | None, sentence: str, *, more: Any = None, kind: str | None = None) -> html.Section:
    """Return the answer that a page begins with; `kind` for a word that is no verdict."""
    kind = kind_of(word) if kind is None else kind
    said: Parts = [html.P(html.Strong(word[:1].upper() + word[1:]), className="word")] if word else []
    said.append(html.P(sentence, className="sentence"))
    if more is not None:
        said.append(html.Div(more, className="more"))
    return html.Section([sign(kind), html.Div(said)], className=f"answer {kind}", **{"aria-label": "Answer"})


def sheet(title: str | None, *children: Any, about: Any = None, id: str | None = None) -> html.Section:  # noqa: A002
    """Return a titled sheet."""
    head: Parts = [] if title is None else [html.H2(title)]
    if about:
        head.append(html.P(about, className="about"))
    extra = {} if id is None else {"id": id}
    return html.Section([*head, *children], className="sheet", **extra)


def facts(pairs: Mapping[str, Any] | Sequence[tuple[str, Any]]) -> html.Dl:
    """Return names with their values; those without one are left out."""
    items = pairs.items() if isinstance(pairs, Mapping) else pairs
    return html.Dl(
        [html.Div([html.Dt(name), html.Dd(value)]) for name, value in items if value not in (None, "")],
        className="facts",
    )


def table(
    head: Sequence[str | tuple[str, str]],
    rows: Sequence[Sequence[Any]],
    *,
    caption: str,
    right: Sequence[int] = (),
    row_ids: Sequence[Any] | None = None,
    classes: Sequence[str] | None = None,
    choose: tuple[str, Sequence[str]] | None = None,
    empty: str = "Nothing to show.",
) -> html.Div:
    """Return a table.

    Parameters
    ----------
    head : sequence
        Titles; a pair also gives an explanation that shows on hover.
    rows : sequence of sequences
        Cells: text or components.
    caption : str
        What the table shows, for those who cannot see it; it stands above it.
    right : sequence of int
        Columns set to the right: numbers.
    row_ids, classes : sequence or None
        An id and a class for each row.
    choose : pair of str and sequence of str, or None
        The store that gets a row's value when it is chosen, by click or by Enter, and the values.
    empty : str
        What stands where there are no rows.
    """
    if not rows:
        return html.Div([html.P(empty, className="empty")])
    titles = [item if isinstance(item, tuple) else (item, "") for item in head]
    side = ["r" if k in right else "" for k in range(len(titles))]
    first = html.Tr(
        [
            html.Th(word, scope="col", title=why or None, className=s)
            for (word, why), s in zip(titles, side, strict=True)
        ]
    )
    body = []
    for number, row in enumerate(rows):
        cells = [
            html.Td(cell, className=s, **{"data-title": t[0]}) for cell, s, t in zip(row, side, titles, strict=True)
        ]
        extra: dict[str, Any] = {} if row_ids is None else {"id": row_ids[number]}
        if choose is not None:
            extra |= {"tabIndex": "0", "data-choose": choose[0], "data-value": choose[1][number]}
            if classes is not None and "chosen" in classes[number]:
                extra["aria-current"] = "true"
        body.append(html.Tr(cells, className="" if classes is None else classes[number], **extra))
    return html.Div(
        html.Table([html.Caption(caption), html.Thead(first), html.Tbody(body)]),
        className="grid cards",
        tabIndex="0",
        role="region",
        **{"aria-label": caption},
    )


def csv_link(place_path: str, name: str, place: Place | None = None, words: str = "Table as CSV") -> html.A:
    """Return a link that takes a page's table (see `Page.tables`) as CSV; the query of `place` goes with it."""
    query = {} if place is None else dict(place.query)
    return html.A(words, href=link(f"/csv{place_path}", **{**query, "table": name}), className="take", download="")


def figure(id: str, drawn: Any, words: str, *, name: str, height: str = "tall", editable: Any = None) -> html.Figure:  # noqa: A002
    """Return a figure with its words and buttons to take it along.

    Parameters
    ----------
    id : str
        Id of the graph; its words get ``<id>-words``.
    drawn : plotly figure
    words : str
        What the picture shows, in a sentence or two.
    name : str
        File name for downloads, without ending.
    height : {'tall', 'middle', 'low'}
        Room that is held free, so that nothing jumps when it is drawn.
    editable : dict or None
        More of the drawing library's ``config``.
    """
    buttons = [
        html.Button(
            kind.upper(), className="take", type="button", **{"data-figure": id, "data-format": kind, "data-name": name}
        )
        for kind in ("svg", "png")
    ]
    config = {
        "displayModeBar": False,
        "displaylogo": False,
        "doubleClick": "reset",
        "scrollZoom": False,
        "responsive": True,
    }
    graph = dcc.Graph(id=id, figure=drawn, config={**config, **(editable or {})}, className="graph")
    return html.Figure(
        [
            html.Div(graph, className=f"plot {height}", role="img", **{"aria-label": words}),
            html.Figcaption(
                [html.Span(words, id=f"{id}-words"), html.Span(["Take the picture: ", *buttons], className="takes")]
            ),
        ],
        className="figure",
    )


def evidence_words(item: Any) -> str:
    """Return a piece of evidence as text: value, uncertainty, limit."""
    from spectra.units import format_value

    if isinstance(item.value, int | float) and not isinstance(item.value, bool):
        said = format_value(float(item.value), item.std, item.unit or "")
        if item.std is None:
            said = f"{item.value:g}" + (f" {item.unit}" if item.unit else "")
    else:
        said = str(item.value)
    limit = (
        ""
        if item.limit is None
        else f" (limit {item.limit:g})"
        if isinstance(item.limit, int | float)
        else f" (limit {item.limit})"
    )
    return said + limit


def finding(found: Any, *, about: str | None = None, href: str | None = None) -> html.Details:
    """Return a finding: title and severity, and behind them explanation, evidence, steps."""
    word = found.severity if found.answer == "yes" else _ANSWERED[found.answer]
    kind = _SEVERITY[found.severity] if found.answer == "yes" else "plain"
    inside: Parts = [html.P(found.explanation)]
    if found.evidence:
        inside.append(facts([(e.name.replace("_", " "), evidence_words(e)) for e in found.evidence]))
    if found.next_steps:
        inside += [html.H4("What to do"), steps([(s.text, s.cautions) for s in found.next_steps])]
    inside.append(html.P(found.code, className="code"))
    first: Parts = [sign(kind), html.Span(word, className="severity"), html.Span(found.title, className="title")]
    if about:
        first.append(dcc.Link(about, href=href, className="source") if href else html.Span(about, className="source"))
    return html.Details([html.Summary(first), html.Div(inside, className="inside")], className=f"finding {kind}")


def findings(found: Sequence[Any], *, empty: str = "Nothing to report.", sources: bool = False) -> html.Div:
    """Return findings: those that hold first, the faults before the rest; what was ruled out behind a fold.

    `sources` tells with each which sweeps it is on, and gathers those of one kind that come again and again.
    """
    ranks = {"fault": 0, "warning": 1, "note": 2}
    ordered = sorted(found, key=lambda f: ranks[f.severity])
    open_ones = [f for f in ordered if f.answer == "yes"]
    rest = [f for f in ordered if f.answer != "yes"]
    notes = [f for f in open_ones if f.severity == "note"]
    if len(open_ones) > _MOST_OPEN and len(notes) > _MOST_OPEN // 2:
        open_ones = [f for f in open_ones if f.severity != "note"]
    else:
        notes = []

    def listed(some: Sequence[Any]) -> Parts:
        return _gathered(some) if sources else [finding(f) for f in some]

    shown: Parts = listed(open_ones) or [html.P(empty, className="empty")]
    if notes:
        shown.append(html.Details([html.Summary(f"{len(notes)} notes"), html.Div(listed(notes))], className="fold"))
    if rest:
        words = f"{len(rest)} more that was looked for"
        shown.append(html.Details([html.Summary(words), html.Div(listed(rest))], className="fold"))
    return html.Div(shown, className="findings")


def _gathered(found: Sequence[Any]) -> Parts:
    """Return findings with their sweeps; several of one kind and severity are one line that opens into them."""
    kinds: dict[tuple[str, str, str], list[Any]] = {}
    for one in found:
        kinds.setdefault((one.code, one.severity, one.answer), []).append(one)
    shown: Parts = []
    for alike in kinds.values():
        if len(alike) == 1:
            shown.append(finding(alike[0], about=_sweeps_of(alike)))
            continue
        first = finding(alike[0]).children[0]
        first.children.append(html.Span(f"{len(alike)} of this kind", className="source"))
        inside = html.Div([finding(one, about=_sweeps_of([one])) for one in alike], className="inside alike")
        shown.append(html.Details([first, inside], className=f"finding {_SEVERITY[alike[0].severity]}"))
    return shown


def _sweeps_of(found: Sequence[Any]) -> str | None:
    names = list(dict.fromkeys(name for one in found for name in one.subjects.captures))
    return (" · ".join(names) if len(names) < 3 else f"{len(names)} sweeps") or None


def steps(items: Sequence[tuple[str, Sequence[str]]]) -> html.Ol:
    """Return steps, each with the cautions that it names."""
    return html.Ol([html.Li([html.P(text), cautions(ids)]) for text, ids in items], className="steps")


def cautions(ids: Sequence[str]) -> html.Details | None:
    """Return the cautions of a step: titles in view, texts behind."""
    if not ids:
        return None
    known = [CATALOGUE[id_] for id_ in ids if id_ in CATALOGUE]
    titles = " · ".join(caution.title for caution in known)
    texts = [html.P([html.Strong(caution.title + ": "), caution.text]) for caution in known]
    return html.Details([html.Summary(["Before you do: ", titles]), *texts], className="cautions")


def trouble(problem: SpectraError) -> html.Div:
    """Return an error of ours: what was found, what was expected, how to mend it."""
    where = problem.source.replace("\\", "/").rpartition("/")[2]
    place = where if problem.line is None else f"{where}, line {problem.line}"
    return html.Div(
        [
            html.P([html.Strong(f"{place}: "), f"found {problem.found}; expected {problem.expected}."]),
            html.P(problem.mend, className="mend"),
        ],
        className="trouble",
    )


def entry(label: str, control: Any, *, why: str | None = None) -> html.Div:
    """Return a control under its label; the control has to have an id."""
    found: Parts = [html.Label(label, htmlFor=control.id), control]
    if why:
        found.append(html.P(why, className="why"))
    return html.Div(found, className="entry")


def pick(id: str, label: str, options: Mapping[str, str], value: str | None, *, nothing: str | None = None) -> html.Div:  # noqa: A002
    """Return a choice of one, as the browser's own field: its value goes into the store `id` (``Input(id, "data")``).

    Parameters
    ----------
    id : str
    label : str
    options : mapping of str to str
        Values to words.
    value : str or None
        The one chosen.
    nothing : str or None
        Words for the empty value, which then comes first.
    """
    shown = {**({} if nothing is None else {"": nothing}), **options}
    chosen = value if value in shown else next(iter(shown), "")
    field = html.Select(
        [html.Option(words, value=key, selected=key == chosen) for key, words in shown.items()],
        id=f"{id}-field",
        className="field",
        **{"data-sets": id},
    )
    return html.Div([html.Label(label, htmlFor=field.id), field, dcc.Store(id=id, data=chosen)], className="entry")


def toggles(id: str, label: str, options: Mapping[str, str], on: Sequence[str]) -> html.Div:  # noqa: A002
    """Return switches side by side; the list of those that are on goes into the store `id` (``Input(id, "data")``)."""
    buttons = [
        html.Button(
            words,
            className="take toggle",
            type="button",
            **{"aria-pressed": "true" if key in on else "false", "data-toggles": id, "data-value": key},
        )
        for key, words in options.items()
    ]
    kept = dcc.Store(id=id, data=[key for key in options if key in on])
    return html.Div([*buttons, kept], className="toggles", role="group", **{"aria-label": label})


def waiting(words: str = "One moment …") -> html.P:
    """Return what stands where a page is still to come."""
    return html.P(words, className="waiting", role="status")


def pager(path: str, query: Mapping[str, Any], page: int, rows: int, total: int) -> html.Nav | None:
    """Return links to the pages before and after; None where one page holds all."""
    pages = max(1, -(-total // rows))
    if pages == 1:
        return None
    first, last = (page - 1) * rows + 1, min(page * rows, total)
    turns = [
        dcc.Link(word, href=link(path, **{**query, "page": target if target > 1 else None}), className="button second")
        for word, target in (("Newer", page - 1), ("Older", page + 1))
        if 1 <= target <= pages
    ]
    return html.Nav(
        [html.Span(f"{first} to {last} of {total}, page {page} of {pages}"), html.Span(turns, className="turn")],
        className="pager",
        **{"aria-label": "Pages of this list"},
    )


def number(name: str, said: Any, note: Any = None, source: Any = None) -> html.Div:
    """Return a number that matters: what it is, its value with uncertainty, what it means, where it comes from."""
    found: Parts = [html.P(name, className="name"), html.P(said, className="value")]
    if note is not None:
        found.append(html.P(note, className="note"))
    if source is not None:
        found.append(html.P(source, className="note"))
    return html.Div(found, className="number")
