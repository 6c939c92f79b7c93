"""A folder as it came off the stick becomes a visit; what cannot be used is told, what names hint at only offered."""

import pickle
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spectra.capture import Context
from spectra.errors import SweepFormatError, VisitError
from spectra.visit import load_visit
from spectra.visit.folder import is_carrier_table
from spectra.visit.hints import suggest


def test_folder_without_a_visit_file(folder: Path) -> None:
    visit = load_visit(folder)
    assert [capture.name for capture in visit.captures] == ["noon.csv"]
    assert visit.captures[0].context.lo_state == "low"
    assert len(visit.table) == 10
    assert visit.chain.name == "test chain"
    # what was taken for granted is told
    assert [line.partition(" ")[0] for line in visit.assumptions] == ["carriers.csv", "chain.toml"]
    assert visit.said("vessel") == "Example"


def test_two_tables_and_nothing_says_which(folder: Path) -> None:
    (folder / "other.csv").write_text((folder / "carriers.csv").read_text())
    with pytest.raises(VisitError, match=r"2 files that can be the carrier table.*--table"):
        load_visit(folder)
    assert load_visit(folder, table=folder / "other.csv").table.file.endswith("other.csv")


def test_bad_sweep_is_kept_apart(folder: Path, more_sweeps) -> None:
    (folder / "bad.csv").write_text("nothing in here\n")
    (folder / "wrong.csv.toml").write_text("port = 7\n")
    more_sweeps("wrong.csv")
    visit = load_visit(folder)
    assert [capture.name for capture in visit.captures] == ["noon.csv"]
    assert {Path(problem.source).name for problem in visit.failed} == {"bad.csv", "wrong.csv.toml"}
    assert any(isinstance(problem, SweepFormatError) for problem in visit.failed)


@pytest.mark.parametrize("name", ["missing", "empty"])
def test_no_folder_or_nothing_in_it(tmp_path: Path, name: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(VisitError, match="found no"):
        load_visit(tmp_path / name)


def test_visit_file_assigns_and_wins_with_a_note(folder: Path, more_sweeps) -> None:
    more_sweeps("a.csv", 'port = "co"\nvessel = "Sidecar"\n', stop_hz=1.25e9, points=401)
    more_sweeps("b.csv", start_hz=1.25e9, points=401)
    (folder / "visit.toml").write_text(
        """
[visit]
vessel = "Head"
terminal = "A"
technician = "T. Example"
table = "carriers.csv"
chain = "chain.toml"
berth = "12"
[acceptance]
lo_error_max_khz = 500
isolation_min_db = 25
[[capture]]
files = ["a.csv", "b.csv"]
port = "cross"
stage = "as_left"
""",
        encoding="utf-8",
    )
    visit = load_visit(folder)
    assert visit.assumptions == ()
    assert visit.limits.lo_error_max_hz == 500e3
    assert visit.limits.stated
    assert visit.head.extra["berth"] == "12"
    pair = next(capture for capture in visit.captures if capture.name == "a.csv")
    assert [sweep.points for sweep in pair.capture.sweeps] == [401, 401]
    assert (pair.context.port, pair.context.vessel, pair.context.terminal) == ("cross", "Sidecar", "A")
    assert pair.stage == "as_left"
    assert any("port" in note and "visit.toml is taken" in note for note in pair.notes)
    again = pickle.loads(pickle.dumps(visit))  # workers and callers get it through a pipe
    assert again.head == visit.head
    assert [c.name for c in again.captures] == [c.name for c in visit.captures]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[acceptance]\nlo_eror_max_khz = 3\n", "lo_eror_max_khz"),
        ("[acceptance]\nisolation_min_db = -3\n", "isolation_min_db"),
        ('[acceptance]\nverdict = "sure"\n', "sure"),
        ("[acceptance]\nfaults_max = 1.5\n", "faults_max"),
        ('[visit]\ntable = "not_there.csv"\n', "not_there.csv"),
        ('[[capture]]\nport = "co"\n', "without its file"),
        ('[[capture]]\nfile = "noon.csv"\nport = "left"\n', "port"),
        ('[[capture]]\nfile = "noon.csv"\nstage = "later"\n', "later"),
        ('[capture]\nfile = "noon.csv"\n', "double brackets"),
        ("[visits]\n", "visits"),
        ("vessel = \n", "no TOML"),
    ],
)
def test_visit_file_is_refused_with_the_word_at_fault(folder: Path, text: str, words: str) -> None:
    (folder / "visit.toml").write_text(text)
    with pytest.raises(Exception, match=words) as caught:
        load_visit(folder)
    assert isinstance(caught.value, ValueError)
    assert caught.value.source.endswith("visit.toml")


def test_read_options_of_a_capture(folder: Path) -> None:
    """What the file does not say can be stated where the file is assigned."""
    text = (folder / "noon.csv").read_text().partition("Frequency")
    (folder / "noon.csv").write_text(text[1] + text[2])
    (folder / "visit.toml").write_text('[[capture]]\nfile = "noon.csv"\nrbw_hz = 100000\ndetector = "rms"\n')
    (capture,) = load_visit(folder).captures
    assert capture.capture.sweeps[0].settings.rbw_hz == 1e5
    assert capture.capture.sweeps[0].settings.detector == "rms"


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("xpol_1200.csv", {"port": "cross"}),
        ("CO-POL.csv", {"port": "co"}),
        ("off satellite 2.csv", {"role": "off_satellite"}),
        ("50ohm.csv", {"role": "terminated"}),
        ("as_left high V.csv", {"stage": "as_left", "lo_state": "high V"}),
        ("expolite.csv", {}),
        ("coast.csv", {}),
        ("highv.csv", {}),
    ],
)
def test_names_hint(name: str, expected: dict[str, str]) -> None:
    """Words of the trade, matched whole; common practice, no source."""
    found = suggest(name, Context(), ["low V", "high V", "V"] if "V" in name else [])
    assert {s.key: s.value for s in found} == expected


def test_hint_is_silent_where_the_context_speaks(folder: Path, more_sweeps) -> None:
    more_sweeps("co_port.csv")
    more_sweeps("cross_port.csv", 'port = "cross"\n')
    suggestions = load_visit(folder).suggestions
    assert [(s.file, s.line) for s in suggestions] == [("co_port.csv", 'port = "co"')]
    assert all(c.context.port is None for c in load_visit(folder).captures if c.name == "co_port.csv")


def test_a_visit_may_name_sweeps_beside_its_folder(folder: Path) -> None:
    """As the demo's commissioning does; the capture's name is then what follows the way up."""
    visit = folder / "visit"
    visit.mkdir()
    (visit / "visit.toml").write_text(
        '[visit]\ntable = "../carriers.csv"\nchain = "../chain.toml"\n\n[[capture]]\nfile = "../noon.csv"\n',
        encoding="utf-8",
    )
    loaded = load_visit(visit)
    assert [c.name for c in loaded.captures] == ["noon.csv"]
    assert loaded.captures[0].context.vessel == "Example" and loaded.table is not None


@pytest.mark.parametrize(
    ("data", "table"),
    [
        (b"satellite,polarisation,rf_mhz\n", True),
        (b' "Satellite";"polarisation";"rf_mhz"\r\n', True),
        ("satellite\tpolarisation\trf_mhz\n".encode("utf-16"), True),
        (b"frequency,level\n1,2\n", False),
        (b"1,2\r3,4\r", False),  # line ends of old Macs
        (b'"satellite,polarisation\rrf_mhz', False),
        (b"x" * 3000, False),
        (b"", False),
    ],
)
def test_a_carrier_table_is_known_by_its_first_line(tmp_path: Path, data: bytes, table: bool) -> None:
    path = tmp_path / "file.csv"
    path.write_bytes(data)
    assert is_carrier_table(path) == table


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=300))
def test_whatever_a_file_holds_it_is_a_table_or_not(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "file.csv"
    path.write_bytes(data)
    assert is_carrier_table(path) in (True, False)
