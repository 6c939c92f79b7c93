"""Read a scene, a TOML file that a person writes.

Specimen::

    [scene]
    name = "First look"
    seed = 7
    table = "../carriers.csv"        # relative to this file
    chain = "../chain.toml"

    [sky]
    satellite = "Skerry 2"
    leakage_db = 24                  # the other polarisation

    [receive]
    lo_state = "high V"              # what the LNB truly does
    lo_error_khz = 320               # true LO minus nominal
    density_dbm_hz = -142
    tilt_db = -5

    [analyser.wide]
    start_mhz = 950
    stop_mhz = 2150
    points = 1001
    rbw_khz = 1000
    averages = 10
    readings = 20

    [[interferer]]
    name = "pick-up"
    kind = "cw"
    if_mhz = 1640                    # by the cable; rf_mhz for through the antenna
    power_dbm = -70

    [[sweep]]
    file = "first.csv"
    layout = "preamble"
    analyser = "wide"                # any key of it can be overridden here

Tables `carrier`, `interferer`, `transponder` may repeat; `[context]` and a sweep's `context` go into the sidecar.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, get_args

from spectra.capture import context_from_mapping
from spectra.errors import ContextError, SceneError
from spectra.plan import load_chain, load_table
from spectra.plan.table import POLARISATIONS
from spectra.simulate.analyser import Analyser, AverageType, Mode, Tuning
from spectra.simulate.scene import (
    LAYOUTS,
    ExtraCarrier,
    Interferer,
    InterfererKind,
    Neighbour,
    Receive,
    Scene,
    SceneSweep,
    Sky,
    Transponder,
)
from spectra.simulate.spectrum import ReceiveLine
from spectra.simulate.tomlkeys import Keys, Source
from spectra.sweep import DETECTORS, TRACE_MODES
from spectra.units import db, from_db

__all__ = ["load_scene"]

_ANALYSER_KEYS = (
    *("start_mhz", "stop_mhz", "centre_mhz", "span_mhz", "points", "rbw_khz", "vbw_khz", "poles", "detector"),
    *("averages", "average_type", "trace_mode", "readings", "sweep_time_s", "mode", "tuning", "own_noise_dbm_hz"),
    *("level_error_db", "reference_ppm", "compression_1db_dbm", "rounding_db", "clip_low_dbm", "clip_high_dbm"),
    *("reference_level_dbm", "attenuation_db"),
)
_BY_CENTRE, _BY_EDGES = ("centre_mhz", "span_mhz"), ("start_mhz", "stop_mhz")
_SKY_KEYS = (
    *("satellite", "beam", "polarisation", "leakage_db", "cn_offset_db", "cn_spread_db", "default_cn_db"),
    *("beacon_cn0_dbhz", "missing_lines", "neighbour"),
)
_RECEIVE_KEYS = (
    *("lo_state", "lo_error_khz", "density_dbm_hz", "no_lnb", "tilt_db", "ripple_db", "ripple_period_mhz"),
    *("ripple_phase_rad", "tilt_from_mhz", "tilt_to_mhz", "low_edge_mhz", "high_edge_mhz", "edge_width_mhz"),
    "edge_depth_db",
)


def load_scene(path: str | Path) -> Scene:
    """Read a scene with the table and the chain that it names.

    Raises
    ------
    SceneError
        If the file is no TOML, a key is unknown or a value does not fit.
    TableError, ChainError
        If the table or the chain that it names cannot be used.
    """
    path = Path(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
        values = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise SceneError(str(path), None, f"no TOML ({problem})", "a scene in TOML", "Mend that line.") from None
    except OSError as problem:
        what = problem.strerror or str(problem)
        raise SceneError(str(path), None, what, "a readable file", "Check name and permissions.") from None
    source = Source(str(path), text)
    top = Keys(values, source, "")
    head = Keys(top.table("scene"), source, "scene")
    name = head.words("name", required=True) or ""
    seed = head.whole("seed", least=0, required=True) or 0
    table_file, chain_file = head.words("table"), head.words("chain")
    head.done()
    table = None if table_file is None else load_table(path.parent / table_file)
    chain = None if chain_file is None else load_chain(path.parent / chain_file)
    carriers = tuple(_carrier(Keys(v, source, "carrier", i)) for i, v in enumerate(top.tables("carrier")))
    interferers = tuple(_interferer(Keys(v, source, "interferer", i)) for i, v in enumerate(top.tables("interferer")))
    transponders = tuple(
        _transponder(Keys(v, source, "transponder", i)) for i, v in enumerate(top.tables("transponder"))
    )
    common = _Common(top.table("sky"), top.table("receive"), top.table("context"), top.table("analyser"), seed)
    known = tuple(one.name for one in interferers)
    sweeps = tuple(_sweep(v, source, i, common, known) for i, v in enumerate(top.tables("sweep")))
    if not sweeps:
        raise top.refuse("sweep", "no sweep", "at least one table [[sweep]]", "Add one.")
    top.done()
    files = [sweep.file for sweep in sweeps]
    for index, file in enumerate(files):
        if file in files[:index]:
            raise Keys({}, source, "sweep", index).refuse("file", f"file {file!r} twice", "a name of its own")
    return Scene(name, seed, sweeps, table, chain, carriers, interferers, transponders, str(path))


class _Common:
    """What all sweeps of a scene share, as read: single sweeps lay their own keys over it."""

    def __init__(
        self,
        sky: Mapping[str, Any],
        receive: Mapping[str, Any],
        context: Mapping[str, Any],
        analysers: Mapping[str, Any],
        seed: int,
    ) -> None:
        self.sky, self.receive, self.context, self.analysers, self.seed = sky, receive, context, analysers, seed


def _sweep(
    values: Mapping[str, Any], source: Source, index: int, common: _Common, known: tuple[str, ...]
) -> SceneSweep:
    own = Keys(values, source, "sweep", index)
    file = own.words("file", required=True) or ""
    if Path(file).name != file or file in (".", ".."):
        raise own.refuse("file", f"file = {file!r}", "a bare file name")
    layout = own.words("layout", choices=LAYOUTS) or "preamble"
    preset = own.words("analyser", choices=tuple(common.analysers)) if common.analysers else None
    base = {} if preset is None else common.analysers[preset]
    if not isinstance(base, dict):
        raise own.refuse("analyser", f"analyser = {preset!r}", f"a table [analyser.{preset}]")
    merged, over = _laid_over(base, values, _ANALYSER_KEYS, own)
    if preset is None:
        analyser = _analyser(Keys(merged, source, "sweep", index, over))
    else:
        analyser = _analyser(Keys(merged, source, f"analyser.{preset}", None, over))
    merged, over = _laid_over(common.sky, values, _SKY_KEYS, own)
    sky = _sky(Keys(merged, source, "sky", None, over), common.seed)
    merged, over = _laid_over(common.receive, values, _RECEIVE_KEYS, own)
    receive = _receive(Keys(merged, source, "receive", None, over))
    captured_at = own.time("captured_at")
    port = own.words("port", choices=("co", "cross", "single"))
    commanded = own.words("commanded_lo_state")
    names = own.listed("interferers", str, "names")
    for name in names or ():
        if name not in known:
            raise own.refuse("interferers", f"interferer {name!r}", "one of " + (", ".join(known) or "none defined"))
    context = {**common.context, **own.table("context")}
    own.done()
    if captured_at is not None:
        context.setdefault("captured_at", captured_at)
    if port is not None:
        context.setdefault("port", port)
    if (commanded or receive.lo_state) is not None:
        context.setdefault("lo_state", commanded or receive.lo_state)
    try:
        context_from_mapping(context, source.file)
    except ContextError as problem:
        raise own.refuse("context", problem.found, problem.expected) from None
    return SceneSweep(file, layout, analyser, sky, receive, names, captured_at, MappingProxyType(context))


def _laid_over(
    base: Mapping[str, Any], values: Mapping[str, Any], keys: tuple[str, ...], own: Keys
) -> tuple[dict[str, Any], dict[str, Keys]]:
    """Return the shared table with the sweep's own keys laid over it, and whose keys those are."""
    taken = {key: own.take(key) for key in keys}  # all of them, so that the list of known keys is whole
    over = {key: value for key, value in taken.items() if key in values}
    merged = {**base, **over}
    for told, other in ((_BY_CENTRE, _BY_EDGES), (_BY_EDGES, _BY_CENTRE)):
        if any(key in over for key in told):  # the sweep tells its span the other way than the preset
            merged = {key: value for key, value in merged.items() if key not in other or key in over}
    return merged, dict.fromkeys(over, own)


def _analyser(keys: Keys) -> Analyser:
    by_centre = "centre_mhz" in keys or "span_mhz" in keys
    if by_centre:
        centre = keys.number("centre_mhz", scale=1e6, above=0, required=True) or 0.0
        span = keys.number("span_mhz", scale=1e6, above=0, required=True) or 0.0
        start, stop = centre - 0.5 * span, centre + 0.5 * span
    else:
        start = keys.number("start_mhz", scale=1e6, above=0, required=True) or 0.0
        stop = keys.number("stop_mhz", scale=1e6, above=0, required=True) or 0.0
    optional = {
        "poles": keys.whole("poles", least=2),
        "vbw_hz": keys.number("vbw_khz", scale=1e3, above=0),
        "detector": keys.words("detector", choices=DETECTORS),
        "averages": keys.whole("averages"),
        "average_type": keys.words("average_type", choices=get_args(AverageType)),
        "trace_mode": keys.words("trace_mode", choices=TRACE_MODES),
        "readings": keys.whole("readings"),
        "sweep_time_s": keys.number("sweep_time_s", above=0),
        "mode": keys.words("mode", choices=get_args(Mode)),
        "tuning": keys.words("tuning", choices=get_args(Tuning)),
        "own_noise_dbm_hz": keys.number("own_noise_dbm_hz", least=-173.9),
        "level_error_db": keys.number("level_error_db"),
        "reference_ppm": keys.number("reference_ppm"),
        "compression_1db_dbm": keys.number("compression_1db_dbm"),
        "rounding_db": keys.number("rounding_db", least=0),
        "clip_low_dbm": keys.number("clip_low_dbm"),
        "clip_high_dbm": keys.number("clip_high_dbm"),
        "reference_level_dbm": keys.number("reference_level_dbm"),
        "attenuation_db": keys.number("attenuation_db", least=0),
    }
    points = keys.whole("points", least=2, required=True) or 0
    rbw = keys.number("rbw_khz", scale=1e3, above=0, required=True) or 0.0
    keys.done()
    stated = {key: value for key, value in optional.items() if value is not None}
    try:
        return Analyser(start, stop, points, rbw, **stated)  # type: ignore[arg-type]  # checked key by key above
    except SceneError as problem:
        raise keys.refuse(problem.found.split(" ")[0], problem.found, problem.expected) from None


def _sky(keys: Keys, seed: int) -> Sky:
    neighbours = keys.tables("neighbour")
    inner = [Keys(v, keys.source, "sky.neighbour", i) for i, v in enumerate(neighbours)]
    satellites = []
    for one in inner:
        satellites.append(
            Neighbour(one.words("satellite", required=True) or "", one.number("down_db", required=True) or 0.0)
        )
        one.done()
    stated = {
        "cn_offset_db": keys.number("cn_offset_db"),
        "cn_spread_db": keys.number("cn_spread_db", least=0),
        "default_cn_db": keys.number("default_cn_db"),
        "beacon_cn0_dbhz": keys.number("beacon_cn0_dbhz"),
    }
    sky = Sky(
        satellite=keys.words("satellite"),
        beam=keys.words("beam"),
        polarisation=keys.words("polarisation", choices=POLARISATIONS),
        leakage_db=keys.number("leakage_db", least=0),
        missing_lines=keys.listed("missing_lines", int, "line numbers") or (),
        neighbours=tuple(satellites),
        seed=seed,
        **{key: value for key, value in stated.items() if value is not None},
    )
    keys.done()
    return sky


def _receive(keys: Keys) -> Receive:
    no_lnb = keys.flag("no_lnb") or False
    density = keys.number("density_dbm_hz", least=-174)
    line_keys = {
        "start_hz": keys.number("tilt_from_mhz", scale=1e6, above=0),
        "stop_hz": keys.number("tilt_to_mhz", scale=1e6, above=0),
        "tilt_db": keys.number("tilt_db"),
        "ripple_db": keys.number("ripple_db", least=0),
        "ripple_period_hz": keys.number("ripple_period_mhz", scale=1e6, above=0),
        "ripple_phase_rad": keys.number("ripple_phase_rad"),
        "low_edge_hz": keys.number("low_edge_mhz", scale=1e6, above=0),
        "high_edge_hz": keys.number("high_edge_mhz", scale=1e6, above=0),
        "edge_width_hz": keys.number("edge_width_mhz", scale=1e6, above=0),
        "edge_depth_db": keys.number("edge_depth_db", least=0),
    }
    line = ReceiveLine(**{key: value for key, value in line_keys.items() if value is not None})
    if line.stop_hz <= line.start_hz:
        raise keys.refuse("tilt_to_mhz", f"{line.stop_hz / 1e6:g} MHz", "more than tilt_from_mhz")
    state = keys.words("lo_state")
    error = keys.number("lo_error_khz", scale=1e3) or 0.0
    keys.done()
    if no_lnb:
        return Receive(state, error, None, line)
    return Receive(state, error, Receive().density_dbm_hz if density is None else density, line)


def _carrier(keys: Keys) -> ExtraCarrier:
    rf, at = _one_place(keys)
    rate = keys.number("symbol_rate_kbd", scale=1e3, above=0)
    level = "cn0_dbhz" if rate is None else "cn_db"  # a tone has no symbol rate to refer to
    cn = keys.number(level, required=True) or 0.0
    roll_off = keys.number("roll_off", least=0, most=1)
    carrier = ExtraCarrier(cn, rf, at, rate, 0.2 if roll_off is None else roll_off, keys.words("name") or "")
    keys.done()
    return carrier


def _interferer(keys: Keys) -> Interferer:
    name = keys.words("name", required=True) or ""
    kind: InterfererKind = keys.words("kind", choices=get_args(InterfererKind), required=True)  # type: ignore[assignment]  # one of the choices
    rf, at = _one_place(keys)
    width = keys.number("symbol_rate_kbd" if kind in ("modulated", "burst") else "width_khz", scale=1e3, above=0)
    if kind in ("modulated", "hump") and width is None:
        key = "width_khz" if kind == "hump" else "symbol_rate_kbd"
        raise keys.refuse(key, f"no {key}", "the width of the interferer", f"Add a line {key} = ...")
    if kind == "cw" and width is not None:
        raise keys.refuse("width_khz", "a width", "no width for a cw")
    level = "rise_db" if kind == "hump" else "cn0_dbhz" if width is None else "cn_db"
    power, over = keys.number("power_dbm"), keys.number(level)
    if (power is None) == (over is None):
        raise keys.refuse("power_dbm", "none or both of them", f"either power_dbm or {level}")
    if kind == "hump" and over is not None:
        over = _over_floor(over, keys)
    duty = keys.number("duty", least=0, most=1, required=kind == "burst")
    roll_off = keys.number("roll_off", least=0, most=1)
    keys.done()
    return Interferer(
        name, kind, rf, at, power, over, width, 0.35 if roll_off is None else roll_off, 1.0 if duty is None else duty
    )


def _over_floor(rise_db: float, keys: Keys) -> float:
    if rise_db <= 0.0:
        raise keys.refuse("rise_db", f"rise_db = {rise_db!r}", "a number above 0")
    return float(db(from_db(rise_db) - 1.0))


def _transponder(keys: Keys) -> Transponder:
    values = {
        "rf_hz": keys.number("rf_mhz", scale=1e6, above=0, required=True) or 0.0,
        "width_hz": keys.number("width_mhz", scale=1e6, above=0, required=True) or 0.0,
        "rise_db": keys.number("rise_db", above=0, required=True) or 0.0,
    }
    roll_off = keys.number("roll_off", least=0, most=1)
    keys.done()
    return Transponder(**values, roll_off=0.1 if roll_off is None else roll_off)


def _one_place(keys: Keys) -> tuple[float | None, float | None]:
    rf, at = keys.number("rf_mhz", scale=1e6, above=0), keys.number("if_mhz", scale=1e6, above=0)
    if (rf is None) == (at is None):
        raise keys.refuse("rf_mhz", "none or both of them", "either rf_mhz or if_mhz")
    return rf, at
