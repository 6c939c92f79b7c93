"""What goes in comes out: whole, once, byte for byte."""

import dataclasses
import hashlib
import multiprocessing
import pickle
import threading
from pathlib import Path

import pytest

from spectra.archive import Search, content_sha256, list_captures, open_archive
from spectra.archive.ready import packed_entry
from spectra.archive.record import ResultRecord
from spectra.archive.store import Archive
from spectra.errors import ArchiveError


def test_stored_and_read_back(archive: Archive, make_record, plan) -> None:
    entry = make_record(3, findings=(("line.no_supply", "fault"),), plan=plan.sha256)
    assert archive.add(entry, plan=plan)
    (row,) = list_captures(archive)
    assert (row["vessel"], row["verdict"], row["satellite"], row["faults"]) == (
        "Example",
        "confirmed",
        "Nimbus Test",
        1,
    )
    value = archive.capture(row["key"][:10])
    capture = entry.captures[0]
    assert value["results"][0]["identification"] == capture.result.body["identification"]
    assert value["context"] == {"vessel": "Example", "terminal": "A"}
    (raw,) = archive.raw_files(row["key"])
    assert (raw.name, raw.data) == ("sweep3.csv", capture.raw[0].data)
    assert value["raw"][0]["sha256"] == hashlib.sha256(raw.data).hexdigest()
    assert archive.plan_file(plan.sha256).raw == plan.raw


def test_twice_is_once(archive: Archive, make_record, plan) -> None:
    assert archive.add(make_record(1, plan=plan.sha256), plan=plan)
    before = content_sha256(archive)
    assert not archive.add(make_record(1, plan=plan.sha256, made_at="2027-01-01T00:00:00.000000Z"), plan=plan)
    assert content_sha256(archive) == before
    assert archive.holds(make_record(1).key, plan.sha256, None, "0.1.0")
    assert not archive.holds(make_record(1).key, None, None, "0.1.0")
    assert not archive.holds(make_record(1).key, plan.sha256, None, "0.2.0")


def test_another_context_replaces_and_keeps(archive: Archive, make_record) -> None:
    archive.add(make_record(1))
    archive.add(make_record(1, remark="corrected"))
    assert len(list_captures(archive)) == 1
    both = list_captures(archive, Search(replaced=True))
    assert [row["replaced"] for row in both] == [False, True]
    assert archive.capture(both[0]["key"])["context"]["remark"] == "corrected"


def test_newer_result_becomes_the_current_one(archive: Archive, make_record, plan) -> None:
    entry = make_record(1, findings=(("a.b", "warning"),))
    archive.add(entry)
    key = entry.captures[0].key
    newer = make_record(1, verdict="contradicted", satellite="Stratus Test", centres=(1.3e9, 1.4e9)).captures[0].result
    newer = dataclasses.replace(newer, plan_sha256=plan.sha256, made_at="2026-04-01T00:00:00.000000Z")
    assert archive.add_result(key, newer, plan=plan, chain=None)
    assert not archive.add_result(key, newer, plan=plan, chain=None)
    (row,) = list_captures(archive)
    assert (row["verdict"], row["satellite"], row["carriers"], row["warnings"]) == (
        "contradicted",
        "Stratus Test",
        2,
        0,
    )
    assert list_captures(archive, Search(finding="a.b")) == []
    assert [r["plan"] for r in archive.capture(key)["results"]] == [plan.sha256, None]
    # an older one that comes late does not become current
    older = ResultRecord("0.0.9", "2020-01-01T00:00:00.000000Z", None, None, entry.captures[0].result.body)
    assert archive.add_result(key, older, plan=None, chain=None)
    assert list_captures(archive)[0]["verdict"] == "contradicted"


def test_all_or_nothing(archive: Archive, make_record) -> None:
    """A failure at any statement that stores an entry leaves no trace of it; each is tried in turn."""
    import sqlalchemy as sa

    archive.add(make_record(0))
    before = content_sha256(archive)
    entry = make_record(1)
    two = dataclasses.replace(entry, captures=(*entry.captures, *make_record(2).captures))
    tried, done = 0, False
    while not done:
        left = [tried]

        def failing(*_: object, left: list[int] = left) -> None:
            if left[0] == 0:
                raise RuntimeError("pulled the plug")
            left[0] -= 1

        sa.event.listen(archive.engine, "before_cursor_execute", failing)
        try:
            done = archive.add(two)
        except RuntimeError:
            tried += 1
        finally:
            sa.event.remove(archive.engine, "before_cursor_execute", failing)
        assert done or content_sha256(archive) == before
    assert tried >= 8  # captures, blobs, raw files, results, findings, carriers, list of the visit
    assert not archive.add(two)
    assert len(list_captures(archive)) == 3


def test_an_entry_twice_in_one_transaction(archive: Archive, make_record) -> None:
    """The second is known, whether or not what the first has besides its row was written yet."""
    first, second = make_record(1), make_record(2)
    assert archive.add_all([first, second, first]) == [True, True, False]
    assert len(list_captures(archive)) == 2
    (newer,) = (dataclasses.replace(c.result, made_at="2030-01-01T00:00:00.000000Z") for c in first.captures)
    later = dataclasses.replace(
        first,
        captures=tuple(
            dataclasses.replace(c, result=dataclasses.replace(newer, software="later")) for c in first.captures
        ),
    )
    assert archive.add_all([make_record(3), later]) == [True, True]
    assert archive.capture(first.captures[0].key)["results"][0]["software"] == "later"


def test_damaged_bytes_are_noticed(archive: Archive, make_record) -> None:
    import sqlalchemy as sa

    entry = make_record(1)
    archive.add(entry)
    sha = entry.captures[0].raw[0].sha256
    with archive.engine.begin() as connection:
        connection.execute(sa.text("UPDATE blob SET data = :d WHERE sha256 = :s"), {"d": b"x\x9cnothing", "s": sha})
    with pytest.raises(ArchiveError, match="damaged"):
        archive.raw_files(entry.captures[0].key)
    with pytest.raises(ArchiveError, match="not there"):
        archive.blob("0" * 64)


def test_key_must_fit_one(archive: Archive, make_record) -> None:
    archive.add(make_record(1))
    archive.add(make_record(2))
    with pytest.raises(ArchiveError, match="no capture"):
        archive.capture("zz")
    with pytest.raises(ArchiveError, match="several"):
        archive.capture("")
    with pytest.raises(ArchiveError, match="no capture"):
        archive.capture("%")


def _fill(place: str, numbers: list[int], make) -> None:
    with open_archive(place) as mine:
        for number in numbers:
            mine.add(make(number))


def test_two_writers_at_once(place: str, make_record) -> None:
    """Both open a place where nothing is yet, and store the same entries in other orders."""
    orders = [list(range(12)), list(range(11, -1, -1)), list(range(5, 12))]
    threads = [threading.Thread(target=_fill, args=(place, order, make_record)) for order in orders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with open_archive(place) as archive:
        rows = list_captures(archive)
        assert sorted(row["name"] for row in rows) == sorted(f"sweep{n}.csv" for n in range(12))
        assert all(len(archive.capture(row["key"])["results"]) == 1 for row in rows)


@pytest.mark.slow
def test_two_processes_at_once(place: str, make_record) -> None:
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=_fill, args=(place, order, make_record)) for order in ([0, 1, 2], [2, 1, 0])]
    for process in processes:
        process.start()
    for process in processes:
        process.join(120)
        assert process.exitcode == 0
    with open_archive(place) as archive:
        assert len(list_captures(archive)) == 3


def test_a_packed_entry_is_stored_as_a_plain_one(tmp_path: Path, make_record) -> None:
    """What workers pack and what is packed when it is stored is the same; so is what is asked of it."""
    entry = make_record(3, centres=(1.25e9, 1.4e9), findings=(("line.ripple", "warning"),))
    kept = []
    for name, record in (("plain", entry), ("packed", pickle.loads(pickle.dumps(packed_entry(entry))))):
        with open_archive(tmp_path / f"{name}.sqlite") as archive:
            assert archive.add(record)
            assert not archive.add(entry) and not archive.add(packed_entry(entry))
            capture = entry.captures[0]
            assert archive.holds_all([entry.key, "0" * 64], None, None, capture.result.software) == {entry.key}
            assert archive.holds_all([entry.key], "a" * 64, None, capture.result.software) == set()
            raw = capture.raw[0]
            assert archive.holds_raw({raw.sha256, "0" * 64}) == {raw.sha256}
            assert archive.raw_files(capture.key)[0].data == raw.data
            kept.append(content_sha256(archive))
    assert kept[0] == kept[1]
