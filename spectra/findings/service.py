"""Rules about the vessel's own carrier (table rows with `service`): is it there, and is it as good as it should be."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, NextStep, Subjects, step
from spectra.units import format_frequency

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.identify.identification import Identification, RollCallEntry
    from spectra.plan.table import CarrierTable

__all__ = ["absent", "below_reference", "modem_disagrees", "not_visible", "present"]

_REFERENCE_DB = 1.0  # customary: within 1 dB of the link budget in clear sky (common practice, no source)
_MODEM_DB = 2.0  # floor without the transponder's noise against a demodulator's figure (common practice, no source)
_CN_STD_DB = 0.3  # where the roll call tells no uncertainty of its own


def _own(identification: Identification, table: CarrierTable) -> list[RollCallEntry]:
    if identification.verdict not in ("confirmed", "probable"):
        return []
    mine = set(table.line[table.service].tolist())
    return [entry for entry in identification.roll_call if entry.row in mine]


def _about(identification: Identification, entry: RollCallEntry) -> Subjects:
    carriers = () if entry.carrier is None else (entry.carrier,)
    return Subjects(captures=tuple(identification.sweep_files), carriers=carriers, rows=(entry.row,))


def _reference_db(table: CarrierTable, row: int) -> float | None:
    value = float(table.reference_cn_db[table.line == row][0])
    return value if math.isfinite(value) else None


def absent(identification: Identification, table: CarrierTable) -> Iterable[Finding]:
    """Tell, as a fault, the vessel's own carrier missing where this sweep should have shown it."""
    for entry in _own(identification, table):
        if entry.status == "absent":
            yield Finding(
                "service.absent",
                "fault",
                f"The vessel's own carrier at {entry.rf_mhz:.3f} MHz RF is not there",
                f"Row {entry.row} {entry.why}. The satellite is the right one; the carrier is off the air, has moved, "
                "or is on another beam.",
                evidence=(Evidence("expected_if", entry.expected_if_hz, None, "Hz"),),
                subjects=_about(identification, entry),
                next_steps=(step("Ask the service provider whether the carrier is on air, and at which frequency."),),
            )


def not_visible(identification: Identification, table: CarrierTable) -> Iterable[Finding]:
    """Tell, as a note, the vessel's own carrier of which this sweep can say nothing."""
    for entry in _own(identification, table):
        if entry.status == "not visible":
            yield Finding(
                "service.not_visible",
                "note",
                f"This sweep cannot show the vessel's own carrier at {entry.rf_mhz:.3f} MHz RF",
                f"Row {entry.row}: {entry.why}.",
                answer="cannot_tell",
                subjects=_about(identification, entry),
                next_steps=(step("Take the sweeps that sweepmuster next-sweep prints for this table and chain."),),
            )


def present(identification: Identification, table: CarrierTable, own_noise_db: float = 0.0) -> Iterable[Finding]:
    """Tell, as a note, the vessel's own carrier where it is as it should be.

    `own_noise_db` is what the analyser's own noise takes off every C/N, as far as a capture of it tells.
    """
    for entry in _own(identification, table):
        if entry.status != "present":
            continue
        reference = _reference_db(table, entry.row)
        short = None if entry.cn_db is None or reference is None else entry.cn_db - reference
        if short is not None and short + own_noise_db < -_REFERENCE_DB - 2.0 * _CN_STD_DB:
            continue
        tail = "" if entry.cn_db is None else f", C/N {entry.cn_db:.1f} dB"
        against = "" if short is None else f" ({short:+.1f} dB against the table)"
        yield Finding(
            "service.present",
            "note",
            f"The vessel's own carrier is there{tail}{against}",
            f"Row {entry.row} at {format_frequency(entry.centre_hz)} IF. C/N from a sweep lacks the noise that arrives "
            f"inside the transponder and is an upper limit.{_own_noise_words(own_noise_db)}",
            evidence=(Evidence("cn", entry.cn_db, _CN_STD_DB, "dB", reference),),
            subjects=_about(identification, entry),
        )


def _own_noise_words(own_noise_db: float) -> str:
    if own_noise_db < _CN_STD_DB:
        return ""
    return f" The analyser's own noise lowers it by {own_noise_db:.1f} dB."


def below_reference(
    identification: Identification, table: CarrierTable, own_noise_db: float = 0.0
) -> Iterable[Finding]:
    """Tell the vessel's own carrier weaker than its reference, what the analyser's own noise takes left out."""
    for entry in _own(identification, table):
        reference = _reference_db(table, entry.row)
        if entry.status != "present" or entry.cn_db is None or reference is None:
            continue
        short = entry.cn_db - reference + own_noise_db
        if short >= -_REFERENCE_DB - 2.0 * _CN_STD_DB:
            continue
        others = _common_shortfall(identification, table, entry.row)
        words = ""
        if own_noise_db >= _CN_STD_DB:
            words = f" Of the difference {own_noise_db:.1f} dB are the analyser's own noise, left out here."
        if others is not None:
            others += own_noise_db
            alike = abs(short - others) < 1.0
            words = f" All other rows together stand at {others:+.1f} dB: " + (
                "pointing, rain or blockage, common to all." if alike else "the others do not share it."
            )
        yield Finding(
            "service.below_reference",
            "warning",
            f"The vessel's own carrier is {-short:.1f} dB below its reference",
            f"C/N {entry.cn_db:.1f} dB against {reference:.1f} dB of row {entry.row}.{words}",
            evidence=(
                Evidence("cn", entry.cn_db, _CN_STD_DB, "dB", reference),
                *(() if others is None else (Evidence("common_shortfall", others, None, "dB"),)),
            ),
            subjects=_about(identification, entry),
            next_steps=(
                step("Peak the antenna on the satellite and sweep again."),
                step("Note the weather, and compare with the commissioning capture of the same state."),
            ),
        )


def _common_shortfall(identification: Identification, table: CarrierTable, row: int) -> float | None:
    """Return the median of C/N against reference over the other rows; None with fewer than three."""
    found = [
        entry.cn_db - reference
        for entry in identification.roll_call
        if entry.row != row
        and entry.status == "present"
        and entry.cn_db is not None
        and (reference := _reference_db(table, entry.row)) is not None
    ]
    return sorted(found)[len(found) // 2] if len(found) >= 3 else None


def modem_disagrees(identification: Identification, table: CarrierTable, circumstances: Context) -> Iterable[Finding]:
    """Tell a modem's Es/N0 that does not go with the sweep's C/N."""
    modem = circumstances.modem_es_n0_db
    own = [entry for entry in _own(identification, table) if entry.status == "present" and entry.cn_db is not None]
    if modem is None or len(own) != 1:
        return
    (entry,) = own
    assert entry.cn_db is not None
    above = entry.cn_db - modem
    if -1.0 <= above <= _MODEM_DB:
        return
    if above > 0.0:
        title = f"The modem's Es/N0 is {above:.1f} dB below the sweep's C/N"
        words = (
            "Noise inside the transponder, interference under the carrier, phase noise or the modem's own loss: a "
            "sweep sees none of them."
        )
        steps: tuple[NextStep, ...] = (
            step("Sweep the carrier alone with a narrow RBW and look for what stands on it."),
            step("Compare the modem's figure on another line and port."),
        )
    else:
        title = f"The modem's Es/N0 is {-above:.1f} dB above the sweep's C/N"
        words = "A sweep's C/N is an upper limit: the analyser's own noise, or another carrier, is in the way."
        steps = (step("Sweep once with a termination at the analyser's input to know the analyser's own noise."),)
    yield Finding(
        "service.modem_disagrees",
        "warning",
        title,
        words,
        evidence=(
            Evidence("cn", entry.cn_db, _CN_STD_DB, "dB"),
            Evidence("modem_es_n0", modem, 0.5, "dB", entry.cn_db),
        ),
        subjects=_about(identification, entry),
        next_steps=steps,
    )
