"""The receive chain: its LO states in a form that the library checks with every change; every version kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dash import Input, Output, State, ctx, dcc, html, no_update
from flask import Response, request

from dashboard import parts
from dashboard.chains import CABLE_FIELDS, CHAIN_FIELDS, STATE_FIELDS, Judged, form_of, judged, keep_chain, states_in
from dashboard.registry import Page, Place
from dashboard.take import file_name
from dashboard.versions import edition_list, views
from dashboard.words import count
from spectra.archive import list_editions, load_plan, newest_edition
from spectra.archive.editions import last_number, plan_key

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk

_LABELS = {
    "name": "Name",
    "if_min_mhz": "IF from, MHz",
    "if_max_mhz": "IF to, MHz",
    "line_gain_db": "Gain to the analyser, dB",
    "reference_ppm": "Analyser's reference, ± ppm",
    "lo_mhz": "LO, MHz",
    "injection": "Injection",
    "rf_min_mhz": "RF from, MHz",
    "rf_max_mhz": "RF to, MHz",
    "polarisation": "Polarisation",
    "supply_v": "Supply, V",
    "tone_22khz": "22 kHz tone",
    "tolerance_khz": "LO tolerance, ± kHz",
    "length_m": "Length, m",
    "velocity_factor": "Velocity factor",
    "attenuation_a": "Loss a, dB/100 m at 1 GHz (√f)",
    "attenuation_b": "Loss b, dB/100 m at 1 GHz (f)",
}
_CHOICES = {
    "injection": {"low": "low: IF = RF − LO", "high": "high: IF = LO − RF"},
    "polarisation": {"": "none of its own", "H": "H", "V": "V", "L": "L", "R": "R"},
    "tone_22khz": {"": "not told", "on": "on", "off": "off"},
}


def layout(desk: Desk, place: Place) -> Any:
    """Return the page: the version that the address names, else the newest."""
    sha256, since = None, last_number(desk.archive)  # first: who saves between this and the next is noticed
    if place.query.get("version"):
        sha256 = plan_key(desk.archive, "chain", place.query["version"])
    elif place.query.get("new") != "1":
        newest = newest_edition(desk.archive, "chain")
        sha256 = None if newest is None else newest.sha256
    _, chain = desk.plan(None, sha256)
    form = form_of(chain)
    base = {"base": sha256, "since": since, "name": "chain.toml" if chain is None else chain.file}
    said = judged(form, chain)
    return html.Div(
        [
            parts.heading(
                "Receive chain",
                about="What lies between sky and analyser. Which voltage and tone select which LO state is the "
                "terminal's own matter, so it is yours to say.",
            ),
            views("chain"),
            html.Div(_answer(said, changed=False), id="chain-answer", **{"aria-live": "polite"}),
            html.Div(_tools(sha256, said, changed=False), id="chain-tools", className="tools"),
            html.Div(_fields(form), id="chain-fields", className="chain", **{"data-form": "chain-form"}),
            html.Div(_history(desk, sha256), id="chain-history"),
            *[dcc.Store(id=f"chain-{name}") for name in ("form", "act")],
            dcc.Store(id="chain-base", data=base),
        ],
        className="table",
    )


def _answer(said: Judged, *, changed: bool) -> html.Section:
    unsaved = " Not saved yet." if changed else ""
    if said.problem is not None:
        problem = said.problem
        sentence = f"{said.place}: found {problem.found}; expected {problem.expected}. {problem.mend}{unsaved}"
        return parts.answer("Cannot be used yet", sentence, kind="bad")
    chain = said.chain
    assert chain is not None
    states = count(len(chain.lo_states), "LO state")
    name = chain.name or "The chain"
    if chain.warnings:
        first = chain.warnings[0]
        sentence = f"{name} can be used, {states}. Look at {first.found}; expected {first.expected}.{unsaved}"
        return parts.answer("Usable", sentence, kind="open")
    return parts.answer("In order", f"{name} is in order: {states}.{unsaved}", kind="good")


def _tools(base: str | None, said: Judged, *, changed: bool) -> list[Any]:
    export = (
        [html.A("Export as TOML", href=f"/chain.toml?version={base[:16]}", className="tool", download="")]
        if base
        else []
    )
    return [
        _tool("Add LO state", "add"),
        html.Span(className="gap"),
        *export,
        dcc.Link("Begin with an empty chain", href="/table/chain?new=1", className="tool"),
        _tool("Save as new version", "save", kind="button", off=not changed or said.chain is None),
    ]


def _tool(words: str, what: str, *, n: str = "", kind: str = "tool", off: bool = False, label: str = "") -> html.Button:
    more = {"data-act": "chain-act", "data-what": what, **({"data-n": n} if n else {})}
    more |= {"aria-label": label} if label else {}
    return html.Button(words, className=kind, type="button", disabled=off, **more)


def _fields(form: Mapping[str, Any]) -> list[Any]:
    numbers = states_in(form)
    states = [_state(form, number, nth, alone=len(numbers) == 1) for nth, number in enumerate(numbers, 1)]
    return [
        parts.sheet("Chain", html.Div([_entry(form, f"chain.{key}", key) for key in CHAIN_FIELDS], className="fields")),
        parts.sheet("LO states", html.Div(states, className="states")),
        parts.sheet(
            "Cable",
            html.Div([_entry(form, f"cable.{key}", key) for key in CABLE_FIELDS], className="fields"),
            about="Optional; it lets ripple in a sweep be told as a length of cable.",
        ),
    ]


def _state(form: Mapping[str, Any], number: int, nth: int, *, alone: bool) -> html.Div:
    name = str(form.get(f"state.{number}.name") or "")
    out = _tool("Take out", "remove", n=str(number), off=alone, label=f"Take out LO state {nth} {name}".strip())
    return html.Div(
        [
            html.Div([html.H3(f"{nth}. {name or 'new LO state'}"), out], className="head"),
            html.Div(
                [_entry(form, f"state.{number}.{key}", key, f", LO state {nth}") for key in STATE_FIELDS],
                className="fields",
            ),
            dcc.Input(
                type="hidden",
                name=f"state.{number}.origin",
                value=str(form.get(f"state.{number}.origin") or ""),
                id=f"chain-state-{number}-origin",
            ),
        ],
        className="state",
        role="group",
        **{"aria-label": f"LO state {nth}"},
    )


def _entry(form: Mapping[str, Any], name: str, key: str, about: str = "") -> html.Div:
    value = str(form.get(name) or "")
    own = f"chain-{name.replace('.', '-')}"
    if key in _CHOICES:
        options = _CHOICES[key] if value in _CHOICES[key] else {**_CHOICES[key], value: value}
        field: Any = html.Select(
            [html.Option(words, value=said, selected=said == value) for said, words in options.items()],
            id=own,
            name=name,
            className="field",
        )
    else:
        mode = "text" if key == "name" else "decimal"
        field = dcc.Input(
            id=own,
            name=name,
            type="text",
            inputMode=mode,
            value=value,
            className="field",
            maxLength=200,
            autoComplete="off",
        )
    label = html.Label([_LABELS[key], html.Span(about, className="unseen")], htmlFor=own)
    return html.Div([label, field], className="entry")


def _history(desk: Desk, current: str | None) -> html.Section:
    found = list_editions(desk.archive, "chain")
    return parts.sheet("Versions", edition_list(found, current, "/table/chain"))


def register(app: Dash, desk: Desk) -> None:
    """Let answer and buttons follow the form."""

    @app.callback(
        Output("chain-answer", "children"),
        Output("chain-tools", "children"),
        Output("chain-fields", "children"),
        Output("chain-history", "children"),
        Output("chain-base", "data"),
        Output("chain-form", "data"),
        Input("chain-form", "data"),
        Input("chain-act", "data"),
        State("chain-base", "data"),
        prevent_initial_call=True,
    )
    def _step(form: dict[str, Any] | None, act: dict[str, Any] | None, base: dict[str, Any]) -> tuple[Any, ...]:
        _, before = desk.plan(None, base["base"])
        held = dict(form or form_of(before))
        fields: Any = no_update
        history: Any = no_update
        if ctx.triggered_id == "chain-act" and act:
            if act.get("what") == "save":
                base = _save(desk, held, before, base)
                history = _history(desk, base["base"])
                _, before = desk.plan(None, base["base"])
                held = form_of(before)
            else:
                _add_or_remove(held, act)
            fields = _fields(held)
        said = judged(held, before, base["name"])
        changed = {k: v for k, v in held.items() if "origin" not in k} != {
            k: v for k, v in form_of(before).items() if "origin" not in k
        }
        back = held if fields is not no_update else no_update
        tools = _tools(base["base"], said, changed=changed)
        return _answer(said, changed=changed), tools, fields, history, base, back

    app.server.add_url_rule("/chain.toml", "chain-toml", lambda: _export(desk))


def _save(desk: Desk, form: dict[str, Any], before: Any, base: dict[str, Any]) -> dict[str, Any]:
    said = judged(form, before, base["name"])
    if said.problem is not None:
        raise said.problem
    assert said.chain is not None
    since = last_number(desk.archive)
    kept = keep_chain(desk.archive, said.chain, base["base"], base["since"])
    return base if kept is None else {**base, "base": kept.sha256, "since": since}


def _add_or_remove(form: dict[str, Any], act: Mapping[str, Any]) -> None:
    numbers = states_in(form)
    if act.get("what") == "add":
        fresh = max(numbers, default=-1) + 1
        form |= {f"state.{fresh}.{key}": "low" if key == "injection" else "" for key in ("origin", *STATE_FIELDS)}
    elif act.get("what") == "remove" and len(numbers) > 1:
        for key in [key for key in form if key.startswith(f"state.{act.get('n')}.")]:
            del form[key]


def _export(desk: Desk) -> Response:
    from spectra.errors import SpectraError

    try:
        sha256 = plan_key(desk.archive, "chain", request.args.get("version", ""))
        raw = desk.archive.plan_file(sha256, "chain").raw
        load_plan(desk.archive, None, sha256)
    except SpectraError as problem:
        words = f"Found {problem.found}; expected {problem.expected}. {problem.mend}\n"
        return Response(words, status=404, mimetype="text/plain")
    name = file_name(raw.name.removesuffix(".toml"), ".toml")
    return Response(
        raw.data, mimetype="application/toml", headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )


PAGE = Page("chain", "/table/chain", "Receive chain", layout, register)
