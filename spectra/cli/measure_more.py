"""What ``sweepmuster measure`` tells beside the measurement: margin, modem, uncertainty budget."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from spectra.capture import Context
from spectra.cli.console import print_table, wrap
from spectra.errors import UsageError
from spectra.measure.measurement import Measurement
from spectra.units import significant

if TYPE_CHECKING:
    from spectra.measure.budget import Budget, Component, Instrument
    from spectra.measure.margin import Margin, ModemDifference

__all__ = ["More", "Wanted", "add_more_arguments", "more_of", "print_more", "wanted_of"]

_QUANTITY_WORDS = {
    "centre_hz": ("centre", "kHz", 1e3),
    "symbol_rate_bd": ("symbol rate", "kBd", 1e3),
    "roll_off": ("roll-off", "", 1.0),
    "occupied_bandwidth_hz": ("99 % width", "kHz", 1e3),
    "x_db_bandwidth_hz": ("x-dB width", "kHz", 1e3),
    "power_dbm": ("power", "dB", 1.0),
    "cn_db": ("C/N", "dB", 1.0),
    "cn0_dbhz": ("C/N0", "dB", 1.0),
    "es_n0_db": ("Es/N0", "dB", 1.0),
}


def add_more_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("--analyser-floor", metavar="FILE", help="sweep of the analyser alone, to take its noise off")
    parser.add_argument("--carrier", type=int, metavar="NO", help="margin and modem of this carrier only")
    parser.add_argument("--modulation", metavar="NAME", help="margin against what it needs, such as 8PSK or DVB-S QPSK")
    parser.add_argument("--code-rate", metavar="RATE", help="such as 3/4")
    parser.add_argument(
        "--implementation-loss-db", type=float, default=0.0, metavar="DB", help="of the demodulator (default 0)"
    )
    parser.add_argument("--budget", action="store_true", help="uncertainty budget of every number (JCGM 100)")
    parser.add_argument("--reference-ppm", type=float, metavar="PPM", help="budget: analyser's reference, either way")
    parser.add_argument("--level-accuracy-db", type=float, metavar="DB", help="budget: analyser's level, either way")
    parser.add_argument("--frequency-resolution-hz", type=float, metavar="HZ", help="budget: last digit of frequency")
    parser.add_argument("--level-resolution-db", type=float, metavar="DB", help="budget: last digit of the levels")


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for."""

    carrier: int | None
    modulation: str | None
    code_rate: str | None
    loss_db: float
    budget: bool
    declared: Mapping[str, float | None]


def wanted_of(arguments: argparse.Namespace) -> Wanted:
    """Check the options and return what is wanted."""
    from spectra.measure.budget import Instrument
    from spectra.signal.requirements import required_es_n0

    if (arguments.modulation is None) != (arguments.code_rate is None):
        raise UsageError("--modulation", None, "one of two options", "--modulation and --code-rate", "Give both.")
    if arguments.modulation is not None and required_es_n0(arguments.modulation, arguments.code_rate) is None:
        raise UsageError(
            "--modulation",
            None,
            f"{arguments.modulation} {arguments.code_rate}",
            "a mode of EN 302 307-1 table 13 or EN 300 421, such as 8PSK 3/4",
            "Write it so; DVB-S QPSK for the older system.",
        )
    if not 0.0 <= arguments.implementation_loss_db <= 10.0:
        loss = f"{arguments.implementation_loss_db:g}"
        raise UsageError("--implementation-loss-db", None, loss, "0 to 10 dB", "0.5 to 1 is usual.")
    names = ("reference_ppm", "level_accuracy_db", "frequency_resolution_hz", "level_resolution_db")
    declared = {name: getattr(arguments, name) for name in names}
    Instrument(**declared)  # refuses what is no half-width
    return Wanted(
        arguments.carrier,
        arguments.modulation,
        arguments.code_rate,
        arguments.implementation_loss_db,
        arguments.budget or any(value is not None for value in declared.values()),
        declared,
    )


@dataclass(frozen=True, slots=True)
class More:
    """A measurement and what was asked for beside it, by index of the carrier."""

    measurement: Measurement
    margins: Mapping[int, Margin]
    modem: Mapping[int, ModemDifference]
    budgets: tuple[Budget, ...] | None

    def to_dict(self) -> dict[str, Any]:
        """Return the measurement's JSON with margin, modem and budget added where asked for."""
        value = self.measurement.to_dict()
        for name, found in (("margin", self.margins), ("modem", self.modem)):
            for k, one in found.items():
                value["carriers"][k][name] = one.to_dict()
        if self.budgets is not None:
            value["budget"] = [one.to_dict() for one in self.budgets]
        return value


def _instrument(wanted: Wanted, context: Context) -> Instrument:
    """Return the declared terms: options first, then keys of the same name in the capture's context."""
    from spectra.measure.budget import Instrument

    values = dict(wanted.declared)
    for name, value in values.items():
        told = context.extra.get(name)
        if value is None and isinstance(told, int | float) and not isinstance(told, bool):
            values[name] = float(told)
    return Instrument(**values)


def more_of(measurement: Measurement, wanted: Wanted, context: Context) -> More:
    """Return a measurement with what was asked for."""
    from spectra.measure.budget import budget
    from spectra.measure.margin import against_modem, margin

    count = len(measurement.carriers)
    if wanted.carrier is not None and not 1 <= wanted.carrier <= count:
        raise UsageError("--carrier", None, f"{wanted.carrier}", f"1 to {count}", "See the numbers of the carriers.")
    modulated = [k for k, c in enumerate(measurement.carriers) if c.kind == "modulated"]
    chosen = modulated if wanted.carrier is None else [wanted.carrier - 1]
    margins, modem = {}, {}
    if wanted.modulation is not None:
        for k in chosen:
            one = margin(
                measurement.carriers[k], wanted.modulation, wanted.code_rate, implementation_loss_db=wanted.loss_db
            )
            if one is not None:
                margins[k] = one
    if context.modem_es_n0_db is not None and len(chosen) == 1:  # which of several the modem receives is not told
        difference = against_modem(measurement.carriers[chosen[0]], context.modem_es_n0_db)
        if difference is not None:
            modem[chosen[0]] = difference
    budgets = budget(measurement, _instrument(wanted, context)) if wanted.budget else None
    return More(measurement, margins, modem, budgets)


def print_more(more: More) -> None:
    """Print margin, modem and budget."""
    from spectra.measure.margin import UPPER_LIMIT

    for k, one in more.margins.items():
        need = one.requirement
        asked = f"{need.modulation} {need.code_rate} needs {need.es_n0_db:.2f} dB ({need.source}, {need.mark})"
        if one.implementation_loss_db:
            asked += f" and {one.implementation_loss_db:g} dB of implementation loss"
        if one.margin_db is not None:
            margin = f"{one.margin_db:.1f} ± {one.margin_std_db:.1f} dB"
        else:
            margin = f"above {one.margin_above_db:.1f} dB"
        print(wrap(f"Margin of carrier {k + 1}: {margin} at most; {asked}.", indent="    ", first="  "))
    if more.margins:
        print(wrap(UPPER_LIMIT, indent="    ", first="  "))
    for k, difference in more.modem.items():
        words = f"{difference.difference_db:+.1f} ± {difference.difference_std_db:.1f} dB. {difference.suggests}"
        print(wrap(f"Carrier {k + 1}, sweep minus modem: {words}", indent="    ", first="  "))
    if more.budgets is not None:
        _print_budgets(more.budgets)


def _print_budgets(budgets: tuple[Budget, ...]) -> None:
    print("  Uncertainty budget (JCGM 100); expanded with k = 2:")
    rows = []
    for one in budgets:
        word, unit, scale = _QUANTITY_WORDS[one.quantity]
        rows += [_budget_row(one.carrier, word, c, unit, scale) for c in one.components]
        rows.append(
            [
                str(one.carrier + 1),
                word,
                f"combined; expanded {significant(one.expanded / scale, 2)} {unit}".strip(),
                "",
                "",
                "",
                "",
                f"{significant(one.combined_std / scale, 3)} {unit}".strip(),
            ]
        )
    header = ("no", "quantity", "component", "distribution", "value", "divisor", "sensitivity", "contribution")
    print_table(header, rows)


def _budget_row(carrier: int, word: str, line: Component, unit: str, scale: float) -> list[str]:
    return [
        str(carrier + 1),
        word,
        line.what + (" (declared)" if line.declared else ""),
        line.distribution,
        f"{significant(line.value, 3)} {line.unit}",
        f"{line.divisor:.3g}",
        f"{line.sensitivity:.4g}",
        f"{significant(line.contribution / scale, 3)} {unit}".strip(),
    ]
