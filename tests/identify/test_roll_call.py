"""Moved, changed and new carriers told apart from what interferes. Expected values are derived from the scene."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from spectra.identify import identify
from spectra.identify.identification import Identification
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierRow, CarrierTable

Scene = Callable[..., Identification]


@pytest.fixture
def rows(arc: CarrierTable) -> list[CarrierRow]:
    return [r for r in arc if (r.satellite, r.polarisation) == ("Cedar", "H") and r.rf_hz < 11.7e9]


@pytest.fixture
def scene(
    arc: CarrierTable,
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    states: dict[str, LoState],
) -> Scene:
    """Identify Cedar/H with some carriers changed (by index) and others added."""

    def identified(
        changed: dict[int, dict[str, object]] | None = None, more: tuple[Carrier, ...] = ()
    ) -> Identification:
        found = shown(arc, "Cedar", "H", states["low"], lo_error_hz=0.2e6, rng=np.random.default_rng(1), std_hz=20e3)
        for index, values in (changed or {}).items():
            found[index] = replace(found[index], **values)  # type: ignore[arg-type]  # names of Carrier
        answer = identify(make([*found, *more]), arc, chain)
        assert answer.satellite == "Cedar"
        return answer

    return identified


def _row(answer: Identification, row: CarrierRow) -> object:
    return next(entry for entry in answer.roll_call if entry.row == row.line)


def _cause(answer: Identification, if_hz: float) -> object:
    causes = zip(answer.unlisted, answer.unlisted_causes, strict=True)
    return next(cause for (_, carrier), cause in causes if abs(carrier.centre_hz - if_hz) < 1e5)


def _if_hz(row: CarrierRow) -> float:
    return row.rf_hz - 9.75e9 - 0.2e6


def test_nothing_changed(scene: Scene) -> None:
    answer = scene()
    assert not [entry for entry in answer.roll_call if entry.changes or entry.moved_hz is not None]
    assert answer.unlisted_causes == ()


@pytest.mark.parametrize("shift_hz", [-400e3, 300e3])
def test_a_carrier_that_moved_a_little(scene: Scene, rows: list[CarrierRow], shift_hz: float) -> None:
    answer = scene({7: {"centre_hz": _if_hz(rows[7]) + shift_hz}})
    entry = _row(answer, rows[7])
    assert entry.status == "present"
    assert entry.changes == ("moved",)
    assert entry.moved_hz == pytest.approx(shift_hz, abs=4.0 * entry.moved_std_hz)
    assert entry.why.startswith("moved")


def test_a_carrier_that_moved_far(scene: Scene, rows: list[CarrierRow]) -> None:
    gap = max(range(1, len(rows) - 1), key=lambda i: rows[i + 1].rf_hz - rows[i].rf_hz)
    answer = scene({gap: {"centre_hz": _if_hz(rows[gap]) + 6e6}})
    entry = _row(answer, rows[gap])
    assert entry.status == "absent"
    assert entry.moved_hz == pytest.approx(6e6, abs=0.2e6)
    cause = _cause(answer, _if_hz(rows[gap]) + 6e6)
    assert (cause.likely, cause.row) == ("moved", rows[gap].line)


def test_another_symbol_rate_and_roll_off(scene: Scene, rows: list[CarrierRow]) -> None:
    rate = 0.8 * (rows[5].symbol_rate_bd or 0.0)
    answer = scene(
        {
            5: {"symbol_rate_bd": rate, "symbol_rate_std_bd": 0.01 * rate},
            9: {"roll_off": 0.35, "roll_off_std": 0.01},
        }
    )
    assert _row(answer, rows[5]).changes == ("symbol rate",)
    assert _row(answer, rows[9]).changes == ("roll-off",)
    assert _row(answer, rows[8]).changes == ()


def test_new_carrier_interferers_and_the_other_polarisation(
    scene: Scene, arc: CarrierTable, rows: list[CarrierRow], one: Callable[..., Carrier]
) -> None:
    gaps = sorted(range(len(rows) - 1), key=lambda i: rows[i].rf_hz - rows[i + 1].rf_hz)[:2]
    free = [0.5 * (_if_hz(rows[i]) + _if_hz(rows[i + 1])) for i in gaps]
    new = replace(one(free[0], 3.1e6, 20e3), roll_off=0.2, roll_off_std=0.02)
    tone = Carrier("cw", free[1], 2e3, cn0_dbhz=60.0)
    wide = max(rows, key=lambda row: row.symbol_rate_bd or 0.0)
    under = Carrier("cw", _if_hz(wide) + 2e6, 2e3, cn0_dbhz=60.0)
    answer = scene(more=(new, tone, under))
    assert _cause(answer, new.centre_hz).likely == "new carrier"
    assert _cause(answer, tone.centre_hz).likely == "interferer"
    inside = _cause(answer, under.centre_hz)
    assert (inside.likely, inside.row) == ("interferer", wide.line)
    crossed = next(
        r
        for r in arc
        if (r.satellite, r.polarisation) == ("Cedar", "V")
        and r.rf_hz < 11.6e9
        and min(abs(r.rf_hz - mine.rf_hz) for mine in rows) > 14e6
    )
    leak = one(_if_hz(crossed), crossed.symbol_rate_bd or 0.0, 20e3, cn_db=2.0)
    cause = _cause(scene(more=(leak,)), leak.centre_hz)
    assert (cause.likely, cause.row) == ("other polarisation", crossed.line)
    told = scene(more=(leak,)).to_dict()["unlisted"][0]
    assert (told["likely"], told["likely_row"]) == ("other polarisation", crossed.line)
