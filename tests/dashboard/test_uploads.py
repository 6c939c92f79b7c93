"""Files from outside: what they are, and what they may not do."""

from __future__ import annotations

import gzip
import io
import zipfile
from pathlib import Path

import pytest

from dashboard import drafts, uploads
from dashboard.drafts import Drafts, safe_name, unpacks_within
from dashboard.making import make_visit
from spectra.errors import ContextError, UsageError

DEMO = Path(__file__).parents[2] / "captures_demo"


@pytest.fixture
def draft(tmp_path: Path):
    return Drafts(tmp_path).begin()


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("../../etc/passwd", "passwd"),
        ("..\\..\\windows\\win.ini", "win.ini"),
        ("/etc/cron.d/x.csv", "x.csv"),
        ("C:\\x.csv", "x.csv"),
        (".htaccess", "htaccess"),
        ("..", "file"),
        ("", "file"),
        ("con.csv", "_con.csv"),
        ("a\x00b\n.csv", "a_b_.csv"),
        ("noon?*<>|.csv", "noon_____.csv"),
        ("größe 3.csv", "größe 3.csv"),
        ("a..csv", "a.csv"),
    ],
)
def test_names_are_made_anew(name: str, expected: str) -> None:
    assert safe_name(name) == expected


def test_long_names_are_cut_and_keep_their_ending() -> None:
    cut = safe_name("ä" * 400 + ".csv")
    assert len(cut.encode()) <= 100 and cut.endswith(".csv")


def test_no_name_leads_out_of_the_folder(draft, tmp_path: Path) -> None:
    for name in ("../../../out.csv", "/abroad/out.csv", "a/../../b/out.csv", "..\\out.csv", "x/y/z/out.csv"):
        found = draft.add(name, b"nothing")
        assert found.path.resolve().is_relative_to(tmp_path.resolve())
    assert {path.name for path in tmp_path.rglob("*") if path.is_file()} == {"out.csv"}


def test_each_file_is_told_for_what_it_is(draft) -> None:
    names = ("5_co_port.csv", "5_co_port.csv.toml", "carriers.csv", "chain.toml", "README.md")
    kinds = {name: draft.add(name, (DEMO / name).read_bytes()).kind for name in names}
    assert list(kinds.values()) == ["sweep", "context", "table", "chain", "unusable"]


def test_a_file_dropped_again_replaces_itself(draft) -> None:
    draft.add("noon.csv", b"nothing")
    draft.add("noon.csv", (DEMO / "7_drift_01.csv").read_bytes())
    assert [file.kind for file in draft.files] == ["sweep"]


def test_files_of_other_folders_lie_apart(draft) -> None:
    data = (DEMO / "7_drift_01.csv").read_bytes()
    one, other = draft.add("stick/mon/noon.csv", data), draft.add("stick/tue/noon.csv", data)
    assert one.path != other.path and len(draft.files) == 2


def test_too_much_is_refused(draft, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drafts, "MOST_FILES", 2)
    monkeypatch.setattr(drafts, "MOST_FILE_BYTES", 1000)
    with pytest.raises(UsageError, match="a file"):
        draft.add("a.csv", b"x" * 1001)
    draft.add("a.csv", b"x")
    draft.add("b.csv", b"x")
    with pytest.raises(UsageError, match="more than 2 files"):
        draft.add("c.csv", b"x")


def test_bombs_are_refused(draft, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drafts, "MOST_UNPACKED_BYTES", 1_000_000)
    with pytest.raises(UsageError, match="unpacks to more"):
        draft.add("bomb.csv.gz", gzip.compress(b"0" * 2_000_000))
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as bomb:
        bomb.writestr("a.csv", b"0" * 2_000_000)
    with pytest.raises(UsageError, match="unpacks to more"):
        draft.add("bomb.zip", packed.getvalue())
    assert unpacks_within(gzip.compress(b"0" * 900_000), 1_000_000)
    assert unpacks_within(b"\x1f\x8bnonsense", 10) and unpacks_within(b"PK\x03\x04nonsense", 10)


def test_addresses_take_no_more_than_they_should(client, desk, monkeypatch: pytest.MonkeyPatch) -> None:
    key = desk.drafts.begin().key
    data = (DEMO / "7_drift_01.csv").read_bytes()
    assert client.post(f"/drop/{key}?name=noon.csv", data=data).get_json()["kind"] == "sweep"
    assert client.post("/drop/0123456789abcdef01234567?name=noon.csv", data=data).status_code == 404
    assert (
        client.post(f"/drop/{key}?name=noon.csv", data=data, headers={"Origin": "http://evil.example"}).status_code
        == 403
    )
    monkeypatch.setattr(uploads, "MOST_FILE_BYTES", 100)
    assert client.post(f"/drop/{key}?name=noon.csv", data=data).status_code == 413
    large = {"data": b"x" * 5_000_000, "content_type": "application/json"}
    assert client.post("/_dash-update-component", **large).status_code == 413


def test_form_values_become_notes_not_paths(desk, draft) -> None:
    import tomllib

    file = draft.add("noon.csv", (DEMO / "7_drift_01.csv").read_bytes())
    form = {
        "head.title": '"] \n[visit]\nvessel = "other',
        "head.vessel": "../../Bay",
        f"sweep.{file.number}.port": "co",
        f"sweep.{file.number}.stage": "as_left",
        "plans": "none",
    }
    desk_jobs = []

    class Beside:
        def begin(self, title, work):
            desk_jobs.append(work)

    class Small:
        jobs, last_plan = Beside(), staticmethod(lambda: (None, None))

    make_visit(Small(), draft, form)
    head = tomllib.loads((draft.folder / "visit.toml").read_text(encoding="utf-8"))["visit"]
    assert head["vessel"] == "../../Bay" and head["title"].startswith('"]') and set(head) == {"title", "vessel"}
    notes = tomllib.loads((draft.folder / "noon.csv.toml").read_text(encoding="utf-8"))
    assert notes == {"port": "co", "stage": "as_left"}
    with pytest.raises(ContextError):
        make_visit(Small(), draft, {f"sweep.{file.number}.port": "nonsense"})


def test_old_drafts_are_thrown_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drafts, "_MOST_DRAFTS", 2)
    held = Drafts(tmp_path)
    first = held.begin()
    first.add("a.csv", b"x")
    held.begin()
    held.begin()
    assert held.get(first.key) is None and not first.folder.exists()
