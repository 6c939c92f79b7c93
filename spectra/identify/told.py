"""What is worth telling besides the verdict: findings, in order."""

from __future__ import annotations

from collections.abc import Sequence

from spectra.finding import Evidence, Finding, NextStep, step
from spectra.identify.contradiction import contradictions, inverted
from spectra.identify.model import DEFAULT_TOLERANCE_HZ
from spectra.identify.odds import Answer, same_position
from spectra.identify.twins import parting_rows
from spectra.identify.verdict import adds_up, nearly
from spectra.identify.words import Facts, count_words, decades, finding, longitude_words, name_of, next_sweep_words

__all__ = ["findings"]


def findings(facts: Facts) -> tuple[Finding, ...]:
    """Return what is worth telling besides the verdict, in order."""
    found: list[Finding] = []
    verdict = facts.judgement.verdict
    if facts.inverted:
        found.append(inverted(facts))
    if verdict == "contradicted":
        found.extend(contradictions(facts))
    elif verdict == "ambiguous" and facts.second is None:
        found.append(_ambiguous(facts))
    elif verdict == "unidentified":
        found.append(_unidentified(facts))
    elif verdict == "no carriers":
        found.append(_no_carriers(facts))
    elif verdict == "probable" and facts.second is None:
        found.append(_probable(facts))
    if facts.second is not None:
        found.append(_two(facts, facts.second))
    if verdict not in ("unidentified", "no carriers"):
        found.extend(_rejected(facts))
        found.extend(_company(facts))
        found.extend(_beams(facts))
    found.extend(_assumptions(facts))
    return tuple(found)


def _ambiguous(facts: Facts) -> Finding:
    judgement, prepared = facts.judgement, facts.prepared
    answer = judgement.answer
    assert answer is not None
    names = [name_of(prepared, rival) for rival in judgement.rivals]
    here = all(same_position(answer, rival) for rival in judgement.rivals)
    steps = [step(next_sweep_words(sweep)) for sweep in facts.next_sweeps]
    if not steps:
        steps = [step("No sweep parts these lists: look for what tells them apart, and mend the table.")]
    return finding(
        facts,
        "identification.ambiguous",
        "warning",
        "Several answers fit" + (" at one orbital position" if here else ""),
        f"{name_of(prepared, answer)} fits, and so does {', or '.join(names[:4]) or 'another answer'}: within "
        f"{facts.thresholds.confirmed_next:g} decades of odds this sweep cannot part them.{_parting_words(facts)}",
        answer="cannot_tell",
        probability=facts.ranking.probability(answer),
        evidence=tuple(
            Evidence(f"odds against {rival.satellite}/{rival.polarisation}", decades(answer, rival), unit="log10")
            for rival in judgement.rivals[:9]
        ),
        next_steps=tuple(steps),
    )


def _parting_words(facts: Facts) -> str:
    """Name rows that only one of the first two answers has."""
    answer = facts.judgement.answer
    if answer is None or not facts.judgement.rivals:
        return ""
    rival, table = facts.judgement.rivals[0], facts.prepared.table
    words = []
    for one, other in ((answer, rival), (rival, answer)):
        rows = parting_rows(facts.prepared, one.best.main, other.best.main)[:4]
        if rows:
            places = ", ".join(f"{table.rf_hz[row] / 1e6:g} MHz (line {table.line[row]})" for row in rows)
            words.append(f"{one.satellite}/{one.polarisation} alone has {places}")
    return f" What parts them: {'; '.join(words)}." if words else " Their lists hold the same rows."


def _probable(facts: Facts) -> Finding:
    judgement, thresholds = facts.judgement, facts.thresholds
    answer = judgement.answer
    assert answer is not None
    short = []
    shown = sum(option.shown for option in answer.best.options)
    if shown < thresholds.confirmed_matched or facts.ranking.odds_none(answer) < thresholds.confirmed_none:
        short.append("too few carriers to exclude chance")
    kin = facts.ranking.odds_kin(answer)
    if kin < thresholds.confirmed_kin or not adds_up(facts.ranking, answer, thresholds):
        short.append("too many listed carriers silent or too many carriers unlisted")
    following = facts.ranking.odds_next(answer)
    if following is not None and following < thresholds.confirmed_next:
        short.append(
            f"{name_of(facts.prepared, judgement.rivals[0])} is too near behind"
            if judgement.rivals
            else "a rival is too near"
        )
    return finding(
        facts,
        "identification.not_confirmed",
        "note",
        "Probable, not confirmed",
        f"What is missing: {'; '.join(short) or 'a margin'}.",
        probability=facts.ranking.probability(answer),
        next_steps=tuple(step(next_sweep_words(sweep)) for sweep in facts.next_sweeps)
        or (step("Sweep a wider or another part of the IF range and explain both together."),),
    )


def _unidentified(facts: Facts) -> Finding:
    answer = facts.judgement.answer
    if answer is not None and nearly(facts.ranking, facts.judgement, facts.thresholds):
        return finding(
            facts,
            "identification.unidentified",
            "warning",
            "Not identified: one list comes near",
            f"{name_of(facts.prepared, answer)} explains {facts.matched} of {count_words(facts.carriers, 'carrier')}, "
            "far more than chance. But too many of its carriers are silent, or too many carriers are not its own: a "
            "satellite outside the table with a similar plan would look the same.",
            answer="cannot_tell",
            probability=facts.ranking.probability(answer),
            evidence=(Evidence("carriers explained", facts.matched, unit=f"of {facts.carriers}"),),
            next_steps=(
                *(step(next_sweep_words(sweep)) for sweep in facts.next_sweeps),
                step("Check that the table holds the satellite that is meant, and that its rows are up to date."),
            ),
        )
    return finding(
        facts,
        "identification.unidentified",
        "warning",
        "Nothing in the table explains the carriers",
        f"{count_words(facts.carriers, 'carrier')} found; the best list of the table explains {facts.matched} of them, "
        "which chance or a satellite with a similar plan does as well.",
        answer="no",
        evidence=(Evidence("carriers explained", facts.matched, unit=f"of {facts.carriers}"),),
        next_steps=(
            *_at_if(facts),
            step("Check that the table holds the satellite that is meant, and that its rows are up to date."),
            step("Check the chain's LO frequencies and injection side against the label of what is fitted."),
            step("Take a wider or a finer sweep and identify again."),
        ),
    )


def _at_if(facts: Facts) -> tuple[NextStep, ...]:
    """Return what to do first where no sweep reaches into the IF range of the chain: the axis may show RF."""
    if facts.outside_if_hz is None:
        return ()
    low, high = (value / 1e6 for value in facts.outside_if_hz)
    return (
        step(
            f"The axis ({low:.3f} to {high:.3f} MHz) lies outside the chain's IF. If it shows RF, take it back to IF "
            "first: spectra.findings.sweep_to_if(sweep, chain) before measure in Python, or sweepmuster convert FILE "
            "--to-if --chain CHAIN.toml --out FOLDER."
        ),
    )


def _no_carriers(facts: Facts) -> Finding:
    if facts.aside:
        return finding(
            facts,
            "identification.no_carriers",
            "note",
            "No carriers found",
            "Nothing stands above the floor, as it should be: the sweep was taken off the satellite on purpose.",
            answer="cannot_tell",
            next_steps=(step("Compare this floor with a sweep of the satellite, taken at the same settings."),),
        )
    return finding(
        facts,
        "identification.no_carriers",
        "warning",
        "No carriers found",
        "Nothing stands above the floor: the antenna looks at no satellite, or no signal reaches the analyser.",
        answer="cannot_tell",
        next_steps=(
            step("Compare the floor with a sweep of the analyser alone: equal floors mean an LNB without supply."),
            step("Check the antenna's azimuth and elevation against the calculated look angles."),
        ),
    )


def _rejected(facts: Facts) -> list[Finding]:
    """Neighbours that were considered and do not fit are evidence for what does."""
    answer = facts.judgement.answer
    assert answer is not None
    others: list[Answer] = []
    names: set[str] = set()
    for other in facts.ranking.answers:
        elsewhere = other.satellite != answer.satellite and not same_position(other, answer)
        if elsewhere and other.satellite not in names and decades(answer, other) >= facts.thresholds.confirmed_next:
            names.add(other.satellite)
            others.append(other)
    if answer.longitude_deg is not None:
        here = answer.longitude_deg
        others = [each for each in others if each.longitude_deg is not None]
        others.sort(key=lambda each: abs((each.longitude_deg - here + 180.0) % 360.0 - 180.0))  # type: ignore[operator]  # None left out just above
    if not others or facts.judgement.verdict == "ambiguous":
        return []
    return [
        finding(
            facts,
            "identification.rejected_neighbours",
            "note",
            "Neighbours considered and rejected",
            "; ".join(f"{each.satellite} ({longitude_words(each.longitude_deg)})" for each in others[:4])
            + " do not fit.",
            answer="no",
            evidence=tuple(
                Evidence(f"odds against {each.satellite}", decades(answer, each), unit="log10") for each in others[:4]
            ),
        )
    ]


def _two(facts: Facts, second: Answer) -> Finding:
    """Tell that no single list explains the carriers, and two do."""
    first = facts.judgement.answer
    assert first is not None
    here = same_position(first, second)
    names = f"{name_of(facts.prepared, first)}, and {name_of(facts.prepared, second)}"
    steps = [step("Sweep the other polarisation and the rest of the IF range and explain all sweeps together.")]
    if not here:
        steps.append(step("Check the antenna controller's satellite setting, and compare its pointing with both."))
        steps.append(step("Let the antenna peak on a carrier that only one of the two has, then sweep again."))
    return finding(
        facts,
        "identification.two_satellites",
        "note" if here else "warning",
        "Two satellites of one position are on air" if here else "Two satellites are in the beam",
        (
            f"{second.satellite} shows carriers of its own beside those of {first.satellite}: {names}. "
            if facts.judgement.verdict == "confirmed"
            else f"Neither list explains the carriers alone; together they do: {names}. "
        )
        + (
            "Both stand at one orbital position."
            if here
            else "Either the antenna is too small to part them, or it looks between them; on which of the two it is "
            "peaked the sweep does not tell."
        ),
        answer="yes" if here else "cannot_tell",
        evidence=tuple(
            Evidence(
                f"odds of {each.satellite} against chance, the other's carriers left out",
                round(facts.ranking.odds_none(each), 2),
                unit="log10",
            )
            for each in (first, second)
        ),
        next_steps=tuple(steps),
    )


def _company(facts: Facts) -> list[Finding]:
    company = facts.ranking.company
    if not company:
        return []
    names = ", ".join(dict.fromkeys(each.satellite for each in company))
    return [
        finding(
            facts,
            "identification.co_located",
            "note",
            "Co-located satellites are on air too",
            f"{names} at the same position {'shows' if len(company) == 1 else 'show'} carriers of its own in this "
            "sweep; the antenna sees all of them.",
        )
    ]


def _beams(facts: Facts) -> list[Finding]:
    if len(facts.beams) < 2:
        return []
    return [
        finding(
            facts,
            "identification.beam_open",
            "note",
            "The beam is not decided",
            f"Beams {', '.join(facts.beams)} fit about equally well.",
            answer="cannot_tell",
        )
    ]


def _assumptions(facts: Facts) -> Sequence[Finding]:
    found = []
    silent = [s.name for s in facts.prepared.states if s.tolerance_hz is None]
    if silent:
        found.append(
            finding(
                facts,
                "identification.tolerance_assumed",
                "note",
                "LO tolerance assumed",
                f"The chain states no tolerance for {', '.join(silent)}; ±{DEFAULT_TOLERANCE_HZ / 1e6:g} MHz is "
                "assumed (common practice).",
                evidence=(Evidence("assumed tolerance", DEFAULT_TOLERANCE_HZ, unit="Hz"),),
            )
        )
    if facts.below_horizon:
        found.append(
            finding(
                facts,
                "identification.below_horizon",
                "note",
                "Satellites below the horizon left out",
                f"From the stated position {count_words(len(facts.below_horizon), 'satellite')} of the table cannot be "
                f"seen and was not considered: {', '.join(facts.below_horizon[:8])}"
                + (" and others." if len(facts.below_horizon) > 8 else "."),
            )
        )
    answer = facts.judgement.answer
    if facts.network_names and answer is not None and facts.judgement.verdict not in ("unidentified", "no carriers"):
        fits = answer.satellite in facts.network_names
        found.append(
            finding(
                facts,
                "identification.network_id",
                "note" if fits else "warning",
                "The reported network id " + ("agrees" if fits else "belongs to another satellite"),
                f"The terminal reports network id {facts.network_id}, which the table gives for "
                f"{', '.join(facts.network_names)}.",
                answer="yes" if fits else "no",
            )
        )
    return found
