"""Long work as jobs: started by a request, followed by others, cancelled at will."""

from __future__ import annotations

import secrets
import threading
import time
import traceback
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from ovenwright.errors import OvenwrightError, UnknownName, UsageError
from ovenwright.web.remedies import in_browser

_KEPT = 200
_AT_ONCE = 2
_WAITING = 20


class JobState(StrEnum):
    """What a job is at."""

    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"


class Cancelled(Exception):  # it is a request, no error
    """Raised inside a job that was told to stop."""


@dataclass
class Job:
    """One piece of long work.

    The work is given the job: it calls :meth:`tell` as it goes on, which raises :class:`Cancelled`
    once somebody cancelled it. Its result is plain data; ``link`` is where the result is shown.
    """

    id: str
    title: str
    who: str = ""
    state: JobState = JobState.WAITING
    share: float = 0.0
    doing: str = ""
    link: str = ""
    result: Mapping[str, Any] | None = None
    error: Mapping[str, Any] | None = None
    started: float = field(default_factory=time.monotonic)
    stopping: threading.Event = field(default_factory=threading.Event)

    def tell(self, share: float, doing: str = "") -> None:
        """Say how far the work is (0 to 1) and what is being done; stops here when cancelled."""
        if self.stopping.is_set():
            raise Cancelled
        self.share, self.doing = min(max(share, 0.0), 1.0), doing or self.doing

    @property
    def over(self) -> bool:
        """Whether nothing more will come of it."""
        return self.state in {JobState.DONE, JobState.FAILED, JobState.CANCELLED}

    def facts(self) -> dict[str, Any]:
        """Return the job as plain data."""
        return {
            "id": self.id,
            "title": self.title,
            "state": self.state.value,
            "share": round(self.share, 3),
            "doing": self.doing,
            "link": self.link,
            "result": self.result,
            "error": self.error,
        }


class JobBoard:
    """The jobs of one server; two at a time, the rest wait."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="job")
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()

    def start(
        self, title: str, work: Callable[[Job], Mapping[str, Any] | None], *, who: str = ""
    ) -> Job:
        """Start a piece of work and return its job at once.

        Raises
        ------
        UsageError : if too many jobs wait already
        """
        job = Job(secrets.token_hex(6), title, who)
        with self._lock:
            if sum(j.state is JobState.WAITING for j in self._jobs.values()) >= _WAITING:
                raise UsageError(
                    "too much work waits already", remedy="wait for it, or cancel some of it"
                )
            old = [j for j in self._jobs.values() if j.over]
            for gone in old[: max(0, len(self._jobs) - _KEPT)]:
                del self._jobs[gone.id]
            self._jobs[job.id] = job
        self._pool.submit(self._run, job, work)
        return job

    def _run(self, job: Job, work: Callable[[Job], Mapping[str, Any] | None]) -> None:
        if job.stopping.is_set():
            job.state = JobState.CANCELLED
            return
        job.state = JobState.RUNNING
        try:
            job.result = work(job)
            job.share = 1.0
            job.state = JobState.DONE
        except Cancelled:
            job.state = JobState.CANCELLED
        except OvenwrightError as trouble:
            job.error = trouble.facts() | {"remedy": in_browser(trouble.remedy)}
            job.state = JobState.FAILED
        except Exception as trouble:  # noqa: BLE001 - a job's fault is told, it ends no server
            traceback.print_exc()
            job.error = {
                "error": "Fault",
                "what": f"the tool itself failed: {type(trouble).__name__}",
                "where": job.title,
                "remedy": "the server's own output says more; please tell its maintainers",
            }
            job.state = JobState.FAILED

    def get(self, job_id: str) -> Job:
        """Return a job.

        Raises
        ------
        UnknownName : if there is none of that id
        """
        with self._lock:
            job = self._jobs.get(job_id)
        if job is None:
            raise UnknownName("job", job_id)
        return job

    def cancel(self, job_id: str) -> Job:
        """Ask a job to stop; one that still waits never begins."""
        job = self.get(job_id)
        job.stopping.set()
        if job.state is JobState.WAITING:
            job.state = JobState.CANCELLED
        return job

    def all(self) -> tuple[Job, ...]:
        """Return the jobs, the newest first."""
        with self._lock:
            return tuple(reversed(self._jobs.values()))

    def close(self) -> None:
        """Ask all jobs to stop and start no more."""
        with self._lock:
            jobs = tuple(self._jobs.values())
        for job in jobs:
            job.stopping.set()
        self._pool.shutdown(wait=False, cancel_futures=True)
