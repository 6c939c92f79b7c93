"""Work that takes longer than a request: done beside it, followed by its progress."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

__all__ = ["Job", "Jobs"]

_KEPT = 200
_KEPT_S = 3600.0


@dataclass(slots=True)
class Job:
    """A piece of work: `done` of `total` steps, then `result` or `problem`."""

    key: str
    title: str
    done: int = 0
    total: int = 0
    result: Any = None
    problem: Exception | None = None
    finished: bool = False
    began: float = field(default_factory=time.monotonic)

    def tell(self, done: int, total: int) -> None:
        """Take note of progress; fits the `tell` of the library's functions."""
        self.done, self.total = done, total


class Jobs:
    """Jobs in the order they were asked for, a few at a time."""

    def __init__(self, workers: int = 2) -> None:
        self._pool = ThreadPoolExecutor(workers, thread_name_prefix="job")
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()

    def begin(self, title: str, work: Callable[[Job], Any]) -> Job:
        """Begin a job; `work` gets it, tells it progress, and returns its result."""
        job = Job(secrets.token_urlsafe(12), title)
        with self._lock:
            self._forget()
            self._jobs[job.key] = job
        self._pool.submit(self._run, job, work)
        return job

    def get(self, key: str) -> Job | None:
        """Return a job by its key, None where there is none (any more)."""
        return self._jobs.get(key)

    def close(self) -> None:
        """Begin no more; what runs ends by itself."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    @staticmethod
    def _run(job: Job, work: Callable[[Job], Any]) -> None:
        try:
            job.result = work(job)
        except Exception as problem:  # noqa: BLE001 - it is told where the job is asked for, whatever it is
            job.problem = problem
        finally:
            job.finished = True

    def _forget(self) -> None:
        old = time.monotonic() - _KEPT_S
        ended = [key for key, job in self._jobs.items() if job.finished and job.began < old]
        surplus = [key for key, job in self._jobs.items() if job.finished][: max(0, len(self._jobs) - _KEPT)]
        for key in {*ended, *surplus}:
            self._jobs.pop(key, None)
