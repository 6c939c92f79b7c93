"""Scene in memory: what is on air, what the receive chain does to it, and which sweeps are saved of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Any, Literal

from spectra.plan.chain import ReceiveChain
from spectra.plan.table import CarrierTable
from spectra.simulate.analyser import Analyser
from spectra.simulate.spectrum import ReceiveLine

__all__ = [
    "LAYOUTS",
    "ExtraCarrier",
    "Interferer",
    "InterfererKind",
    "Neighbour",
    "Receive",
    "Scene",
    "SceneSweep",
    "Sky",
    "Transponder",
]

InterfererKind = Literal["cw", "modulated", "hump", "burst"]

LAYOUTS = ("plain", "preamble", "levels", "three-traces", "decimal-comma", "utf16-tab")
"""Shapes in which a sweep can be saved; see `spectra.simulate.layouts`."""


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another satellite of the table in the antenna's beam, its carriers so many dB down."""

    satellite: str
    down_db: float


@dataclass(frozen=True, slots=True)
class Sky:
    """What arrives at the antenna from the carrier table.

    Attributes
    ----------
    satellite : str or None
        Name in the table; None for an antenna off any satellite.
    beam, polarisation : str or None
        Polarisation received where the LO state does not say it.
    leakage_db : float or None
        How far carriers of the other polarisation are down; None for none at all.
    cn_offset_db, cn_spread_db : float
        Added to every reference C/N: a common part (weather, pointing), and a standard deviation from row to row.
    default_cn_db, beacon_cn0_dbhz : float
        C/N of rows without a reference, and C/N0 of unmodulated rows.
    missing_lines : tuple of int
        Lines of the table (header = 1) that are not on air.
    neighbours : tuple of Neighbour
    seed : int
        For the spread from row to row.
    """

    satellite: str | None = None
    beam: str | None = None
    polarisation: str | None = None
    leakage_db: float | None = None
    cn_offset_db: float = 0.0
    cn_spread_db: float = 0.0
    default_cn_db: float = 10.0
    beacon_cn0_dbhz: float = 72.0
    missing_lines: tuple[int, ...] = ()
    neighbours: tuple[Neighbour, ...] = ()
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Receive:
    """What LNB and cable do. `lo_state` is the state the LNB is truly in, `lo_error_hz` true LO minus nominal."""

    lo_state: str | None = None
    lo_error_hz: float = 0.0
    density_dbm_hz: float | None = -145.0
    line: ReceiveLine = field(default_factory=ReceiveLine)


@dataclass(frozen=True, slots=True)
class ExtraCarrier:
    """A carrier on air that no table lists, at an RF (moves with the LO) or an IF."""

    cn_db: float
    rf_hz: float | None = None
    if_hz: float | None = None
    symbol_rate_bd: float | None = None
    roll_off: float = 0.2
    name: str = ""


@dataclass(frozen=True, slots=True)
class Interferer:
    """Something that should not be there: by the cable at an IF, or through the antenna at an RF.

    The level is `power_dbm` at the analyser, or `cn_db` over the noise density: in the symbol rate for a modulated one,
    in 1 Hz for a tone, as density over density for a hump.
    """

    name: str
    kind: InterfererKind
    rf_hz: float | None = None
    if_hz: float | None = None
    power_dbm: float | None = None
    cn_db: float | None = None
    width_hz: float | None = None
    roll_off: float = 0.35
    duty: float = 1.0


@dataclass(frozen=True, slots=True)
class Transponder:
    """Noise that a transponder adds over its width: the floor under its carriers stands higher by `rise_db`."""

    rf_hz: float
    width_hz: float
    rise_db: float
    roll_off: float = 0.1


@dataclass(frozen=True, slots=True)
class SceneSweep:
    """One file to be saved: analyser, what is on air for it, and the context of its sidecar."""

    file: str
    layout: str
    analyser: Analyser
    sky: Sky
    receive: Receive
    interferers: tuple[str, ...] | None = None
    captured_at: datetime | None = None
    context: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True)
class Scene:
    """A scene read from its file, with the table and the chain that it names."""

    name: str
    seed: int
    sweeps: tuple[SceneSweep, ...]
    table: CarrierTable | None = None
    chain: ReceiveChain | None = None
    carriers: tuple[ExtraCarrier, ...] = ()
    interferers: tuple[Interferer, ...] = ()
    transponders: tuple[Transponder, ...] = ()
    file: str = "(memory)"
