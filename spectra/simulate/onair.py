"""From a carrier table and a receive chain to the spectrum at the analyser's input.

Low side: IF = RF - LO, so an LO that is too high moves carriers down. High side: IF = LO - RF, so it moves them up.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spectra.errors import SceneError
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierRow, CarrierTable
from spectra.simulate.scene import ExtraCarrier, Interferer, Receive, Scene, SceneSweep, Sky, Transponder
from spectra.simulate.spectrum import Emission, Role, Spectrum, Tone
from spectra.units import from_db

__all__ = ["received_polarisation", "received_spectrum", "spectrum_for_sweep"]

_OPPOSITE = {"H": "V", "V": "H", "L": "R", "R": "L"}
_BEYOND_IF_HZ = 200e6
"""Carriers further outside the chain's IF range than this are left out: the IF filter has long cut them off."""

DEFAULT_ROLL_OFF = 0.2
"""For rows that give none (the narrowest of EN 302 307-1; from memory)."""


def spectrum_for_sweep(scene: Scene, sweep: SceneSweep) -> Spectrum:
    """Return the spectrum that one sweep of a scene sees.

    Raises
    ------
    SceneError
        If the scene names what its table or chain does not have.
    """
    wanted = [one for one in scene.interferers if sweep.interferers is None or one.name in sweep.interferers]
    return received_spectrum(
        sweep.sky,
        sweep.receive,
        scene.table,
        scene.chain,
        carriers=scene.carriers,
        interferers=wanted,
        transponders=scene.transponders,
        source=scene.file,
    )


def received_polarisation(sky: Sky, receive: Receive, chain: ReceiveChain | None, source: str = "scene") -> str | None:
    """Return what polarisation reaches the IF: that of the LO state, else that of the sky."""
    state = _state(receive, chain, source)
    return (state.polarisation if state is not None else None) or sky.polarisation


def received_spectrum(
    sky: Sky,
    receive: Receive,
    table: CarrierTable | None = None,
    chain: ReceiveChain | None = None,
    *,
    carriers: Sequence[ExtraCarrier] = (),
    interferers: Sequence[Interferer] = (),
    transponders: Sequence[Transponder] = (),
    source: str = "scene",
) -> Spectrum:
    """Return the spectrum at the analyser's input.

    Raises
    ------
    SceneError
        If sky or receive name what table or chain do not have.
    """
    empty = Spectrum(receive.density_dbm_hz, receive.line)
    if receive.density_dbm_hz is None:  # a terminated cable, or an LNB without supply: only pick-up remains
        interferers = [one for one in interferers if one.rf_hz is None]
        carriers, transponders, sky = (), (), Sky()
    mixer = _Mixer(_state(receive, chain, source), receive.lo_error_hz, source)
    signals: list[Emission | Tone] = []
    if sky.satellite is not None:
        signals += _from_table(sky, receive, table, chain, mixer, empty, source)
    for number, extra in enumerate(carriers):
        signals.append(_extra(extra, mixer, empty, f"extra {number + 1}"))
    signals += [_pedestal(one, mixer, empty) for one in transponders]
    signals += [_interferer(one, mixer, empty) for one in interferers]
    emissions = tuple(signal for signal in signals if isinstance(signal, Emission))
    tones = tuple(signal for signal in signals if isinstance(signal, Tone))
    return Spectrum(receive.density_dbm_hz, receive.line, emissions, tones)


def _refuse(source: str, key: str, found: str, expected: str) -> SceneError:
    return SceneError(source, None, found, expected, "Mend that key.", key)


def _state(receive: Receive, chain: ReceiveChain | None, source: str) -> LoState | None:
    if receive.lo_state is None:
        return None
    if chain is None:
        raise _refuse(source, "scene.chain", "an LO state but no receive chain", "the chain's file")
    try:
        return chain.state(receive.lo_state)
    except KeyError:
        known = ", ".join(state.name for state in chain.lo_states)
        raise _refuse(source, "receive.lo_state", f"LO state {receive.lo_state!r}", f"one of {known}") from None


@dataclass(frozen=True, slots=True)
class _Mixer:
    """The LNB's oscillator as it truly is."""

    state: LoState | None
    lo_error_hz: float
    source: str

    def if_hz(self, rf_hz: float) -> float:
        if self.state is None:
            raise _refuse(self.source, "receive.lo_state", "an RF but no LO state", "the LO state that the LNB is in")
        return float(self.state.if_from_rf(rf_hz)) - self.state.sign * self.lo_error_hz

    def place(self, rf_hz: float | None, if_hz: float | None) -> float:
        if if_hz is not None:
            return if_hz
        assert rf_hz is not None
        return self.if_hz(rf_hz)


def _from_table(
    sky: Sky,
    receive: Receive,
    table: CarrierTable | None,
    chain: ReceiveChain | None,
    mixer: _Mixer,
    empty: Spectrum,
    source: str,
) -> Iterator[Emission | Tone]:
    if table is None or chain is None:
        raise _refuse(source, "sky.satellite", "a satellite but no carrier table or chain", "both files under [scene]")
    polarisation = received_polarisation(sky, receive, chain, source)
    if polarisation is None:
        raise _refuse(source, "sky.polarisation", "no polarisation", "one here or in the LO state")
    lines = set(table.line.tolist())
    unknown = [line for line in sky.missing_lines if line not in lines]
    if unknown:
        raise _refuse(source, "sky.missing_lines", f"line {unknown[0]}", f"lines of {table.file}")
    assert sky.satellite is not None
    sources: list[tuple[str, float, Role]] = [(sky.satellite, 0.0, "carrier")]
    sources += [(one.satellite, one.down_db, "neighbour") for one in sky.neighbours]
    for satellite, down_db, role in sources:
        key = "sky.satellite" if role == "carrier" else "sky.neighbour.satellite"
        for row in _rows_of(satellite, table, source, key):
            if row.line in sky.missing_lines or (sky.beam and row.beam and row.beam != sky.beam and role == "carrier"):
                continue
            if row.polarisation == polarisation:
                down, of = down_db, role
            elif sky.leakage_db is not None and row.polarisation == _OPPOSITE.get(polarisation):
                down, of = down_db + sky.leakage_db, "leakage"
            else:
                continue
            signal = _row(row, sky, down, of, mixer, empty, chain)
            if signal is not None:
                yield signal


def _rows_of(satellite: str, table: CarrierTable, source: str, key: str) -> list[CarrierRow]:
    names = [str(name).casefold() for name in table.text["satellite"]]
    rows = [table.row(index) for index, name in enumerate(names) if name == satellite.casefold()]
    if not rows:
        known = list(dict.fromkeys(str(name) for name in table.text["satellite"]))
        shown = ", ".join(known[:20]) + (f" ... ({len(known)} in all)" if len(known) > 20 else "")
        raise _refuse(source, key, f"satellite {satellite!r}", f"one of {shown}")
    return rows


def _row(
    row: CarrierRow, sky: Sky, down_db: float, role: Role, mixer: _Mixer, empty: Spectrum, chain: ReceiveChain
) -> Emission | Tone | None:
    if_hz = mixer.if_hz(row.rf_hz)
    if not chain.if_min_hz - _BEYOND_IF_HZ <= if_hz <= chain.if_max_hz + _BEYOND_IF_HZ or if_hz <= 0.0:
        return None
    change = sky.cn_offset_db - down_db
    if sky.cn_spread_db > 0.0:
        change += sky.cn_spread_db * float(np.random.default_rng((sky.seed, row.line)).standard_normal())
    name = row.network_id or f"line {row.line}"
    if (row.kind or "").casefold() == "cw":
        power = empty.power_for_cn(sky.beacon_cn0_dbhz + change, 1.0)
        return Tone(if_hz, power, role=role, name=name, table_line=row.line)
    roll_off = DEFAULT_ROLL_OFF if row.roll_off is None else row.roll_off
    rate = row.symbol_rate_bd
    if rate is None:
        if row.bandwidth_hz is None:
            return None  # the table does not say how wide it is: nothing to draw
        rate = row.bandwidth_hz / (1.0 + roll_off)
    reference = sky.default_cn_db if row.reference_cn_db is None else row.reference_cn_db
    power = empty.power_for_cn(reference + change, rate)
    return Emission(if_hz, rate, roll_off, power, role=role, name=name, table_line=row.line)


def _extra(extra: ExtraCarrier, mixer: _Mixer, empty: Spectrum, name: str) -> Emission | Tone:
    at = mixer.place(extra.rf_hz, extra.if_hz)
    if extra.symbol_rate_bd is None:
        return Tone(at, empty.power_for_cn(extra.cn_db, 1.0), name=extra.name or name)
    power = empty.power_for_cn(extra.cn_db, extra.symbol_rate_bd)
    return Emission(at, extra.symbol_rate_bd, extra.roll_off, power, name=extra.name or name)


def _pedestal(transponder: Transponder, mixer: _Mixer, empty: Spectrum) -> Emission:
    over_db = 10.0 * math.log10(from_db(transponder.rise_db) - 1.0)
    power = empty.power_for_cn(over_db, transponder.width_hz)
    at = mixer.if_hz(transponder.rf_hz)
    return Emission(at, transponder.width_hz, transponder.roll_off, power, role="noise", name="transponder noise")


def _interferer(one: Interferer, mixer: _Mixer, empty: Spectrum) -> Emission | Tone:
    at = mixer.place(one.rf_hz, one.if_hz)
    by_antenna = one.rf_hz is not None
    gain_db = float(empty.line.gain_db(np.asarray(at)))
    width = one.width_hz
    power = one.power_dbm
    if power is None:
        assert one.cn_db is not None
        power = empty.power_for_cn(one.cn_db, 1.0 if width is None else width) + gain_db
    if by_antenna:
        power -= gain_db  # stated at the analyser, but the line's gain still comes
    if width is None:
        return Tone(at, power, by_antenna, one.duty, "interferer", one.name)
    emission = Emission(at, width, one.roll_off, power, by_antenna, one.duty, "interferer", one.name)
    return replace(emission, roll_off=1.0, kind="other") if one.kind == "hump" else emission
