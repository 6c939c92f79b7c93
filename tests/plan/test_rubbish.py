"""Whatever the input, a file is read or refused with an error of ours; nothing else comes out."""

from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from spectra.errors import ChainError, TableError
from spectra.plan import check_table, import_scan_file, load_chain, load_table, save_table
from spectra.plan.table import COLUMNS, REQUIRED

LENIENT = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
ODD = (
    *(
        "11720",
        "11,72",
        "1.172E4",
        "-5",
        "nan",
        "inf",
        "1e999",
        "1_0",
        "1,5",
        "1.5",
        "27500",
        "27\u00a0500",
        "0",
        "0.2",
    ),
    *("H", "X", "yes", "modulated", "3/4", "04-Mar", "31/12/2026", "46085", "99/99/9999", "2026-01-05", "9999-12-31"),
    *(
        "2026-01-05T12:00+23:00",
        "0001-01-01T00:00+05:00",
        "13.5E",
        "400W",
        "20%",
        "'=1",
        "=",
        "@",
        '"',
        "'",
        "\u0665",
        "\u00b2",
    ),
)
CELLS = st.one_of(st.just(""), st.sampled_from([*ODD, "27 500", "a\rb"]), st.text(max_size=8))


@LENIENT
@given(st.one_of(st.binary(max_size=80), st.text(max_size=80).map(lambda text: text.encode("utf-16"))))
@example(b"satellite,polarisation,rf_mhz\n\x81,H,11720\n")
@example(b"\xef\xbb\xbf")
def test_any_bytes_as_a_table(tmp_path, raw):
    path = tmp_path / "plan.csv"
    path.write_bytes(raw)
    for read in (load_table, check_table):
        try:
            read(path)
        except TableError as error:
            assert error.found and error.expected and error.mend


@LENIENT
@given(
    st.lists(
        st.sampled_from([name for name in COLUMNS if name not in REQUIRED] + ["mine", ""]), max_size=3, unique=True
    ),
    st.lists(st.lists(CELLS, max_size=3), min_size=1, max_size=3),
    st.sampled_from(",;\t"),
)
def test_any_cells_in_a_table(tmp_path, header, rows, delimiter):
    """What loads also checks without a fault that stops, and saves to the same content."""
    path = tmp_path / "plan.csv"
    lines = [
        ["satellite", "polarisation", "rf_mhz", *header],
        *(["Kittiwake 2", "H", "11720", *cells] for cells in rows),
    ]
    text = "\n".join(delimiter.join(cells) for cells in lines)
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        check = check_table(path)
    except TableError:
        return
    try:
        table = load_table(path)
    except TableError:
        assert not check.loads
        return
    assert check.loads
    event("loads")
    assert check.sha256 == table.sha256
    assert table.lists
    copy = tmp_path / "copy.csv"
    copy.unlink(missing_ok=True)
    save_table(table, copy)
    assert load_table(copy).sha256 == table.sha256


@LENIENT
@given(st.text(max_size=60), st.one_of(st.integers(), st.floats(), st.booleans(), st.text(max_size=5)))
@example("[chain]\nif_min_mhz = 950", 1)
def test_any_text_as_a_chain(tmp_path, text, value):
    path = tmp_path / "chain.toml"
    chain = f"[chain]\nif_min_mhz = {value!r}\nif_max_mhz = 2150\n[[lo_state]]\nname = {value!r}\nlo_mhz = {value!r}\n"
    for content in (text, chain, chain + text, f"lo_state = [{value!r}]\n" + chain):
        path.write_bytes(content.encode("utf-8", "surrogatepass"))
        try:
            load_chain(path)
        except ChainError as error:
            assert error.found and error.expected and error.mend


@LENIENT
@given(
    st.lists(st.sampled_from(["[CHANNEL]", "S 1 V 2 3", "S 11720000 H 27500000", "FREQUENCY = ", "= 3", "#", "", "x"]))
)
def test_any_lines_as_a_scan_file(lines):
    try:
        table = import_scan_file("\n".join(lines) + "\n", satellite="Kittiwake 2")
    except TableError:
        return
    assert len(table) == 1
