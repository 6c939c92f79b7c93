"""Visit: the captures of one piece of work on one terminal, with table, chain and the user's acceptance limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from spectra.capture import Capture, Context
from spectra.errors import SpectraError
from spectra.units import jsonable

if TYPE_CHECKING:
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable
    from spectra.visit.hints import Suggestion

__all__ = ["STAGES", "Attachment", "Limits", "Visit", "VisitCapture", "VisitHead"]

STAGES = ("as_found", "work", "as_left")
"""Where in the work a capture belongs: before anything was touched, in between, as the terminal was handed back."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the user accepts; None where nothing was stated, and then nothing is held against it.

    `verdict` is the weakest verdict that counts as the right satellite. LO error without a limit here is held against
    the tolerance of its LO state in the receive chain. `stated` is False where no limits were given at all.
    """

    verdict: str = "confirmed"
    lo_error_max_hz: float | None = None
    isolation_min_db: float | None = None
    floor_tilt_max_db: float | None = None
    service_cn_min_db: float | None = None
    faults_max: int = 0
    stated: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Return the limits by name."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True, slots=True)
class Attachment:
    """A photo or a text of the technician's that goes with the report."""

    path: Path
    caption: str = ""


@dataclass(frozen=True, slots=True)
class VisitHead:
    """Whose terminal, what was asked, who did the work: as written in ``visit.toml``, all optional."""

    title: str | None = None
    asked: str | None = None
    vessel: str | None = None
    terminal: str | None = None
    customer: str | None = None
    technician: str | None = None
    place: str | None = None
    reference: str | None = None
    remark: str | None = None
    expected_satellite: str | None = None
    expected_polarisation: str | None = None
    extra: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    def __reduce__(self) -> tuple[Any, ...]:
        values = [getattr(self, name) for name in self.__dataclass_fields__ if name != "extra"]
        return type(self), (*values, dict(self.extra))

    def to_dict(self) -> dict[str, Any]:
        """Return every key, unknown ones under ``extra``."""
        value: dict[str, Any] = jsonable(
            {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "extra"}
        )
        return {**value, "extra": {key: str(item) for key, item in self.extra.items()}}


@dataclass(frozen=True, slots=True)
class VisitCapture:
    """A capture of the visit with the files it came from, in the order of its sweeps.

    `notes` tell what had to be decided when its context was put together; `reading` holds, for each file, the
    options it was read with, as sidecar or ``visit.toml`` state them; `number` counts the captures of one file from 1.
    """

    capture: Capture
    files: tuple[Path, ...]
    notes: tuple[str, ...] = ()
    reading: tuple[Mapping[str, Any], ...] = ()
    number: int = 1

    @property
    def name(self) -> str:
        """Name of the capture within its visit."""
        return self.capture.name

    @property
    def context(self) -> Context:
        """Context of the capture."""
        return self.capture.context

    @property
    def captured_at(self) -> datetime | None:
        """When it was taken: what the context says, else what the sweep file says."""
        if self.context.captured_at is not None:
            return self.context.captured_at
        times = [sweep.origin.captured_at for sweep in self.capture.sweeps if sweep.origin.captured_at is not None]
        return min(times) if times else None

    @property
    def stage(self) -> str | None:
        """Stage of the work, one of `STAGES`, or None."""
        stage = self.context.extra.get("stage")
        return stage if stage in STAGES else None

    @property
    def on_satellite(self) -> bool:
        """Whether the antenna was meant to look at a satellite."""
        return self.context.role in (None, "normal", "baseline")


@dataclass(frozen=True, slots=True, eq=False)
class Visit:
    """What one piece of work on one terminal left behind.

    `captures` are in order of time where every one has a time, else in order of name; `failed` holds the files that
    could not be used; `suggestions` what file names hint at, offered and not assumed; `assumptions` what had to be
    taken for granted.
    """

    folder: Path
    head: VisitHead
    captures: tuple[VisitCapture, ...]
    table: CarrierTable | None = None
    chain: ReceiveChain | None = None
    limits: Limits = field(default_factory=Limits)
    suggestions: tuple[Suggestion, ...] = ()
    failed: tuple[SpectraError, ...] = ()
    assumptions: tuple[str, ...] = ()
    attachments: tuple[Attachment, ...] = ()
    table_path: Path | None = None
    chain_path: Path | None = None

    def said(self, key: str) -> str | None:
        """Return what head or, where it is silent, all captures alike say of vessel, terminal and so on."""
        value = getattr(self.head, key, None)
        if value is not None:
            return str(value)
        values = {getattr(capture.context, key, None) for capture in self.captures} - {None}
        return str(values.pop()) if len(values) == 1 else None
