"""Cost of tables at scale: 500 satellites, 50,000 rows, seed 5; pandas.read_csv of the same file beside it."""

import numpy as np
import pandas as pd
import pytest

from spectra.plan import check_table, load_table
from spectra.plan.lists import cut_into_lists
from spectra.plan.table import COLUMNS

SATELLITES, ROWS_EACH = 500, 100


@pytest.fixture(scope="module")
def big_table(tmp_path_factory):
    rng = np.random.default_rng(5)
    path = tmp_path_factory.mktemp("bench") / "big.csv"
    lines = [",".join(COLUMNS)]
    for satellite in range(SATELLITES):
        cn = rng.uniform(5, 15, ROWS_EACH)
        rf = np.sort(rng.uniform(10700, 12750, ROWS_EACH))
        rate = rng.choice([1500, 3000, 6000], ROWS_EACH)
        lines += [
            f"Kittiwake {satellite},{satellite * 0.7 - 175:.1f},,,{'HV'[k % 2]},{rf[k]:.3f},modulated,{rate[k]},,0.2,"
            f"QPSK,3/4,{cn[k]:.1f},{satellite},{'yes' if k == 3 else ''},2026-01-01,,remark {k}"
            for k in range(ROWS_EACH)
        ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.benchmark(group="import 50,000 rows")
def test_load_table(benchmark, big_table):
    table = benchmark(load_table, big_table)
    assert len(table) == SATELLITES * ROWS_EACH
    assert table.warnings == ()


@pytest.mark.benchmark(group="import 50,000 rows")
def test_reference_pandas_read_csv(benchmark, big_table):
    frame = benchmark(pd.read_csv, big_table)
    assert len(frame) == SATELLITES * ROWS_EACH


@pytest.mark.benchmark(group="cut 50,000 rows into lists")
def test_cut_into_lists(benchmark, big_table):
    lists = benchmark(cut_into_lists, load_table(big_table))
    assert len(lists) == 2 * SATELLITES


@pytest.mark.benchmark(group="check 50,000 rows")
def test_check_table(benchmark, big_table):
    check = benchmark.pedantic(check_table, (big_table,), rounds=2)
    assert check.loads
