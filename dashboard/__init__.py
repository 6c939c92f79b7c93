"""The dashboard: pages over the public face of `spectra`. It computes nothing itself.

Map
---
- ``command.py``: ``sweepmuster dashboard`` (entry point of group ``sweepmuster.commands``); ``server.py``: the threaded
  server; ``security.py``: hosts, origins, log in, content security policy.
- ``app.py``: the application put together; ``shell.py``: the frame (menu, routing, colours, errors in words).
- ``registry.py``: what a page is (`Page`), where the user is (`Place`), addresses (`link`).
- ``desk.py``: what pages work on (`Desk`): the archive's lists, captures and visits as objects of the library, the last
  few kept at hand; ``jobs.py``: work beside a request; ``uploads.py``: files dropped.
- ``viewing.py``: how a sweep is looked at; ``sweepparts.py``: what stands beside its picture; ``take.py``: CSV;
  ``parts.py``: building blocks (answer, finding, steps with cautions, table, figure with downloads).
- ``look.py``: the colours of the three schemes, for style sheet and figures alike; ``assets/``: style sheet, the little
  that runs in the browser.
- On the way out: ``language.py`` (``wording/<code>.toml``: pages are written in English, a catalogue replaces what it
  knows), ``measures.py`` (MHz, dBm, kBd into the units chosen; ``viewing.in_mhz`` for what comes back), ``still.py``
  (parts that no callback touches go as single pieces; ``assets/still.js`` makes elements of them).
- Tables: ``tables.py`` (being edited), ``spelling.py`` (saved in the spelling of the user's file), ``grid.py``.
- Reports: ``papers.py`` (one in the making), ``keeping.py`` (kept with its visit, every version), ``reportparts.py``.
- ``figures/``: pure functions, results and a `Look` in, a plotly figure out, no Dash; ``pages/``: one module a page.

Adding a page
-------------
A module ``pages/<name>.py`` with::

    def layout(desk: Desk, place: Place) -> Any:          # components that show the state the address tells
        shown = desk.capture(place.path["capture"])       # Shown: row, review (CaptureReview), table, chain
        return html.Div([
            parts.heading("Title", trail=[("Visits", "/")]),
            parts.answer(verdict_word, "The answer in a sentence."),
            parts.sheet("Part", parts.figure("its-id", its_figure(...), "what it shows", name="file")),
        ])

    def register(app: Dash, desk: Desk) -> None:          # callbacks: read inputs, call a pure function, return
        ...

    PAGE = Page("name", "/visit/<visit>/name", "Title", layout, register, tab=5)

adds itself: no other file names it. ``nav=N`` puts it into the menu of the whole, ``tab=N`` among the tabs of a visit
(``parts.tabs``; paths with ``<visit>`` or ``<capture>``). Element ids begin with the page's name.

- State lives in the address. What changes which things are shown (filters, pages of a list) are links
  (`registry.link`) or a new ``search`` of ``place``; what only changes how (zoom, cursors, axes) is kept quietly: write
  a dict into a `dcc.Store` and add ``app.clientside_callback(ClientsideFunction("sweepmuster", "keep"),
  Output(<another store>, "data"), Input(<the store>, "data"))``.
- Errors of ours may simply rise, in layouts and in callbacks: the frame shows them in words with the remedy.
- ``Page.tables`` maps a name to ``function(desk, place) -> Table``; ``parts.csv_link`` makes the link.
- Rows with ``data-choose=<store id>`` and ``data-value`` write their value into that store on click or Enter.
- Colours come from `look` only; text from files goes in as text (in figures through ``html.escape``); no
  ``dangerously_allow_html``, no Markdown from data. Nothing is fetched from elsewhere.
- Text is plain English, with figures and names in it; a new sentence gets a line in ``wording/de.toml``
  (``tests/dashboard/test_german.py`` hears one that lacks it). What is the
  user's own (titles, file names) stands in an element of class `language.OWN`. Absolute frequencies are written in MHz,
  levels in dBm, rates in kBd, with the unit behind the figure: the outlet changes them.
- What a callback writes into or reads from has an id that the callback names; elements without one are sent as pieces
  and are no components in the browser.
- Schemes: ``place.scheme`` in layouts, ``scheme.current_look()`` in callbacks.
"""
