"""The carrier table's page and the receive chain's: editing, checking, importing, suggesting, versions; and attacks."""

from __future__ import annotations

import csv
import io
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import spectra
from dashboard.app import make_app
from dashboard.chains import form_of, judged, keep_chain
from dashboard.desk import Desk
from dashboard.grid import column_of, rows_of
from dashboard.holding import hold
from dashboard.intake import take_table
from dashboard.suggesting import accept, propose
from dashboard.tables import MOST_TABLE_BYTES, Work
from spectra.archive import VisitSearch, list_editions, load_plan, open_archive
from spectra.archive.editions import last_number
from spectra.errors import ArchiveError, SpectraError, UsageError
from spectra.plan import load_table

DEMO = Path(spectra.__file__).parents[1] / "captures_demo"
FORMULA = '=HYPERLINK("http://evil.example/","x")'
SCRIPT = '<img src=x onerror="document.title=1">'


@pytest.fixture
def own(archive_file: Path, tmp_path: Path):
    """A desk on an archive of the test's own: versions saved here are nobody else's."""
    shutil.copy(archive_file, tmp_path / "own.sqlite")
    desk = Desk(open_archive(tmp_path / "own.sqlite"), processes=1)
    yield desk
    desk.close()


@pytest.fixture
def work(own: Desk) -> Work:
    return own.tables.begin(own.archive, list_editions(own.archive, "plan")[0].sha256)


def _cell(work: Work, row: int, column: str) -> str:
    found = next(each for each in work.sheet.rows if each.id == row)
    return found.cells[work.sheet.header.index(column)]


def test_stored_table_opens_as_it_is(own: Desk, work: Work) -> None:
    checked = work.checked()
    assert checked.loads and checked.sha256 == work.base and not checked.marks
    assert work.save(own.archive) is None and len(list_editions(own.archive, "plan")) == 1


def test_marks_are_those_of_the_library(work: Work, tmp_path: Path) -> None:
    """Held against `sweepmuster table check` on the same cells as a file."""
    from spectra.plan import check_table

    work.set_cells(3, {"rf_mhz": "abc", "remark": "two\nlines"})
    work.set_cells(5, {"polarisation": "X", "symbol_rate_kbd": "27,5"})
    path = tmp_path / "t.csv"
    path.write_text(work.sheet.text(), encoding="utf-8")
    expected = [(p.line, p.column, p.severity) for p in check_table(path).problems]
    assert [(m.line, m.column, m.severity) for m in work.checked().marks] == expected
    # a cell of two lines moves the lines below it, the rows' own numbers stay
    at = {(m.row, m.column): m.line for m in work.checked().marks}
    assert at[(3, "rf_mhz")] == 4 and at[(5, "polarisation")] == 7
    rows = {row["_id"]: row for row in rows_of(work, work.checked())}
    assert rows["3"]["_said"].startswith("1 fault") and rows["5"]["_line"] == 7


def test_trying_changes_nothing(work: Work) -> None:
    before = work.sheet
    assert [m.column for m in work.tried(3, "rf_mhz", "abc")] == ["rf_mhz"]
    assert work.tried(3, "rf_mhz", "11720") == () or all(
        m.severity == "warning" for m in work.tried(3, "rf_mhz", "11720")
    )
    assert work.sheet is before and not work.unsaved


def test_undo_redo_and_what_changed(work: Work) -> None:
    first = work.sheet
    work.set_cells(3, {"remark": "seen from the quay"})
    work.add_row({"satellite": "Fairlead 2"})
    work.remove_rows([1, 2])
    assert work.changes() == "1 row changed, 1 row added, 2 rows taken out"
    third = work.sheet
    for _ in range(3):
        work.undo()
    assert work.sheet is first and not work.unsaved
    for _ in range(9):
        work.redo()
    assert work.sheet is third
    work.undo()
    work.set_cells(4, {"remark": "another way"})
    work.redo()
    assert _cell(work, 4, "remark") == "another way"


def test_saving_makes_a_version_and_leaves_results_alone(own: Desk, work: Work) -> None:
    visit = own.visits(VisitSearch(), offset=0, limit=1).rows[0]["key"]
    base = work.base
    work.set_cells(3, {"remark": "moved"})
    kept = work.save(own.archive)
    assert kept is not None and kept.parent == base and kept.note == "1 row changed"
    newest, oldest = list_editions(own.archive, "plan")
    assert (newest.sha256, oldest.sha256) == (work.base, base) and oldest.results == 3 and newest.results == 0
    assert own.review(visit).visit.table.sha256 == base
    # the next visit takes the edited one
    assert own.last_plan()[0].sha256 == kept.sha256
    # back to the old: a further version with the old content
    again = own.tables.begin(own.archive, base)
    again.base, again.since = work.base, work.since
    assert again.save(own.archive).sha256 == base
    assert list_editions(own.archive, "plan")[0].sha256 == base and own.last_plan()[0].sha256 == base


def test_visit_held_against_a_version_keeps_its_old_results(own: Desk, work: Work) -> None:
    visit = own.visits(VisitSearch(), offset=0, limit=1).rows[0]["key"]
    base, before = work.base, own.review(visit)
    shown = next(row["key"] for row in own.visit_list(visit) if row["verdict"] == "confirmed")
    old = own.archive.capture(shown)["results"][0]
    row = next(e.row for e in own.capture(shown).review.identification.roll_call if e.status == "present")
    work.remove_rows([each.id for line, each in zip(work.sheet.starts(), work.sheet.rows, strict=True) if line == row])
    work.save(own.archive)
    held = hold(own, visit, work.base, lambda done, total: None)
    changed = next(each for each in held.captures if each.key == shown)
    assert changed.changes and len(held.captures) == len(before.captures)
    results = own.archive.capture(shown)["results"]
    assert [result["plan"] for result in results] == [work.base, base] and results[1] == old
    after = own.review(visit)
    assert after.visit.table.sha256 == work.base and len(after.visit.table) == len(before.visit.table) - 1


def test_two_at_one_table_lose_nothing(own: Desk, work: Work) -> None:
    other = own.tables.begin(own.archive, work.base)
    work.set_cells(3, {"remark": "mine"})
    other.set_cells(3, {"remark": "yours"})
    assert work.save(own.archive) is not None
    with pytest.raises(ArchiveError, match="somebody else"):
        other.save(own.archive)
    assert _cell(other, 3, "remark") == "yours" and other.unsaved


def test_who_saves_while_another_opens_is_noticed(own: Desk, work: Work) -> None:
    since = last_number(own.archive)
    chosen = work.base  # the newest, as the page chose it; then somebody else is faster
    work.set_cells(3, {"remark": "faster"})
    assert work.save(own.archive) is not None
    late = own.tables.begin(own.archive, chosen, since)
    late.set_cells(3, {"remark": "slower"})
    with pytest.raises(ArchiveError, match="somebody else"):
        late.save(own.archive)


def test_table_with_faults_is_not_saved(own: Desk, work: Work) -> None:
    work.set_cells(3, {"rf_mhz": "abc"})
    with pytest.raises(SpectraError, match="found 'abc'"):
        work.save(own.archive)
    assert len(list_editions(own.archive, "plan")) == 1


def test_changed_frequency_loses_the_step_stated_beside_it(own: Desk) -> None:
    raw = b"satellite,polarisation,rf_mhz,rf_step_khz\nFairlead 2,H,11720.000,1\nFairlead 2,H,11760.5,100\n"
    work = own.tables.begin(own.archive, None)
    take_table(own, work.key, "steps.csv", raw)
    work.put(work.offered.sheet)
    row = work.sheet.rows[0].id
    assert _cell(work, row, "rf_step_khz") == "1"
    work.set_cells(row, {"rf_mhz": "11721.25"})
    assert _cell(work, row, "rf_step_khz") == "" and work.table().rf_step_hz[0] == 10e3


def test_import_of_scan_text_and_of_a_table_with_faults(own: Desk, work: Work, scan_text: str) -> None:
    told = take_table(own, work.key, "../../Kittiwake-2-13.5E", scan_text.encode())
    assert told["name"] == "Kittiwake-2-13.5E" and "1 carrier of Kittiwake-2" in told["words"].replace(
        "Kittiwake 2", "Kittiwake-2"
    )
    (row,) = work.offered.table
    assert (row.rf_hz, row.symbol_rate_bd, row.polarisation, row.orbital_longitude_deg) == (11720e6, 27.5e6, "H", 13.5)
    bad = b"satellite;polarisation;rf_mhz\nFairlead 2;Q;11720,5\nFairlead 2;H;\n"
    assert "2 faults" in take_table(own, work.key, "mine.csv", bad)["words"]
    work.put(work.offered.sheet)
    assert work.offered.table is None and not work.checked().loads
    rows = [each.id for each in work.sheet.rows]
    work.set_cells(rows[0], {"polarisation": "V"})
    work.set_cells(rows[1], {"rf_mhz": "11760,0"})
    assert work.checked().loads and work.table().rf_hz.tolist() == [11720.5e6, 11760e6]
    with pytest.raises(SpectraError):
        take_table(own, work.key, "noise.bin", bytes(range(256)))
    assert list((work.folder / "taken").iterdir()) == []


def test_table_without_a_column_can_be_mended(own: Desk, work: Work) -> None:
    take_table(own, work.key, "half.csv", b"satellite,rf_mhz\nFairlead 2,11720\n")
    work.put(work.offered.sheet)
    assert "polarisation" in work.sheet.header
    work.set_cells(work.sheet.rows[0].id, {"polarisation": "H"})
    assert work.checked().loads


def test_suggestions_are_accepted_row_by_row(own: Desk, work: Work) -> None:
    """A row that the confirmed sweep shows is taken out, and one is told wrongly: both come back as suggestions."""
    shown = next(
        own.capture(row["key"])
        for row in own.captures(_all())[0]
        if own.capture(row["key"]).review.verdict == "confirmed"
    )
    present = [e for e in shown.review.identification.roll_call if e.status == "present" and e.offset_hz is not None]
    lines = {line: row.id for line, row in zip(work.sheet.starts(), work.sheet.rows, strict=True)}
    gone = lines[present[0].row]
    was = next(row for row in work.sheet.rows if row.id == gone)
    work.remove_rows([gone])
    found = propose(own, work, lambda done, total: None)
    assert found.used == 1 and [edit.action for edit in found.edits] == ["add"]
    work.proposal = found
    rows = len(work.sheet.rows)
    accept(work, 1)
    assert len(work.sheet.rows) == rows + 1
    fresh = dict(zip(work.sheet.header, work.sheet.rows[-1].cells, strict=True))
    old = dict(zip(work.sheet.header, was.cells, strict=True))
    assert fresh["satellite"] == old["satellite"] and fresh["polarisation"] == old["polarisation"]
    assert float(fresh["rf_mhz"]) == pytest.approx(float(old["rf_mhz"]), abs=0.1)
    assert fresh["orbital_longitude_deg"] == old["orbital_longitude_deg"]
    work.undo()
    assert len(work.sheet.rows) == rows
    for number in (0, 2):
        with pytest.raises(UsageError):
            accept(work, number)


def _all():
    from spectra.archive import Search

    return Search(limit=10)


def test_fields_of_the_grid_are_not_names_from_files(work: Work) -> None:
    sheet = work.sheet
    assert column_of(sheet, "c0") == sheet.header[0]
    for field in ("c999", "c-1", "c", "__proto__", "c0.x", "rf_mhz", "c²"):
        assert column_of(sheet, field) is None


def test_hostile_cells_come_out_as_texts(own: Desk, work: Work, tmp_path: Path) -> None:
    """Exported for a spreadsheet: formulas guarded, numbers not (OWASP, CSV injection, from memory)."""
    work.set_cells(3, {"remark": FORMULA, "beam": "@SUM(A1)"})
    work.set_cells(4, {"remark": SCRIPT, "network_id": "-12.5"})
    work.save(own.archive)
    client = make_app(own).server.test_client()
    answer = client.get(f"/table.csv?version={work.base[:16]}")
    assert answer.headers["Content-Disposition"] == 'attachment; filename="carriers.csv"'
    text = answer.data.decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert rows[2]["remark"] == "'" + FORMULA and rows[2]["beam"] == "'@SUM(A1)" and rows[3]["remark"] == SCRIPT
    assert rows[0]["orbital_longitude_deg"] == "-151" and rows[3]["network_id"] == "-12.5"
    cells = {cell for row in rows for cell in row.values()}
    assert not [c for c in cells if c[:1] in ("=", "+", "@", "\t", "\r") or (c[:1] == "-" and not _number(c))]
    # and read back they are what was typed
    path = tmp_path / "back.csv"
    path.write_bytes(answer.data)
    assert load_table(path).sha256 == work.base
    assert client.get("/table.csv?version=zz").status_code == 404
    assert client.get("/table.csv?version=../../etc").status_code == 404


def _number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_intake_refuses_politely(own: Desk, work: Work) -> None:
    client = make_app(own).server.test_client()
    client.environ_base["HTTP_ORIGIN"] = "http://localhost"
    good = client.post(
        f"/table-drop/{work.key}?name=../../../x.csv", data=b"satellite,polarisation,rf_mhz\nA,H,11720\n"
    )
    assert good.status_code == 200 and good.json["name"] == "x.csv"
    assert client.post("/table-drop/none?name=a.csv", data=b"x").status_code == 422
    bad = client.post(f"/table-drop/{work.key}?name=a.csv", data=b"\x00\x01\x02")
    assert bad.status_code == 422 and "expected" in bad.json["words"]
    large = client.post(f"/table-drop/{work.key}?name=a.csv", data=bytes(MOST_TABLE_BYTES + 1))
    assert large.status_code == 413
    assert (
        client.post(f"/table-drop/{work.key}", headers={"Origin": "http://evil.example"}, data=b"x").status_code == 403
    )


def test_too_long_and_too_many(work: Work) -> None:
    with pytest.raises(UsageError, match="Shorten"):
        work.set_cells(3, {"remark": "x" * 501})
    with pytest.raises(UsageError, match="no longer there"):
        work.set_cells(10**6, {"remark": "x"})
    with pytest.raises(UsageError, match="no column"):
        work.set_cells(3, {"nothing": "x"})


def test_chain_form_goes_round(own: Desk) -> None:
    _, chain = load_plan(own.archive, None, list_editions(own.archive, "chain")[0].sha256)
    said = judged(form_of(chain), chain, chain.file)
    assert said.problem is None and replace(said.chain, sha256=chain.sha256) == chain
    assert keep_chain(own.archive, said.chain, chain.sha256, 0) is None  # nothing changed


@pytest.mark.parametrize(
    ("field", "text", "place"),
    [
        ("state.1.lo_mhz", "9,75", "LO state 2 (low H), lo mhz"),  # GHz in a field of MHz
        ("state.1.lo_mhz", "", "LO state 2 (low H), lo mhz"),
        ("state.2.name", "low V", "LO state 3 (low V), name"),
        ("state.0.supply_v", "thirteen", "LO state 1 (low V), supply v"),
        ("chain.if_min_mhz", "3000", "Chain, if min mhz"),
        ("cable.velocity_factor", "83", "Cable, velocity factor"),
        ("state.0.injection", '"high"\n[[lo_state]]', "LO state 1 (low V), injection"),
    ],
)
def test_chain_tells_the_field(own: Desk, field: str, text: str, place: str) -> None:
    _, chain = load_plan(own.archive, None, list_editions(own.archive, "chain")[0].sha256)
    said = judged({**form_of(chain), field: text}, chain)
    assert said.chain is None and said.place == place


def test_chain_keeps_keys_that_no_field_shows(own: Desk, tmp_path: Path) -> None:
    from spectra.plan import load_chain

    text = (
        (DEMO / "chain.toml").read_text(encoding="utf-8").replace('name = "high V"', 'name = "high V"\nmaker = "ours"')
    )
    path = tmp_path / "chain.toml"
    path.write_text(text, encoding="utf-8")
    chain = load_chain(path)
    form = form_of(chain)
    for key in [key for key in form if key.startswith("state.0.")]:
        del form[key]
    said = judged(form, chain)
    assert said.chain.extra == {"lo_state.1.maker": "ours"}


WRITTEN = """Satellite;Pol;RF (MHz);Symbol rate (kBd);Berth;Remark
Bollard 1;H;11720,000;27500,0; quay 3;"two
lines"
Bollard 1;V;11740,500;05000;;=HYPERLINK("http://evil.example/")
Bollard 1;H;11760;3000,25;x;'+1 on paper
"""


def _kept_as_written(own: Desk, text: str) -> Work:
    from spectra.archive import keep_edition
    from spectra.archive.record import RawFile
    from spectra.archive.store import PlanFile

    path = own.folder / "written.csv"
    path.write_text(text, encoding="utf-8")
    table = load_table(path)
    file = PlanFile(table.sha256, RawFile("written.csv", path.read_bytes()), rows=len(table))
    keep_edition(own.archive, "plan", file, parent=None, note="", since=last_number(own.archive))
    return own.tables.begin(own.archive, table.sha256)


def test_cells_that_nobody_touched_keep_their_spelling(own: Desk) -> None:
    work = _kept_as_written(own, WRITTEN)
    work.set_cells(2, {"symbol_rate_kbd": "5100.5"})
    kept = work.save(own.archive)
    lines = own.archive.plan_file(kept.sha256).raw.data.decode("utf-8-sig").splitlines()
    before = WRITTEN.splitlines()
    assert [lines[k] for k in (0, 1, 2, 4)] == [before[k] for k in (0, 1, 2, 4)]
    # the cell that was changed as the file writes numbers; a formula is none any more
    assert next(csv.reader([lines[3]], delimiter=";")) == [
        "Bollard 1",
        "V",
        "11740,500",
        "5100,5",
        "",
        '\'=HYPERLINK("http://evil.example/")',
    ]
    # and so again at the next save, rows taken out and added among them
    work.remove_rows([1])
    work.add_row({"satellite": "Bollard 1", "polarisation": "V", "rf_mhz": "11780.25", "symbol_rate_kbd": "100"})
    again = own.archive.plan_file(work.save(own.archive).sha256).raw.data.decode("utf-8-sig").splitlines()
    assert again[0] == before[0] and again[1] == lines[3] and again[2] == before[4]
    assert again[3].startswith("Bollard 1;V;11780,25;100;")


def test_a_column_that_the_file_lacks_comes_behind_its_own(own: Desk) -> None:
    work = _kept_as_written(own, WRITTEN)
    work.set_cells(3, {"beam": "North"})
    lines = own.archive.plan_file(work.save(own.archive).sha256).raw.data.decode("utf-8-sig").splitlines()
    assert lines[0] == WRITTEN.splitlines()[0] + ";beam" and lines[4].endswith(";North")


def test_what_the_files_spelling_cannot_say_is_saved_all_the_same(own: Desk) -> None:
    """The frequency in GHz: what is written in the grid is MHz, so the library's own text is kept."""
    work = _kept_as_written(own, "satellite,polarisation,RF (GHz)\nBollard 1,H,11.7200\nBollard 1,V,11.7400\n")
    work.set_cells(1, {"rf_mhz": "11721"})
    kept = work.save(own.archive)
    table, _ = load_plan(own.archive, kept.sha256, None)
    assert table.rf_hz.tolist() == [11.721e9, 11.74e9]
