"""The report page: preview, limits, texts, photos, the files to hand over; and hostile content in all of them."""

from __future__ import annotations

import io
import json
import re
import struct
import zipfile
import zlib
from pathlib import Path

import pytest

from dashboard.keeping import keep_paper, limits_said, take_version
from dashboard.papers import Paper, rendered
from spectra.archive import VisitSearch
from spectra.errors import SpectraError, UsageError
from spectra.report import verify_evidence

HOSTILE = '<script>alert(1)</script><img src=x onerror="alert(2)">'


def _png(size: int = 2) -> bytes:
    """A picture by the PNG specification (W3C, from memory): one grey, size by size."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", size, size, 8, 0, 0, 0, 0)
    rows = zlib.compress(b"".join(b"\x00" + b"\x80" * size for _ in range(size)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.fixture(scope="module")
def visit(desk) -> str:
    return desk.visits(VisitSearch(), offset=0, limit=1).rows[0]["key"]


@pytest.fixture
def paper(desk, visit: str) -> Paper:
    return desk.papers.begin(visit)


def test_preview_runs_and_fetches_nothing(client, visit: str) -> None:
    answer = client.get(f"/paper/{visit}/preview")
    assert answer.status_code == 200 and answer.mimetype == "text/html"
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "sandbox" in policy and "script" not in policy
    assert "Content-Disposition" not in answer.headers
    assert not re.findall(r"(?:src|href)=\"(?!data:)", answer.text) and "<script" not in answer.text


def test_files_are_handed_over(client, visit: str, tmp_path: Path) -> None:
    page = client.get(f"/paper/{visit}/html?language=de")
    assert page.headers["Content-Disposition"].startswith("attachment") and '<html lang="de">' in page.text
    assert client.get(f"/paper/{visit}/pdf").data.startswith(b"%PDF-")
    answer = client.get(f"/paper/{visit}/zip")
    with zipfile.ZipFile(io.BytesIO(answer.data)) as packed:
        assert packed.testzip() is None
        assert not [name for name in packed.namelist() if name.startswith("/") or ".." in name]
        packed.extractall(tmp_path)
    (evidence,) = tmp_path.glob("*.json")
    checks = verify_evidence(evidence)
    assert {check.status for check in checks} == {"same"}
    assert {check.kind for check in checks} == {"sweep", "table", "chain", "report"}
    # a byte changed is told
    (pdf,) = tmp_path.glob("*.pdf")
    pdf.write_bytes(pdf.read_bytes() + b" ")
    assert [check.path for check in verify_evidence(evidence) if check.status == "changed"] == [pdf.name]


def test_limits_are_judged_by_the_library(desk, paper: Paper) -> None:
    stored = desk.review(paper.visit)
    assert stored.statement.answer.startswith("accepted")
    judged = paper.review(stored, {"verdict": "confirmed", "lo_error_max_khz": "10"})
    assert judged.statement.answer == "not accepted" and judged.visit.limits.lo_error_max_hz == 10e3
    # a decimal comma is a number, a word is none
    assert paper.review(stored, {"isolation_min_db": "20,5"}).visit.limits.isolation_min_db == 20.5
    for wrong in ("a lot", "-3", "nan", "inf", "1e999", "3\n[[attachment]]"):
        with pytest.raises(SpectraError):
            paper.review(stored, {"isolation_min_db": wrong})
    # what is stored did not change
    assert desk.review(paper.visit).visit.limits.lo_error_max_hz is None


def test_limit_that_makes_no_sense_is_told_in_the_preview(client, visit: str) -> None:
    answer = client.get(f"/paper/{visit}/preview", query_string={"own": "1", "isolation_min_db": HOSTILE})
    assert answer.status_code == 422 and "isolation_min_db" in answer.text and "<script" not in answer.text


def test_texts_stay_texts(desk, paper: Paper) -> None:
    paper.write({"text.title": HOSTILE, "text.remark": 'a "quote"\n[acceptance]\nfaults_max = 9', "caption.1": HOSTILE})
    review = paper.review(desk.review(paper.visit), {})
    assert review.visit.head.title == HOSTILE and review.visit.limits.faults_max == 0
    name, kind, data = rendered(review, "html", "en")
    assert kind == "text/html" and re.fullmatch(r"[0-9A-Za-z._-]+\.html", name)
    text = data.decode("utf-8")
    assert "<script" not in text and "onerror=" not in re.sub(r"&lt;.*?&gt;", "", text)
    assert "&lt;script&gt;" in text


def test_photos_are_told_by_their_bytes(desk, paper: Paper, tmp_path: Path) -> None:
    assert paper.add("../../radome.png", _png()).name == "radome.png"
    assert paper.add("radome.png", _png(3)).name != "radome.png"
    assert paper.add("note.txt", HOSTILE.encode()).shown
    for name, data in (
        ("script.png", b"<svg onload=alert(1)>"),
        ("page.html", b"<html>"),
        ("a.svg", b"<svg/>"),
        ("text.txt", b"\xff\xfe\x00\x01"),
        ("nothing", b""),
    ):
        with pytest.raises(UsageError):
            paper.add(name, data)
    paper.write({"caption.1": "Radome after cleaning"})
    review = paper.review(desk.review(paper.visit), {})
    text = rendered(review, "html", "en")[2].decode("utf-8")
    assert text.count("data:image/png;base64,") == 2 and "Radome after cleaning" in text and "<script" not in text
    with zipfile.ZipFile(io.BytesIO(rendered(review, "zip", "en")[2])) as packed:
        packed.extractall(tmp_path)
    (evidence,) = tmp_path.glob("*.json")
    assert {check.status for check in verify_evidence(evidence)} == {"same"}
    files = json.loads(evidence.read_text(encoding="utf-8"))["files"]
    assert sorted(f["path"] for f in files if f["kind"] == "attachment") == ["2 radome.png", "note.txt", "radome.png"]
    assert {path.name for path in paper.folder.iterdir()} <= {"radome.png", "2 radome.png", "note.txt", "visit.toml"}


def test_report_is_kept_with_its_visit(desk, paper: Paper, visit: str) -> None:
    paper.write({"text.title": "Spring service", "text.remark": HOSTILE})
    paper.add("mast.png", _png())
    paper.write({"text.title": "Spring service", "text.remark": HOSTILE, "caption.1": "Mast"})
    assert paper.changed
    first = keep_paper(desk.archive, paper, desk.review(visit), {"verdict": "confirmed", "isolation_min_db": "20,5"})
    assert not paper.changed
    stored = desk.review(visit)
    assert (stored.visit.head.title, stored.visit.head.remark) == ("Spring service", HOSTILE)
    assert stored.visit.limits.isolation_min_db == 20.5 and stored.visit.limits.stated
    # whoever opens the page next, here or elsewhere, begins with it
    again = desk.paper(visit)
    assert [(photo.name, photo.caption) for photo in again.photos] == [("mast.png", "Mast")]
    text = rendered(again.review(stored, {}), "html", "de")[2].decode("utf-8")
    assert "Spring service" in text and text.count("data:image/png;base64,") == 1 and "<script" not in text
    # two at once: the second is told, and nothing is lost
    other = desk.paper(visit)
    other.write({"text.title": "Another's"})
    again.write({"text.title": "Mine"})
    second = keep_paper(desk.archive, other, desk.review(visit), {})
    with pytest.raises(SpectraError, match="somebody else"):
        keep_paper(desk.archive, again, desk.review(visit), {})
    assert (again.texts or {})["title"] == "Mine" and desk.review(visit).visit.head.title == "Another's"
    # what was can be had again: undo
    fresh = desk.paper(visit)
    assert limits_said(take_version(desk.archive, fresh, first.key)) == {
        "verdict": "confirmed",
        "isolation_min_db": "20.5",
    }
    assert fresh.changed and (fresh.texts or {})["title"] == "Spring service" and fresh.since == second.key
    with pytest.raises(SpectraError):
        take_version(desk.archive, fresh, "f" * 64)
    # the rest of the module goes on with a visit that has none of this
    with desk.archive.engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM note")


def test_photos_come_in_by_their_address(client, paper: Paper) -> None:
    answer = client.post(f"/paper-drop/{paper.key}?name=a.png", data=_png())
    assert answer.json == {"name": "a.png", "words": "goes with the report", "problem": None}
    refused = client.post(f"/paper-drop/{paper.key}?name=a.png", data=b"GIF89a")
    assert refused.status_code == 422 and "JPEG or PNG" in refused.json["words"]
    assert client.post("/paper-drop/none?name=a.png", data=_png()).status_code == 422
    client.environ_base.pop("HTTP_ORIGIN")
    assert client.post(f"/paper-drop/{paper.key}?name=a.png", data=_png()).status_code == 403


def test_languages_there_are(client, visit: str) -> None:
    assert client.get(f"/paper/{visit}/preview?language=xx").status_code == 422
    assert (
        client.get(f"/paper/{visit}/exe").status_code in (200, 404) and client.get("/paper/zz/pdf").status_code == 422
    )


@pytest.mark.slow
def test_report_in_the_browser(browse, archive_file: Path, tmp_path: Path) -> None:
    browser = browse(archive_file)
    visit = browser.desk.visits(VisitSearch(), offset=0, limit=1).rows[0]["key"][:16]
    browser.open(f"/visit/{visit}/report")
    browser.idle()
    assert browser.one(".answer .word").text.startswith("Accepted")
    frame = browser.one("iframe.paper")
    assert frame.get_attribute("sandbox") == "" and frame.get_attribute("title")
    # a limit that the LO error cannot hold: answer, preview and address follow
    browser.one("#report-limit-lo_error_max_khz, #report-limit-lo_error_max_khz input").send_keys("10")
    browser.wait(lambda: browser.one(".answer .word").text == "Not accepted", "the other answer")
    browser.wait(lambda: "lo_error_max_khz=10" in browser.driver.current_url, "the address")
    assert "lo_error_max_khz=10" in browser.one(".report-takes a").get_attribute("href")
    # a text from the form, as text
    browser.one("input#report-text-title, #report-text-title input").send_keys(HOSTILE)
    browser.one("#report-language").send_keys("Deutsch")
    browser.wait(lambda: "language=de" in browser.one("iframe.paper").get_attribute("src"), "the preview")
    picture = tmp_path / "mast.png"
    picture.write_bytes(_png())
    browser.one("#report-pick").click()
    browser.one("input.picked").send_keys(str(picture))
    browser.wait(lambda: "Caption of mast.png" in browser.text("#report-photos"), "the photo")
    assert browser.complaints() == []
    assert browser.axe() == []
    browser.complaints()  # axe-core itself tries to speak to the preview, which cannot answer
    browser.driver.switch_to.frame(browser.one("iframe.paper"))
    assert "<script>alert(1)</script>" in browser.one("h1").text and browser.all("img[src^='data:image/png']")
    browser.driver.switch_to.default_content()
    # the address brings the same view back
    browser.driver.refresh()
    browser.wait(
        lambda: browser.all(".answer .word") and browser.one(".answer .word").text == "Not accepted", "it again"
    )
    assert browser.one("#report-language").get_attribute("value") == "de"
    # kept with the visit: the address says no more of it, and the page alone brings it back
    browser.one("#report-keep").click()
    browser.wait(lambda: "Kept with the visit, " in browser.text("#report-versions"), "it to be kept")
    browser.wait(lambda: "lo_error" not in browser.driver.current_url, "the address")
    browser.open(f"/visit/{visit}/report")
    browser.idle()
    assert browser.one(".answer .word").text == "Not accepted"
    assert browser.one('[name="limit.lo_error_max_khz"]').get_attribute("value") == "10"
    assert "Caption of mast.png" in browser.text("#report-photos")
    browser.one("#report-photos .take").click()
    browser.wait(lambda: not browser.all("#report-photos .take"), "the photo to go")
    browser.wait(lambda: "Not kept yet" in browser.text("#report-versions"), "that it is not kept")
    # back to what was kept: undo
    browser.one("#report-versions summary").click()
    browser.one('#report-versions [data-what="version"]').click()
    browser.wait(lambda: browser.all("#report-photos .take"), "the photo again")
    assert browser.complaints() == []
    with browser.desk.archive.engine.begin() as connection:  # the archive is shared
        connection.exec_driver_sql("DELETE FROM note")


@pytest.mark.slow
def test_report_page_fits_and_can_be_read(browse, archive_file: Path) -> None:
    browser = browse(archive_file)
    visit = browser.desk.visits(VisitSearch(), offset=0, limit=1).rows[0]["key"][:16]
    for scheme in ("light", "dark", "night"):
        browser.open(f"/visit/{visit}/report", scheme=scheme)
        browser.idle()
        assert browser.complaints() == []
        assert browser.axe("color-contrast") == []
        browser.complaints()  # as above
    browser.open(f"/visit/{visit}/report", width=390)
    browser.idle()
    assert browser.driver.execute_script("return document.documentElement.scrollWidth") <= 390
    assert browser.complaints() == []
