"""Make the files of a scene: sweeps, their context, and on request their truth."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from numpy.random import SeedSequence

from spectra.atomic import write_atomic
from spectra.capture import sidecar_path
from spectra.errors import SceneError
from spectra.simulate.layouts import encode_sweep
from spectra.simulate.onair import received_polarisation, spectrum_for_sweep
from spectra.simulate.scene import Scene, SceneSweep
from spectra.simulate.scenefile import load_scene
from spectra.simulate.sweeper import sweep_spectrum
from spectra.simulate.truth import carriers_in_sweep
from spectra.sweep import Sweep, TraceMode
from spectra.units import jsonable

__all__ = ["SCHEMA", "simulate", "simulate_sweep", "truth_of"]

SCHEMA = "sweepmuster/truth/1"


def simulate(
    scene: Scene | str | Path, out_dir: str | Path, *, truth: bool = False, overwrite: bool = False
) -> list[Path]:
    """Write every sweep of a scene, its context beside it, and return the paths of the sweeps.

    Parameters
    ----------
    scene : Scene, str or Path
        A scene or its file.
    out_dir : str or Path
        Made if it is not there.
    truth : bool
        Write ``<file>.truth.json`` too.
    overwrite : bool
        Replace files that differ. Otherwise nothing is written where one does: it might be a raw capture.

    Raises
    ------
    SceneError
        If the scene cannot be used, or a file with another content is in the way, or there is no folder to write to.
    UsageError
        If a file cannot be written.
    """
    if not isinstance(scene, Scene):
        scene = load_scene(scene)
    folder = Path(out_dir)
    contents: dict[Path, bytes] = {}
    paths = []
    for one in scene.sweeps:
        path = folder / one.file
        paths.append(path)
        contents[path] = encode_sweep(simulate_sweep(scene, one), one.layout, one.captured_at)
        if one.context:
            contents[sidecar_path(path)] = _toml(one.context).encode("utf-8")
        if truth:
            text = json.dumps(truth_of(scene, one), indent=2, ensure_ascii=False, allow_nan=False)
            contents[path.with_name(path.name + ".truth.json")] = (text + "\n").encode("utf-8")
    _write(folder, contents, overwrite)
    return paths


def _write(folder: Path, contents: Mapping[Path, bytes], overwrite: bool) -> None:
    try:
        for path, content in contents.items():
            if not overwrite and path.exists() and path.read_bytes() != content:
                found = "a file of that name with another content"
                raise SceneError(str(path), None, found, "a free name", "Choose another folder, or say overwrite.")
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        what = problem.strerror or str(problem)
        raise SceneError(str(folder), None, what, "a folder to write to", "Choose another folder.") from None
    for path, content in contents.items():
        write_atomic(path, content)


def simulate_sweep(scene: Scene, sweep: SceneSweep) -> Sweep:
    """Return one sweep of a scene in memory; the layout with three traces gets its holds."""
    also: tuple[TraceMode, ...] = ("max_hold", "min_hold") if sweep.layout == "three-traces" else ()
    spectrum = spectrum_for_sweep(scene, sweep)
    return sweep_spectrum(spectrum, sweep.analyser, _seed(scene, sweep), file=sweep.file, also=also)


def truth_of(scene: Scene, sweep: SceneSweep) -> dict[str, Any]:
    """Return what one sweep of a scene truly holds, as plain values."""
    spectrum = spectrum_for_sweep(scene, sweep)
    sky, receive, analyser = sweep.sky, sweep.receive, sweep.analyser
    value: dict[str, Any] = jsonable(
        {
            "schema": SCHEMA,
            "file": sweep.file,
            "scene": scene.name,
            "satellite": sky.satellite,
            "polarisation": received_polarisation(sky, receive, scene.chain, scene.file),
            "lo_state": receive.lo_state,
            "lo_error_hz": receive.lo_error_hz,
            "analyser_ppm": analyser.reference_ppm,
            "level_error_db": analyser.level_error_db,
            "readings_per_point": analyser.readings_per_sweep * analyser.averages,
            "density_dbm_hz": receive.density_dbm_hz,
            "tilt_db": receive.line.tilt_db,
            "missing_lines": list(sky.missing_lines),
            "carriers": [one.to_dict() for one in carriers_in_sweep(spectrum, analyser)],
        }
    )
    return value


def _seed(scene: Scene, sweep: SceneSweep) -> SeedSequence:
    """Seed by file name: a sweep stays what it was when another is put before it."""
    return SeedSequence(scene.seed, spawn_key=(zlib.crc32(sweep.file.encode("utf-8")),))


def _toml(values: Mapping[str, Any]) -> str:
    """Return plain keys and values as TOML, one a line."""
    return "".join(f"{_key(key)} = {_toml_value(value)}\n" for key, value in values.items())


def _key(key: str) -> str:
    bare = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if bare else json.dumps(key, ensure_ascii=False)


def _toml_value(value: Any) -> str:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml_value(item) for item in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)  # a JSON string is a TOML basic string
    return str(value)
