"""What is written to a visit for its report: kept, every version, nobody's work written over, carried by a bundle.

Nothing here has an outside measure but the requirement itself: what went in comes out, byte for byte.
"""

from __future__ import annotations

import json
import threading
import zipfile
from pathlib import Path

import pytest
import sqlalchemy as sa

from spectra.archive import (
    add_paths,
    content_sha256,
    database,
    export_captures,
    import_bundle,
    keep_notes,
    last_notes,
    list_captures,
    list_notes,
    open_archive,
    restore_visit,
)
from spectra.archive.record import RawFile
from spectra.archive.restore import visit_state
from spectra.archive.store import Archive, VisitRow
from spectra.errors import ArchiveError
from spectra.visit.visit import Limits

DEMO = Path(__file__).parents[2] / "captures_demo"
KEY = "c" * 64
VISIT = VisitRow(KEY, "spring", "Example", "A", json.dumps({"head": {"title": "as it came"}, "limits": {}}))
PHOTO = RawFile("radome.png", b"\x89PNG\r\n\x1a\n" + b"photo" * 50)


@pytest.fixture
def filled(archive: Archive, make_record) -> Archive:
    archive.add(make_record(1), visit=VISIT)
    return archive


def test_versions_are_kept_and_the_newest_counts(filled: Archive) -> None:
    _, before = visit_state(filled, KEY)
    assert last_notes(filled, KEY) is None
    first = keep_notes(filled, KEY, texts={"title": "Spring", "vessel": "another's"}, attachments=[(PHOTO, "clean")])
    assert dict(first.texts) == {"title": "Spring"}  # whose terminal it is does not change here
    second = keep_notes(filled, KEY, limits=Limits(isolation_min_db=25.0, stated=True), since=first.key)
    assert list_notes(filled, KEY) == [second, first] and last_notes(filled, KEY) == second
    assert second.limits is not None and second.limits.isolation_min_db == 25.0 and second.attachments == ()
    assert filled.blob(first.attachments[0].sha256) == PHOTO.data
    assert visit_state(filled, KEY)[1] != before


def test_nobody_writes_over_another(filled: Archive) -> None:
    first = keep_notes(filled, KEY, texts={"title": "one"}, since=None)
    with pytest.raises(ArchiveError, match="somebody else"):
        keep_notes(filled, KEY, texts={"title": "two"}, since=None)
    with pytest.raises(ArchiveError, match="no visit"):
        keep_notes(filled, "d" * 64, texts={})
    assert list_notes(filled) == [first]


def test_of_many_at_once_one_gets_through(filled: Archive, place: str) -> None:
    won, lost, go = [], [], threading.Barrier(6)

    def work(number: int) -> None:
        with open_archive(place) as own:
            go.wait()
            try:
                won.append(keep_notes(own, KEY, texts={"title": f"by {number}"}, since=None))
            except ArchiveError as problem:
                lost.append(problem)

    threads = [threading.Thread(target=work, args=(k,)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(won) == 1 and len(lost) == 5
    assert list_notes(filled) == won


def test_bundle_carries_them(filled: Archive, tmp_path: Path) -> None:
    keep_notes(filled, KEY, texts={"remark": "=1+1 <b>"}, attachments=[(PHOTO, "clean")])
    keep_notes(filled, KEY, texts={"remark": "later"})
    bundle = tmp_path / "out.zip"
    export_captures(filled, bundle)
    with open_archive(tmp_path / "other.sqlite") as other:
        import_bundle(other, bundle)
        import_bundle(other, bundle)  # again: nothing twice
        assert list_notes(other) == list_notes(filled)
        assert content_sha256(other) == content_sha256(filled)
        assert other.blob(PHOTO.sha256) == PHOTO.data


def test_bundle_with_notes_changed_on_the_way_is_refused(filled: Archive, tmp_path: Path) -> None:
    keep_notes(filled, KEY, texts={"title": "Spring"})
    bundle, forged = tmp_path / "out.zip", tmp_path / "forged.zip"
    export_captures(filled, bundle)
    with zipfile.ZipFile(bundle) as source, zipfile.ZipFile(forged, "w") as target:
        for name in source.namelist():
            target.writestr(name, source.read(name).replace(b"Spring", b"Autumn"))
    with open_archive(tmp_path / "other.sqlite") as other:
        with pytest.raises(ArchiveError, match="not what their key says"):
            import_bundle(other, forged)
        assert list_notes(other) == []


def test_archive_of_the_release_before_gets_the_table(place: str, make_record) -> None:
    database.open_engine(place, head="0002").dispose()
    url = place.replace("postgresql://", "postgresql+psycopg://") if "://" in place else f"sqlite:///{place}"
    engine = sa.create_engine(url)
    with engine.begin() as connection:  # as that release left it
        assert "note" not in sa.inspect(connection).get_table_names()
        values = {"key": KEY, "folder": "spring", "head": VISIT.head}
        connection.execute(sa.text("INSERT INTO visit (key, folder, head) VALUES (:key, :folder, :head)"), values)
    engine.dispose()
    with open_archive(place) as archive:
        assert keep_notes(archive, KEY, texts={"title": "Spring"}) == last_notes(archive, KEY)
    if "://" not in place:
        assert list(Path(place).parent.glob("archive.before-0002-*.sqlite"))


def test_stored_visit_shows_them_and_is_judged_by_them(tmp_path: Path) -> None:
    folder = tmp_path / "visit"
    folder.mkdir()
    for name in ("5_co_port.csv", "5_co_port.csv.toml", "carriers.csv", "chain.toml"):
        (folder / name).write_bytes((DEMO / name).read_bytes())
    (folder / "deck.txt").write_text("Rain.", encoding="utf-8")
    named = '[visit]\ntitle = "As it came"\n[[attachment]]\nfile = "deck.txt"\ncaption = "weather"\n'
    (folder / "visit.toml").write_text(named, encoding="utf-8")
    with open_archive(tmp_path / "a.sqlite") as archive:
        assert add_paths(archive, [folder], processes=1).stored == 1
        visit = archive.capture(list_captures(archive)[0]["key"])["visit"]
        came = restore_visit(archive, visit, tmp_path / "one")
        # what visit.toml named came along
        assert [(a.path.read_text(encoding="utf-8"), a.caption) for a in came.visit.attachments] == [
            ("Rain.", "weather")
        ]
        strict = Limits(isolation_min_db=90.0, floor_tilt_max_db=0.0, stated=True)
        evil = RawFile("../../x\\..\\deck.txt", b"out of here?")
        keep_notes(archive, visit, texts={"title": "Spring"}, limits=strict, attachments=[(PHOTO, "clean"), (evil, "")])
        again = restore_visit(archive, visit, tmp_path / "two")
    assert again.visit.head.title == "Spring" and again.visit.limits == strict
    assert "floor_tilt" in " ".join(c.code for c in again.criteria) and again.statement.answer != came.statement.answer
    first, second = again.visit.attachments
    assert (first.path.read_bytes(), first.caption) == (PHOTO.data, "clean")
    assert second.path.parent == first.path.parent and second.path.name == "deck.txt"
