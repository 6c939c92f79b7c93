"""Synthetic sweeps for the identification: measurements made from rows, without a trace behind them."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from spectra.measure.measurement import Carrier, Floor, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable
from spectra.sweep import Sweep

LOW = LoState("low", 9.75e9, "low", 10.7e9, 11.7e9, tone_22khz=False, tolerance_hz=0.9e6)
HIGH = LoState("high", 10.6e9, "low", 11.7e9, 12.75e9, tone_22khz=True, tolerance_hz=0.9e6)
C_BAND = LoState("c", 5.15e9, "high", 3.4e9, 4.2e9, tolerance_hz=0.5e6)


@pytest.fixture
def chain() -> ReceiveChain:
    return ReceiveChain("deck", 950e6, 2150e6, (LOW, HIGH), reference_ppm=0.5)


@pytest.fixture
def c_chain() -> ReceiveChain:
    return ReceiveChain("c deck", 950e6, 1750e6, (C_BAND,), reference_ppm=0.5)


def plan(
    rng: np.random.Generator,
    satellite: str,
    longitude: float,
    polarisation: str = "H",
    start_mhz: float = 10_710.0,
    count: int = 24,
    **more: Any,
) -> list[dict[str, Any]]:
    """An invented list: carriers 20 to 60 MHz apart, at whole kHz, rates drawn from a handful."""
    rf = start_mhz + np.cumsum(rng.uniform(20.0, 55.0, count))
    rates = rng.choice([2_500.0, 5_000.0, 7_200.0, 11_000.0, 15_500.0], count)
    return [
        {
            "satellite": satellite,
            "orbital_longitude_deg": longitude,
            "polarisation": polarisation,
            "rf_mhz": round(float(f), 3),
            "symbol_rate_kbd": float(r),
            "roll_off": 0.2,
            **more,
        }
        for f, r in zip(rf, rates, strict=True)
    ]


@pytest.fixture(scope="session")
def arc() -> CarrierTable:
    """Nine invented satellites, two polarisations each, over both Ku bands."""
    rng = np.random.default_rng(20_261)
    names = ["Alder", "Birch", "Cedar", "Dogwood", "Elder", "Fir", "Gorse", "Hazel", "Ilex"]
    rows: list[dict[str, Any]] = []
    for number, name in enumerate(names):
        for polarisation in "HV":
            rows += plan(rng, name, -20.0 + 5.0 * number, polarisation, 10_710.0, 24)
            rows += plan(rng, name, -20.0 + 5.0 * number, polarisation, 11_710.0, 24)
    return CarrierTable.from_rows(rows, "arc.csv")


def measurement(
    carriers: Iterable[Carrier], start_hz: float = 950e6, stop_hz: float = 2150e6, rbw_hz: float = 1e6
) -> Measurement:
    """A measurement with these carriers; floor and trace are flat and stand for nothing."""
    points = 1001
    frequency, flat = np.linspace(start_hz, stop_hz, points), np.full(points, -80.0)
    return Measurement(
        sweep=Sweep.from_arrays(frequency, flat, rbw_hz=rbw_hz, detector="rms", averages=10),
        floor=Floor(-80.0, -140.0, 0.1, 0.0, flat, np.full(points, 0.1), np.ones(points, bool)),
        carriers=tuple(sorted(carriers, key=lambda each: each.centre_hz)),
        readings_per_point=10.0,
        readings_std=1.0,
        correlated_points=1.5,
        model_dbm=flat,
    )


def carrier(centre_hz: float, rate_bd: float, std_hz: float = 60e3, cn_db: float = 12.0) -> Carrier:
    return Carrier(
        "modulated",
        centre_hz,
        std_hz,
        symbol_rate_bd=rate_bd,
        symbol_rate_std_bd=0.03 * rate_bd,
        occupied_bandwidth_hz=1.073 * rate_bd,
        occupied_bandwidth_std_hz=0.02 * rate_bd,
        cn_db=cn_db,
        cn_std_db=0.3,
    )


def sky(
    table: CarrierTable,
    satellite: str,
    polarisation: str,
    state: LoState,
    *,
    lo_error_hz: float = 0.0,
    ppm: float = 0.0,
    rng: np.random.Generator | None = None,
    std_hz: float = 60e3,
    missing: float = 0.0,
    span: tuple[float, float] = (950e6, 2150e6),
) -> list[Carrier]:
    """What a sweep of that satellite shows: displayed = true x (1 + ppm), true IF = +-(RF - LO - error)."""
    found = []
    for row in table:
        if (row.satellite, row.polarisation) != (satellite, polarisation):
            continue
        if not state.rf_min_hz <= row.rf_hz <= state.rf_max_hz:
            continue
        if rng is not None and rng.random() < missing:
            continue
        if_hz = state.sign * (row.rf_hz - state.lo_hz - lo_error_hz) * (1.0 + 1e-6 * ppm)
        rate = row.symbol_rate_bd or 5e6
        if not span[0] + 0.6 * rate < if_hz < span[1] - 0.6 * rate:
            continue
        noise = 0.0 if rng is None else float(rng.normal(0.0, std_hz))
        rate_noise = 1.0 if rng is None else 1.0 + float(rng.normal(0.0, 0.03))
        found.append(carrier(if_hz + noise, rate * rate_noise, std_hz))
    return found


@pytest.fixture
def make() -> Callable[..., Measurement]:
    return measurement


@pytest.fixture
def shown() -> Callable[..., list[Carrier]]:
    return sky


@pytest.fixture
def one() -> Callable[..., Carrier]:
    return carrier


@pytest.fixture
def states() -> dict[str, LoState]:
    return {"low": LOW, "high": HIGH, "c": C_BAND}


@pytest.fixture
def invent() -> Callable[..., list[dict[str, Any]]]:
    return plan


@pytest.fixture(scope="session")
def campaign() -> Callable[[str], ModuleType]:
    """Load a campaign by name; they are scripts, not a package."""

    def load(name: str) -> ModuleType:
        path = Path(__file__).parents[1] / "campaigns" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
        return module

    return load
