"""The vessel's own carrier: present or not, against table and modem, by bearing, by scatter, by antenna steps."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from spectra.capture import Capture, Context
from spectra.finding import run_rules
from spectra.findings import service
from spectra.findings.service_levels import (
    ServiceLevel,
    blocked_sectors,
    peak_of_steps,
    service_findings,
    tracking_excess,
)
from spectra.findings.table import SERVICE_RULES
from spectra.identify.identification import Candidate, Expected, Identification, RollCallEntry
from spectra.plan.table import CarrierTable

TABLE = CarrierTable.from_rows(
    [
        {"satellite": "N", "polarisation": "H", "rf_hz": 1.1e10 + 1e8 * k, "reference_cn_db": 12.0, "service": k == 0}
        for k in range(5)
    ]
)


def roll_call(own_cn: float | None, others: float = 0.0, status: str = "present") -> Identification:
    entries = [RollCallEntry(2, 11000.0, 1.25e9, status, 1.25e9, 0.0, own_cn, "should have shown and did not", 0)]
    entries += [
        RollCallEntry(3 + k, 11100.0, 1.35e9, "present", 1.35e9, 0.0, 12.0 + others, "", k + 1) for k in range(4)
    ]
    best = Candidate("N", lo_state="low H")
    return Identification("confirmed", best, True, Expected(), (best,), tuple(entries), (), (), "t", "0", 5, "c")


def test_own_carrier_there_absent_and_not_visible() -> None:
    (there,) = service.present(roll_call(11.8), TABLE)
    assert "-0.2 dB against the table" in there.title
    (gone,) = service.absent(roll_call(None, status="absent"), TABLE)
    assert gone.severity == "fault"
    (hidden,) = service.not_visible(roll_call(None, status="not visible"), TABLE)
    assert hidden.answer == "cannot_tell"
    assert not list(service.present(replace(roll_call(11.8), verdict="unidentified"), TABLE))


def test_shortfall_is_parted_into_common_and_own() -> None:
    """Within 1 dB of the link budget is customary (common practice, no source)."""
    (common,) = service.below_reference(roll_call(8.0, -4.1), TABLE)
    assert "common to all" in common.explanation
    (own,) = service.below_reference(roll_call(8.0, 0.1), TABLE)
    assert "do not share" in own.explanation
    assert not list(service.below_reference(roll_call(11.2), TABLE))


def test_the_analyser_s_own_noise_is_no_shortfall_of_the_link() -> None:
    """A third of the floor is the analyser's: 10 log10(1 - 1/3) = -1.76 dB of every C/N (arithmetic)."""
    assert list(service.below_reference(roll_call(9.9, -2.0), TABLE))
    assert not list(service.below_reference(roll_call(10.7, -2.0), TABLE, 1.76))
    (there,) = service.present(roll_call(10.7, -2.0), TABLE, 1.76)
    assert "own noise lowers it by 1.8 dB" in there.explanation
    (own,) = service.below_reference(roll_call(7.0, -1.8), TABLE, 1.76)
    assert "is 3.2 dB below" in own.title
    assert "do not share" in own.explanation


@pytest.mark.parametrize(("modem", "count", "word"), [(11.0, 0, ""), (7.0, 1, "below"), (14.0, 1, "above")])
def test_modem_against_sweep(modem: float, count: int, word: str) -> None:
    found = list(service.modem_disagrees(roll_call(12.0), TABLE, Context(modem_es_n0_db=modem)))
    assert len(found) == count
    assert all(word in f.title for f in found)


def level(bearing: float, cn: float, **more) -> ServiceLevel:
    return ServiceLevel(f"{bearing:.0f}.csv", cn, 0.3, bearing, **more)


def test_levels_come_from_roll_calls_and_bearings_from_azimuth_and_heading() -> None:
    """Bearing from the bow = azimuth - heading (arithmetic)."""
    captures = [
        Capture((), Context(heading_deg=float(h), antenna_azimuth_deg=100.0), f"{h}.csv") for h in range(0, 360, 20)
    ]
    roll_calls = [roll_call(4.0 if h in (60, 80) else 12.0) for h in range(0, 360, 20)]
    (finding,) = service_findings(captures, roll_calls, TABLE)
    told = {e.name: e.value for e in finding.evidence}
    assert (told["sector_start"], told["sector_stop"]) == (20.0, 40.0)
    assert service_findings(captures, [None] * len(captures), TABLE) == ()


def test_blocked_sector_across_north_is_one() -> None:
    levels = [level(b, 4.0 if b >= 345 or b <= 20 else 12.0) for b in range(0, 360, 15)]
    (sector,) = blocked_sectors(levels)
    assert (sector.start_deg, sector.stop_deg) == (345.0, 15.0)
    assert sector.down_db == pytest.approx(8.0)
    assert blocked_sectors([level(b, 12.0) for b in range(0, 360, 15)]) == ()
    assert [f.code for f in run_rules(SERVICE_RULES, {"service_levels": levels})] == ["service.blockage"]


def test_scatter_beyond_measurement_against_chi_square() -> None:
    """scipy.stats.chi2 (1.17)."""
    rng = np.random.default_rng(5)
    cn = 12.0 + rng.normal(0.0, 1.5, 20)
    levels = [ServiceLevel(str(k), float(x), 0.3) for k, x in enumerate(cn)]
    excess, chance = tracking_excess(levels) or (0.0, 1.0)
    assert chance == pytest.approx(stats.chi2.sf(float(((cn - cn.mean()) ** 2).sum() / 0.09), 19))
    assert excess == pytest.approx(1.5, rel=0.4)
    assert [f.code for f in run_rules(SERVICE_RULES, {"service_levels": levels})] == ["service.tracking_loss"]
    quiet = [ServiceLevel(str(k), float(12.0 + x), 0.3) for k, x in enumerate(rng.normal(0.0, 0.3, 20))]
    assert run_rules(SERVICE_RULES, {"service_levels": quiet}) == ()


def test_peak_of_a_gaussian_beam() -> None:
    """A Gaussian beam is 12 (angle / beamwidth)^2 dB down (derived): 0.4 degrees off a 2 degree beam costs 0.48 dB."""
    angle = np.array([-0.6, -0.3, 0.0, 0.3, 0.6]) + 150.0
    found = peak_of_steps(angle, 12.0 - 12.0 * ((angle - 150.4) / 2.0) ** 2, np.full(5, 0.1))
    assert found is not None
    assert found.peak_deg == pytest.approx(150.4, abs=1e-6)
    assert found.loss_db == pytest.approx(0.48, abs=1e-6)
    assert peak_of_steps(angle, np.full(5, 12.0), np.full(5, 0.3)) is None
    levels = [ServiceLevel(str(a), float(12.0 - 12.0 * ((a - 150.4) / 2.0) ** 2), 0.1, None, float(a)) for a in angle]
    assert [f.code for f in run_rules(SERVICE_RULES, {"service_levels": levels})] == ["service.not_peaked"]
    near = [ServiceLevel(str(a), float(12.0 - 12.0 * ((a - 150.1) / 2.0) ** 2), 0.1, None, float(a)) for a in angle]
    (note,) = run_rules(SERVICE_RULES, {"service_levels": near})
    assert (note.code, note.severity) == ("service.peaked", "note")
    assert note.evidence[0].value == pytest.approx(150.1)


def test_scatter_at_one_bearing_is_no_blocked_sector() -> None:
    """The ship kept her heading: what came and went at one bearing is no mast."""
    rng = np.random.default_rng(7)
    levels = [level(75.0 + 0.1 * k, float(x)) for k, x in enumerate(12.0 - np.abs(rng.normal(0.0, 4.0, 12)))]
    assert blocked_sectors(levels) == ()
    assert [f.code for f in run_rules(SERVICE_RULES, {"service_levels": levels})] == ["service.tracking_loss"]
    clear = [level(b, 12.0) for b in range(0, 360, 40)]
    now_and_then = [*clear, level(80.0, 3.0)]  # at 80 degrees it was there once and gone once
    assert blocked_sectors(now_and_then) == ()


def test_nothing_left_in_a_sector_counts_as_blocked() -> None:
    captures = [
        Capture((), Context(heading_deg=float(h), antenna_azimuth_deg=100.0), f"{h}.csv") for h in range(0, 360, 30)
    ]
    none = replace(roll_call(None), verdict="no carriers", roll_call=())
    roll_calls = [none if h in (60, 90) else roll_call(12.0) for h in range(0, 360, 30)]
    (finding,) = service_findings(captures, roll_calls, TABLE)
    assert finding.code == "service.blockage"
    assert "lost: at least 12 dB down" in finding.title
    assert "clear again at 340 and 70 degrees" in finding.explanation
    off = [replace(c, context=replace(c.context, role="off_satellite")) for c in captures]
    assert service_findings(off, roll_calls, TABLE) == ()
