"""The live page's server: looks at a run folder, tells its pages what is new."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.errors import StallcurveError
from rig.ledger import FILE_NAME
from rig.page.run_folder import RunFinder
from rig.page.server import build_app, event_stream
from rig.page.snapshot import read_moment, read_run

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

_WATCHED = (FILE_NAME, f"{FILE_NAME}-wal", "curve.json")


class LiveRun:
    """The newest picture of a run, read again only when its files have changed.

    Args:
        finder: Knows the run folder.
        now: The time now, in UTC.
    """

    def __init__(
        self, finder: RunFinder, *, now: Callable[[], datetime] = lambda: datetime.now(UTC)
    ) -> None:
        self.finder = finder
        self._now = now
        self._lock = threading.Lock()
        self._stamp: object = None
        self._run: dict[str, Any] = {}
        self._version = 0

    def look(self) -> tuple[int, dict[str, Any], dict[str, Any]]:
        """Version of the run's content, the content, and the moment."""
        with self._lock:
            folder = self.finder.find()
            stamp = (folder, _stamp(folder)) if folder is not None else None
            if stamp != self._stamp or not self._version:
                self._run = self._read(folder)
                self._stamp = stamp
                self._version += 1
            moment: dict[str, Any] = {}
            if folder is not None and "problem" not in self._run:
                moment = read_moment(folder, self._run, now=self._now())
            return self._version, self._run, moment

    def _read(self, folder: Path | None) -> dict[str, Any]:
        if folder is None:
            return {"problem": "", "waiting": True, "name": self.finder.name}
        try:
            return read_run(folder)
        except StallcurveError as error:
            return {"problem": str(error), "waiting": False, "name": self.finder.name}


def _stamp(folder: Path) -> tuple[tuple[int, int, int], ...]:
    found = []
    for name in _WATCHED:
        try:
            stat = (folder / name).stat()
            found.append((stat.st_mtime_ns, stat.st_size, stat.st_ino))
        except OSError:
            found.append((0, 0, 0))
    return tuple(found)


def news(run: LiveRun) -> Callable[[], list[tuple[str, Any]]]:
    """What is new since the last call, for one open page."""
    told_version = 0
    told_moment: dict[str, Any] | None = None

    def look() -> list[tuple[str, Any]]:
        nonlocal told_version, told_moment
        found: list[tuple[str, Any]] = []
        version, content, moment = run.look()
        if version != told_version:
            told_version = version
            found.append(("run", content))
        if moment != told_moment:
            told_moment = moment
            found.append(("moment", moment))
        return found

    return look


def make_live_app(
    run: LiveRun, *, token: str, port: int, ended: Callable[[], bool], every_s: float = 0.5
) -> Starlette:
    """The application of the live page; see `rig.page.server.build_app`."""
    from starlette.routing import Route

    def get_events(request: Request) -> Response:
        del request
        return event_stream(news(run), ended=ended, every_s=every_s)

    def get_state(request: Request) -> Response:
        from starlette.responses import JSONResponse

        del request
        _, content, moment = run.look()
        return JSONResponse({"run": content, "moment": moment})

    routes = [Route("/events", get_events), Route("/state", get_state)]
    return build_app(routes, token=token, port=port, page="live.html", on_end=lambda: None)
