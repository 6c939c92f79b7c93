"""``sweepmuster measure``: the carriers of sweeps, each number with its standard uncertainty."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from spectra.cli.batch import gather, print_batch, run_batch
from spectra.cli.console import print_findings, print_table, say
from spectra.cli.measure_more import More, add_more_arguments, more_of, print_more, wanted_of
from spectra.cli.options import add_reading_options, reading_options
from spectra.errors import UsageError
from spectra.measure.measurement import Carrier, Measurement
from spectra.measure.standards import likely_standard
from spectra.units import counted, format_value

EPILOG = """\
C/N is over the floor seen in the gaps, in a noise bandwidth equal to the symbol rate. It lacks the noise that arrives
inside the transponder: C/N and margin are upper limits of what a demodulator reports."""

_FLAG_WORDS = {
    "shares_edge": "touches a neighbour",
    "cut_by_span": "cut by the span",
    "below_resolution": "narrower than the sweep resolves",
    "floor_not_seen": "floor not seen",
    "response": "seen through a response",
    "misfit": "slopes or ripples",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="sweep file, or a folder of them")
    parser.add_argument("--json", action="store_true", help="print the measurement as JSON")
    parser.add_argument("--plot", metavar="FILE.html", help="also write trace, floor and fitted carriers as a picture")
    parser.add_argument(
        "--false-alarms",
        type=float,
        default=0.01,
        metavar="RATE",
        help="false carriers per sweep to allow (default 0.01)",
    )
    add_more_arguments(parser)
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Measure every file; exit code 2 where one could not be used."""
    from spectra.measure import measure
    from spectra.measure.analyser import without_analyser_noise
    from spectra.readers import load_capture

    options = reading_options(arguments)
    if not 0.0 < arguments.false_alarms < 1.0:
        raise UsageError(
            "--false-alarms", None, f"{arguments.false_alarms:g}", "a rate between 0 and 1", "Leave it out for 0.01."
        )
    wanted = wanted_of(arguments)
    files = gather(arguments.files)
    own = _analyser_floor(arguments, options)
    plot = _plot_path(arguments.plot, files)

    def work(path: Path) -> Iterator[More]:
        capture = load_capture(path, **options)
        for sweep in capture.sweeps:
            measurement = measure(sweep, false_alarms_per_sweep=arguments.false_alarms)
            if own is not None:
                measurement = without_analyser_noise(measurement, own)
            yield more_of(measurement, wanted, capture.context)

    batch = run_batch(files, work, "measuring")
    if arguments.json:
        print_batch(batch)
    else:
        for number, (_, more) in enumerate(batch.results):
            if number:
                print()
            print_measurement(more.measurement)
            print_more(more)
    if plot is not None:
        _write_plots([more.measurement for _, more in batch.results], plot)
    return 2 if batch.failed else 0


def _analyser_floor(arguments: argparse.Namespace, options: dict[str, Any]) -> Measurement | None:
    """Return the measurement of the analyser alone, if one was named."""
    from spectra.measure import measure
    from spectra.readers import load_capture

    if arguments.analyser_floor is None:
        return None
    sweeps = load_capture(Path(arguments.analyser_floor), **options).sweeps
    if len(sweeps) != 1:
        found = f"{arguments.analyser_floor} with {len(sweeps)} sweeps"
        raise UsageError("--analyser-floor", None, found, "one sweep", "Save the one of the terminated input alone.")
    return measure(sweeps[0], false_alarms_per_sweep=arguments.false_alarms)


def _plot_path(name: str | None, files: list[Path]) -> Path | None:
    if name is None:
        return None
    path = Path(name)
    if path.suffix.lower() not in (".html", ".htm"):
        raise UsageError("--plot", None, name, "a file name that ends in .html", "Name the picture like noon.html.")
    if any(path.resolve() == file.resolve() for file in files):
        raise UsageError("--plot", None, f"{name}, which is a sweep file", "a new file", "Choose another name.")
    return path


def _write_plots(measurements: list[Measurement], path: Path) -> None:
    from spectra.measure.figure import measurement_figure
    from spectra.report.page import write_figures

    if measurements:
        figures = [(m.sweep.origin.file, measurement_figure(m)) for m in measurements]
        write_figures(figures, path, title="Sweeps and the carriers in them")
        say(f"picture written to {path}")


def print_measurement(measurement: Measurement) -> None:
    """Print one measurement: settings, floor, carriers, findings."""
    sweep, floor = measurement.sweep, measurement.floor
    settings = sweep.settings
    said = [f"{sweep.points} points", f"{sweep.start_hz / 1e6:.6g} to {sweep.stop_hz / 1e6:.6g} MHz"]
    said.append("RBW not told" if settings.rbw_hz is None else f"RBW {settings.rbw_hz / 1e3:.6g} kHz")
    said.append("detector not told" if settings.detector is None else f"detector {settings.detector.replace('_', ' ')}")
    if settings.averages is not None:
        said.append(f"{counted(settings.averages, 'sweep')} averaged")
    print(f"{sweep.origin.file}: " + ", ".join(said))
    density = (
        ""
        if floor.density_dbm_hz is None
        else f" ({format_value(floor.density_dbm_hz, floor.density_std_db, 'dBm/Hz')})"
    )
    print(f"  Floor {floor.median_dbm:.1f} dBm in the RBW{density}, tilt {floor.tilt_db:+.1f} dB over the span.")
    if measurement.readings_per_point is not None:
        readings = format_value(measurement.readings_per_point, measurement.readings_std)
        print(f"  One point holds about {readings} independent readings.")
    for assumption in sweep.origin.assumptions:
        print(f"  Assumed: {assumption}")
    for warning in sweep.origin.warnings:
        print(f"  Noticed: {warning}")
    if not measurement.carriers:
        print("  No carriers found.")
    else:
        print_table(
            (
                "no",
                "kind",
                "centre MHz",
                "symbol rate kBd",
                "roll-off",
                "99 % width kHz",
                "x-dB width kHz",
                "power dBm",
                "C/N dB",
                "C/N0 dBHz",
                "remarks",
            ),
            [_carrier_row(number, carrier) for number, carrier in enumerate(measurement.carriers, 1)],
        )
    print_findings(measurement.findings)


def _carrier_row(number: int, carrier: Carrier) -> list[str]:
    width = format_value(carrier.x_db_bandwidth_hz, carrier.x_db_bandwidth_std_hz, scale=1e3)
    if carrier.x_db is not None and carrier.x_db_bandwidth_hz is not None:
        width += f" (at {carrier.x_db:.3g} dB)"
    cn = format_value(carrier.cn_db, carrier.cn_std_db)
    if carrier.cn_db is None and carrier.cn_lower_bound_db is not None:
        cn = f"above {carrier.cn_lower_bound_db:.1f}"
    return [
        str(number),
        carrier.kind,
        format_value(carrier.centre_hz, carrier.centre_std_hz, scale=1e6),
        format_value(carrier.symbol_rate_bd, carrier.symbol_rate_std_bd, scale=1e3),
        format_value(carrier.roll_off, carrier.roll_off_std),
        format_value(carrier.occupied_bandwidth_hz, carrier.occupied_bandwidth_std_hz, scale=1e3),
        width,
        format_value(carrier.power_dbm, carrier.power_std_db),
        cn,
        format_value(carrier.cn0_dbhz, carrier.cn0_std_db),
        ", ".join(_remarks(carrier)),
    ]


def _remarks(carrier: Carrier) -> Iterator[str]:
    standard = likely_standard(dict(carrier.roll_off_weights or {}))
    if standard is not None:
        yield f"standard roll-off {standard[0]} ({standard[1]:.2f})"
    for flag in carrier.flags:
        yield _FLAG_WORDS[flag]
