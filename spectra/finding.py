"""Finding: one thing worth telling, and Rule: the pure function that tells it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from spectra import cautions as catalogue
from spectra.units import jsonable

__all__ = ["Answer", "Evidence", "Finding", "NextStep", "Rule", "Severity", "Subjects", "run_rules", "step"]

Severity = Literal["fault", "warning", "note"]
Answer = Literal["yes", "no", "cannot_tell"]
_CODE = re.compile(r"[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*")


@dataclass(frozen=True, slots=True)
class Evidence:
    """One number behind a finding; `limit` is what it was held against."""

    name: str
    value: float | str | None
    std: float | None = None
    unit: str | None = None
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class NextStep:
    """One thing to do, with the cautions (ids of the catalogue) that go with it.

    Raises
    ------
    ValueError
        If a caution is unknown, or one that the wording calls for is missing.
    """

    text: str
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        unknown = [id_ for id_ in self.cautions if id_ not in catalogue.CATALOGUE]
        if unknown:
            raise ValueError(f"unknown cautions {unknown} in step {self.text!r}")
        missing = [id_ for id_ in catalogue.required_for(self.text) if id_ not in self.cautions]
        if missing:
            raise ValueError(f"step {self.text!r} lacks the cautions {missing}")


def step(text: str, *more: str) -> NextStep:
    """Return a next step with every caution its wording calls for, and `more` by id."""
    wanted = {*catalogue.required_for(text), *more}
    unknown = wanted - catalogue.CATALOGUE.keys()
    if unknown:
        raise ValueError(f"unknown cautions {sorted(unknown)} in step {text!r}")
    return NextStep(text, tuple(id_ for id_ in catalogue.CATALOGUE if id_ in wanted))


@dataclass(frozen=True, slots=True)
class Subjects:
    """What a finding is about: file names of captures, indices of carriers (0-based), table rows (line in the file)."""

    captures: tuple[str, ...] = ()
    carriers: tuple[int, ...] = ()
    rows: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing worth telling, with severity, evidence in numbers, plain words and next steps.

    `code` is stable, ``subject.cause``, never reused; `probability` is None where none can be given.
    """

    code: str
    severity: Severity
    title: str
    explanation: str
    answer: Answer = "yes"
    probability: float | None = None
    evidence: tuple[Evidence, ...] = ()
    subjects: Subjects = field(default_factory=Subjects)
    next_steps: tuple[NextStep, ...] = ()

    def __post_init__(self) -> None:
        if not _CODE.fullmatch(self.code):
            raise ValueError(f"finding code {self.code!r} is not of the form subject.cause")

    def to_dict(self) -> dict[str, Any]:
        """Return the finding under the keys of the contract."""
        value: dict[str, Any] = jsonable(
            {
                "code": self.code,
                "severity": self.severity,
                "answer": self.answer,
                "probability": self.probability,
                "title": self.title,
                "explanation": self.explanation,
                "evidence": [
                    {"name": e.name, "value": e.value, "std": e.std, "unit": e.unit, "limit": e.limit}
                    for e in self.evidence
                ],
                "subjects": {
                    "captures": self.subjects.captures,
                    "carriers": self.subjects.carriers,
                    "rows": self.subjects.rows,
                },
                "next_steps": [{"text": s.text, "cautions": s.cautions} for s in self.next_steps],
            }
        )
        return value


@dataclass(frozen=True, slots=True)
class Rule:
    """A pure function over what it `needs` (names of facts), giving any number of findings of its `code`.

    A rule that may give findings of more codes than one (a shared computation) is split; the code is the rule's name.
    """

    code: str
    needs: tuple[str, ...]
    run: Callable[..., Iterable[Finding]]


def run_rules(rules: Iterable[Rule], facts: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Run, in order, every rule whose needs are all among `facts` (and not None); facts go in by keyword."""
    found: list[Finding] = []
    for rule in rules:
        values = {need: facts.get(need) for need in rule.needs}
        if any(value is None for value in values.values()):
            continue
        for finding in rule.run(**values):
            if finding.code != rule.code:
                raise ValueError(f"rule {rule.code} gave a finding of code {finding.code}")
            found.append(finding)
    return tuple(found)
