"""Editions of carrier tables: in order, nothing lost, nobody's work written over."""

import threading

import pytest

from spectra.archive import keep_edition, list_editions, newest_edition, open_archive
from spectra.archive.editions import follow, last_number, plan_key
from spectra.archive.record import RawFile
from spectra.archive.store import Archive, PlanFile
from spectra.errors import ArchiveError


def _file(k: int) -> PlanFile:
    return PlanFile(f"{k:x}" * 64, RawFile("carriers.csv", f"table {k}".encode()), rows=k)


def test_editions_are_kept_in_order_and_content_once(archive: Archive) -> None:
    keep_edition(archive, "plan", _file(1))
    keep_edition(archive, "plan", _file(2), parent=_file(1).sha256, note="1 row changed")
    keep_edition(archive, "plan", _file(1), parent=_file(2).sha256, note="back")
    found = list_editions(archive, "plan")
    assert [edition.sha256[0] for edition in found] == ["1", "2", "1"]
    assert [edition.parent for edition in found] == [_file(2).sha256, _file(1).sha256, None]
    assert newest_edition(archive, "plan") == found[0]
    assert archive.plan_file(_file(2).sha256).raw.data == b"table 2"
    assert list_editions(archive, "chain") == [] and newest_edition(archive, "chain") is None


def test_nobody_saves_over_another(archive: Archive) -> None:
    keep_edition(archive, "plan", _file(1))
    began = last_number(archive)
    keep_edition(archive, "plan", _file(2), parent=_file(1).sha256, since=began)
    keep_edition(archive, "plan", _file(4), since=began)  # another table altogether is in nobody's way
    with pytest.raises(ArchiveError, match="somebody else"):
        keep_edition(archive, "plan", _file(3), parent=_file(1).sha256, since=began)
    assert [edition.sha256[0] for edition in list_editions(archive, "plan")] == ["4", "2", "1"]


def test_of_many_who_save_at_once_one_gets_through(archive: Archive, place: str) -> None:
    keep_edition(archive, "plan", _file(1))
    since, won, lost, go = last_number(archive), [], [], threading.Barrier(6)

    def work(number: int) -> None:
        with open_archive(place) as own:
            go.wait()
            try:
                won.append(keep_edition(own, "plan", _file(number), parent=_file(1).sha256, since=since))
            except ArchiveError as problem:
                lost.append(problem)

    threads = [threading.Thread(target=work, args=(k,)) for k in range(2, 8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(won) == 1 and len(lost) == 5 and all("somebody else" in str(problem) for problem in lost)
    assert len(list_editions(archive, "plan")) == 2


def test_key_from_its_beginning(archive: Archive) -> None:
    keep_edition(archive, "plan", _file(1))
    assert plan_key(archive, "plan", "111") == "1" * 64
    with pytest.raises(ArchiveError, match="no carrier table"):
        plan_key(archive, "plan", "2")


def test_last_of_a_line(archive: Archive) -> None:
    for child, parent in ((1, None), (2, 1), (5, None), (3, 2), (1, 3)):
        keep_edition(archive, "plan", _file(child), parent=None if parent is None else _file(parent).sha256)
    assert follow(archive, "plan", _file(2).sha256) == _file(1).sha256
    assert follow(archive, "plan", _file(5).sha256) == _file(5).sha256
