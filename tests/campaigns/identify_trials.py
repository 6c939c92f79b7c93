"""Trials of the identification over open carrier plans, made without a trace: measurements drawn from the bounds.

Run as a script it writes the tables that the documentation quotes (see `main`). The plans come from the Debian package
dtv-scan-tables; satellites get numbers, so that no name of the package appears anywhere.
"""

from __future__ import annotations

import dataclasses
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import identify_counts as counts

from spectra.measure.measurement import Carrier, Floor, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable, PlanList
from spectra.sweep import Sweep

PLANS = Path("/usr/share/dvb/dvb-s")


@dataclass(frozen=True)
class Setting:
    """Points, readings averaged at each, and RBW (None: chosen to suit the span) of a drawn sweep."""

    points: int = 1001
    readings: float = 10.0
    rbw_hz: float | None = None


USUAL = Setting()
CAREFUL = Setting(points=4001, readings=20.0, rbw_hz=0.3e6)
_POLARISATION = {"HORIZONTAL": "H", "VERTICAL": "V", "LEFT": "L", "RIGHT": "R"}


def chain_of(band: str, tolerance_hz: float | None = 1e6) -> ReceiveChain:
    """Return a chain: 'ku' with a low and a high LO state, 'c' with a high-side oscillator."""
    if band == "ku":
        states = (
            LoState("low band", 9.75e9, "low", 10.7e9, 11.7e9, tolerance_hz=tolerance_hz),
            LoState("high band", 10.6e9, "low", 11.7e9, 12.75e9, tolerance_hz=tolerance_hz),
        )
        return ReceiveChain("ku", 950e6, 2150e6, states, reference_ppm=1.0)
    state = LoState("c band", 5.15e9, "high", 3.4e9, 4.2e9, tolerance_hz=tolerance_hz)
    return ReceiveChain("c", 950e6, 1750e6, (state,), reference_ppm=1.0)


def plans_installed() -> bool:
    """Say whether the open plans are there."""
    return PLANS.is_dir()


def load_plans(folder: Path = PLANS) -> CarrierTable:
    """Read every plan of the folder as one table; satellites are named by number."""
    rows = []
    for number, path in enumerate(sorted(folder.iterdir())):
        at = re.search(r"[-_](\d+(?:\.\d+)?)([EW])$", path.name)
        longitude = None if at is None else float(at[1]) * (1.0 if at[2] == "E" else -1.0)
        for block in path.read_text(encoding="utf-8", errors="replace").split("\n["):
            found = dict(re.findall(r"^\s*(\w+)\s*=\s*(\S+)", block, re.MULTILINE))
            if found.get("POLARIZATION") not in _POLARISATION or not found.get("FREQUENCY", "").isdigit():
                continue
            rows.append(
                {
                    "satellite": f"satellite {number:03d}",
                    "orbital_longitude_deg": longitude,
                    "polarisation": _POLARISATION[found["POLARIZATION"]],
                    "rf_mhz": float(found["FREQUENCY"]) / 1e3,
                    "symbol_rate_kbd": float(found.get("SYMBOL_RATE", "0")) / 1e3 or None,
                }
            )
    return CarrierTable.from_rows(rows, file="open plans")


def without(table: CarrierTable, drop: np.ndarray) -> CarrierTable:
    """Return the table without some rows."""
    keep = np.flatnonzero(~drop)
    columns = {
        name: getattr(table, name)[keep]
        for name in table.__dataclass_fields__
        if isinstance(getattr(table, name), np.ndarray)
    }
    text = {name: column[keep] for name, column in table.text.items()}
    return dataclasses.replace(table, **columns, text=text)


def same_position(table: CarrierTable, plan: PlanList) -> np.ndarray:
    """Return which rows stand at the orbital position of a list (or belong to its satellite)."""
    mine = table.text["satellite"] == plan.satellite
    if plan.orbital_longitude_deg is None:
        return mine
    apart = np.abs((table.orbital_longitude_deg - plan.orbital_longitude_deg + 180.0) % 360.0 - 180.0)
    return mine | (np.nan_to_num(apart, nan=999.0) < 0.3)


def rest(world: World, plan: PlanList) -> CarrierTable:
    """Return the table without the position of a plan; kept, because preparing it takes longer than an answer."""
    key = (plan.satellite, plan.orbital_longitude_deg)
    if key not in world.rests:
        world.rests[key] = without(world.table, same_position(world.table, plan))
    return world.rests[key]


@dataclass(frozen=True)
class Trial:
    """One drawn sweep and the truth behind it."""

    measurement: Measurement
    chain: ReceiveChain
    plan: PlanList
    state: LoState
    lo_error_hz: float
    listed: int
    offset_bound_hz: float


@dataclass(frozen=True)
class World:
    """Table, and the lists that a chain can see, by band."""

    table: CarrierTable
    seen: tuple[tuple[str, LoState, PlanList], ...]
    columns: dict[str, tuple[np.ndarray, ...]]
    tolerance_hz: float | None = 1e6
    rests: dict[tuple[str, float | None], CarrierTable] = field(default_factory=dict)

    @classmethod
    def build(cls, table: CarrierTable, tolerance_hz: float | None = 1e6) -> World:
        """Collect every list with a row in a band of a chain."""
        seen = []
        for band in ("ku", "c"):
            for state in chain_of(band).lo_states:
                for plan in table.lists:
                    rf_hz = table.rf_hz[plan.rows]
                    if ((rf_hz >= state.rf_min_hz) & (rf_hz <= state.rf_max_hz)).any():
                        seen.append((band, state, plan))
        return cls(table, tuple(seen), _columns(table, seen), tolerance_hz)


def draw(
    world: World,
    rng: np.random.Generator,
    *,
    least: int = 5,
    most: int | None = None,
    missing: float = 0.12,
    extra: float = 0.15,
    lo_range_hz: tuple[float, ...] = (0.1e6, 1e6, 3e6),
    setting: Setting = USUAL,
) -> Trial:
    """Draw lists, spans and errors until the sweep shows between `least` and `most` listed carriers."""
    while True:
        band, state, plan = world.seen[rng.integers(len(world.seen))]
        trial = _draw_one(world, rng, band, state, plan, missing, extra, lo_range_hz, most, setting)
        if trial is not None and least <= trial.listed <= (most or 10_000):
            return trial


def _draw_one(
    world: World,
    rng: np.random.Generator,
    band: str,
    state: LoState,
    plan: PlanList,
    missing: float,
    extra: float,
    lo_range_hz: tuple[float, ...],
    most: int | None,
    setting: Setting,
) -> Trial | None:
    chain = chain_of(band, world.tolerance_hz)
    start, stop, rbw = _span(chain, rng, most)
    rbw = setting.rbw_hz or rbw
    sky = draw_sky(world.table, rng, state, plan, missing, extra, lo_range_hz)
    measurement, shown = _measure(sky.if_hz, sky.symbol_rate_bd, sky.listed, start, stop, rbw, rng, setting)
    if not sky.listed[shown].any():
        return None
    std = np.array([c.centre_std_hz for c in measurement.carriers])
    order = np.argsort(sky.if_hz[shown])
    good = sky.listed[shown][order]
    bound = float(np.sum(1.0 / (std[good] ** 2 + sky.rounding_hz**2)) ** -0.5)
    return Trial(measurement, chain, plan, state, sky.lo_error_hz, int(good.sum()), bound)


def _span(chain: ReceiveChain, rng: np.random.Generator, most: int | None) -> tuple[float, float, float]:
    """Whole IF range, 500 MHz of it, or (for few carriers) 100 to 500 MHz; and an RBW that goes with it."""
    start, stop = chain.if_min_hz, chain.if_max_hz
    if most is not None or rng.random() < 0.3:
        width = rng.uniform(100e6, 500e6) if most is not None else 500e6
        start = rng.uniform(start, stop - width)
        stop = start + width
    rbw = float(rng.choice([1e6, 3e6])) if stop - start > 600e6 else (1e6 if stop - start > 300e6 else 0.3e6)
    return start, stop, rbw


@dataclass(frozen=True)
class DrawnSky:
    """What is on air: IF (LO error included), rates, which are listed, std of the frequencies that the table rounds."""

    if_hz: np.ndarray
    symbol_rate_bd: np.ndarray
    listed: np.ndarray
    lo_error_hz: float
    rounding_hz: float


def draw_sky(
    table: CarrierTable,
    rng: np.random.Generator,
    state: LoState,
    plan: PlanList,
    missing: float,
    extra: float,
    lo_range_hz: tuple[float, ...],
) -> DrawnSky:
    """Draw which rows are on air, the unlisted carriers (half at rows of others, half anywhere) and the LO error."""
    lo_error = float(rng.uniform(-1.0, 1.0) * rng.choice(lo_range_hz))
    rf = table.rf_hz[plan.rows]
    rows = plan.rows[(rf >= state.rf_min_hz) & (rf <= state.rf_max_hz)]
    rf, rate = table.rf_hz[rows].copy(), table.symbol_rate_bd[rows]
    rounded = rng.random() < 0.5
    if rounded:
        rf += rng.uniform(-0.5, 0.5, rf.size) * table.rf_step_hz[rows]
    on_air = rng.random(rf.size) >= missing
    count = rng.binomial(max(1, rf.size), extra)
    foreign = rng.integers(0, len(table), count)
    far = rng.uniform(state.rf_min_hz, state.rf_max_hz, count)
    inside = (table.rf_hz[foreign] >= state.rf_min_hz) & (table.rf_hz[foreign] <= state.rf_max_hz)
    rf = np.concatenate([rf[on_air], np.where(inside & (rng.random(count) < 0.5), table.rf_hz[foreign], far)])
    rate = np.concatenate([rate[on_air], table.symbol_rate_bd[foreign]])
    listed = np.arange(rf.size) < on_air.sum()
    rounding = float(np.median(table.rf_step_hz[rows])) / np.sqrt(12.0) if rounded else 0.0
    return DrawnSky(state.sign * (rf - state.lo_hz - lo_error), rate, listed, lo_error, rounding)


def centre_std_hz(
    rate: float, cn_db: float, roll_off: float, rbw: float, spacing: float, readings: float = 10.0
) -> float:
    """Return the bound on the centre (closed form, derived from the information of a gamma-distributed trace)."""
    c = 10.0 ** (cn_db / 10.0)
    q = (1.0 + 0.5 * c) / np.sqrt(1.0 + c) - 1.0
    d = max(spacing, 1.41 * 1.06 * rbw)
    return float(np.sqrt(d * roll_off * rate / (2.0 * np.pi**2 * readings * q)))


def _measure(
    if_hz: np.ndarray,
    rate: np.ndarray,
    listed: np.ndarray,
    start: float,
    stop: float,
    rbw: float,
    rng: np.random.Generator,
    setting: Setting,
) -> tuple[Measurement, np.ndarray]:
    spacing = (stop - start) / (setting.points - 1)
    carriers, shown = [], []
    taken: list[tuple[float, float]] = []
    for index in np.argsort(~listed, kind="stable"):
        f, r = float(if_hz[index]), float(rate[index]) if np.isfinite(rate[index]) else 5e6
        alpha = float(rng.choice([0.2, 0.25, 0.35]))
        width, cn_db = r * (1.0 + alpha), float(np.clip(rng.normal(11.0, 3.0), 4.0, 20.0))
        if not start + 0.5 * width < f < stop - 0.5 * width:
            continue
        if any(abs(f - g) < 0.4 * (width + w) for g, w in taken):
            continue
        seen_db = cn_db + 10.0 * np.log10(min(1.0, width / rbw))
        readings = setting.readings * max(1.0, width / max(1.5 * rbw, spacing))
        if seen_db < 10.0 * np.log10(7.0 / np.sqrt(readings) + 45.0 / readings) + rng.normal(0.0, 0.7):
            continue
        if width < 2.0 * rbw and rng.random() < 0.2:
            continue
        taken.append((f, width))
        std = max(centre_std_hz(r, max(seen_db, 1.0), alpha, rbw, spacing, setting.readings), 0.02 * rbw)
        centre = f + rng.normal(0.0, std)
        rate_std = 3.6 * std
        known = rate_std < 0.3 * r and width > 1.5 * rbw
        measured = float(np.clip(r + rng.normal(0.0, rate_std), 0.3 * r, 3.0 * r)) if known else None
        carriers.append(
            Carrier(
                kind="modulated" if known else "unresolved" if width < 2 * rbw else "other",
                centre_hz=centre,
                centre_std_hz=std,
                symbol_rate_bd=measured,
                symbol_rate_std_bd=rate_std if known else None,
                occupied_bandwidth_hz=1.09 * measured if measured else None,
                occupied_bandwidth_std_hz=rate_std if measured else None,
                x_db_bandwidth_hz=None if known else max(width, 1.2 * rbw),
                cn_db=cn_db,
                cn_std_db=0.5,
            )
        )
        shown.append(int(index))
    order = np.argsort([c.centre_hz for c in carriers]) if carriers else np.empty(0, int)
    frequency = np.linspace(start, stop, setting.points)
    flat = np.full(setting.points, -80.0)
    measurement = Measurement(
        sweep=Sweep.from_arrays(frequency, flat, rbw_hz=rbw, detector="rms", averages=int(setting.readings)),
        floor=Floor(-80.0, -140.0, 0.1, 0.0, flat, np.full(setting.points, 0.1), np.ones(setting.points, bool)),
        carriers=tuple(carriers[i] for i in order),
        readings_per_point=setting.readings,
        readings_std=1.0,
        correlated_points=max(1.0, 1.41 * 1.06 * rbw / spacing),
        model_dbm=flat,
    )
    return measurement, np.array(shown, dtype=int)


def trials(world: World, count: int, seed: int, **options: object) -> Iterator[Trial]:
    """Yield seeded trials."""
    for number in range(count):
        yield draw(world, np.random.default_rng((seed, number)), **options)  # type: ignore[arg-type]


def shared(world: World, trial: Trial) -> tuple[float, float]:
    """Return what the true plan shares with its nearest rival in this sweep's span: any list, any other position.

    The lesser of the shares of the two lists (1 MHz, 2 % of rate), rows of one frequency counted once.
    """
    start, stop = trial.measurement.sweep.start_hz, trial.measurement.sweep.stop_hz
    edges = sorted(trial.state.lo_hz + trial.state.sign * np.array([start, stop]))
    rf_hz, log_rate, number = world.columns[trial.state.name]
    own = next(i for i, (_, state, plan) in enumerate(world.seen) if plan is trial.plan and state == trial.state)
    low, high = np.searchsorted(rf_hz, edges)
    rf_hz, log_rate, number = rf_hz[low:high], log_rate[low:high], number[low:high]
    size = np.bincount(number, minlength=len(world.seen)).astype(float)
    mine = number == own
    theirs = np.zeros((int(mine.sum()), len(world.seen)), bool)
    hits = np.zeros(len(world.seen))
    answered = np.zeros(rf_hz.size, bool)
    for index, (f, r) in enumerate(zip(rf_hz[mine], log_rate[mine], strict=True)):
        a, b = np.searchsorted(rf_hz, (f - 1.001e6, f + 1.001e6))
        same = np.arange(a, b)[~(np.abs(log_rate[a:b] - r) > 0.02)]
        theirs[index, number[same]] = True
        answered[same] = True
    hits = np.bincount(number[answered], minlength=len(world.seen))
    share = np.minimum(theirs.mean(axis=0), hits / np.maximum(size, 1.0)) if mine.any() else hits * 0.0
    share[own] = 0.0
    here = same_position(world.table, trial.plan)
    apart = np.array([not here[plan.rows].any() for _, _, plan in world.seen])
    return float(share.max()), float((share * apart).max())


def _columns(table: CarrierTable, seen: list[tuple[str, LoState, PlanList]]) -> dict[str, tuple[np.ndarray, ...]]:
    """Rows of all lists by LO state, by rising frequency, each frequency of a list once: rf, log rate, number."""
    parts: dict[str, list[np.ndarray]] = {}
    for number, (_, state, plan) in enumerate(seen):
        rf_hz = table.rf_hz[plan.rows]
        use = (rf_hz >= state.rf_min_hz) & (rf_hz <= state.rf_max_hz)
        rows = np.column_stack([rf_hz[use], np.log(table.symbol_rate_bd[plan.rows][use]), np.full(use.sum(), number)])
        parts.setdefault(state.name, []).append(rows[np.concatenate(([True], np.diff(rows[:, 0]) > 1e6))])
    found = {}
    for name, each in parts.items():
        rows = np.concatenate(each)
        rows = rows[np.argsort(rows[:, 0], kind="stable")]
        found[name] = (rows[:, 0], rows[:, 1], rows[:, 2].astype(int))
    return found


COLUMNS = (
    "trial", "listed", "carriers", "twin", "far_twin", "verdict", "right", "named", "rank", "error_hz", "std_hz",
    "bound_hz", "none", "next", "kin", "probability", "absent_verdict", "absent_named", "absent_none", "absent_next",
    "absent_kin", "absent_probability",
)  # fmt: skip


def record(world: World, number: int, trial: Trial, *, left_out: bool = True) -> dict[str, object]:
    """Identify one trial with the whole table, and (`left_out`) with every list of the true position left out."""
    from spectra.identify import identify

    near, far = shared(world, trial)
    result = identify(trial.measurement, world.table, trial.chain)
    truth = (trial.plan.satellite, trial.plan.polarisation, trial.state.name)
    places = [(c.satellite, c.polarisation, c.lo_state) for c in result.candidates]
    place = places.index(truth) if truth in places else -1
    limit = result.thresholds.confirmed_next
    best = result.candidates[0] if result.candidates else None
    behind = result.candidates[place].log10_odds_next if place > 0 else 0.0
    named = place == 0 or (place > 0 and behind is not None and behind >= -limit)
    value: dict[str, object] = {
        "trial": number, "listed": trial.listed, "carriers": len(trial.measurement.carriers),
        "twin": round(near, 2), "far_twin": round(far, 2), "verdict": result.verdict, "right": int(place == 0),
        "named": int(named), "rank": place, "bound_hz": round(trial.offset_bound_hz),
    }  # fmt: skip
    if best is not None and place == 0:
        value["error_hz"] = round(best.lo_error_hz - trial.lo_error_hz)
        value["std_hz"] = round(best.lo_error_std_hz)
    absent = identify(trial.measurement, rest(world, trial.plan), trial.chain) if left_out else None
    for prefix, answer in (("", result), ("absent_", absent)):
        if answer is None:
            continue
        for name in ("none", "next", "kin"):
            odds = getattr(answer, f"log10_odds_{name}")
            value[prefix + name] = "" if odds is None else round(odds, 2)
        value[prefix + "probability"] = "" if answer.probability is None else f"{answer.probability:.5f}"
    if absent is not None:
        value["absent_verdict"] = absent.verdict
        value["absent_named"] = (absent.candidates[0].satellite or "") if absent.candidates else ""
    return value


def main(arguments: list[str]) -> None:
    """Run a campaign: ``identify_trials.py [trials] [seed] [least] [most] [left out] [careful]``.

    The table lies beside this file. Of the first `left out` trials (0: all) the true position is left out too.

    Usual sweeps have 1001 points and ten averages, careful ones 4001 points, RBW 300 kHz and twenty averages.
    """
    careful = "careful" in arguments
    numbers = [int(each) for each in arguments if each != "careful"]
    count, seed, least, most, gone = (numbers + [2000, 1, 5, 0, 0][len(numbers) :])[:5]
    world = World.build(load_plans())
    path = Path(__file__).with_name(f"identify_trials_{'careful_' if careful else ''}{least}_{most or 'up'}.csv")
    setting = CAREFUL if careful else USUAL
    drawn = enumerate(trials(world, count, seed, least=least, most=most or None, setting=setting))
    records = counts.keep(
        path,
        f"seed {seed}, {count} trials, {least} to {most or 'any'} listed carriers",
        COLUMNS,
        (record(world, number, trial, left_out=number < (gone or count)) for number, trial in drawn),
    )
    for name, value in counts.figures(records).items():
        sys.stdout.write(f"{name}: {value:.4g}\n")
    for line in counts.reliability(records):
        sys.stdout.write(", ".join(f"{name} {value:.4g}" for name, value in line.items()) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
