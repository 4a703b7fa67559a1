"""The labelling page's server: addresses on one side, a `Labelling` session on the other."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from detectors.errors import TakeError
from rig.page.labelling import Labelling, Proposals
from rig.page.server import build_app, event_stream
from rig.page.sound import picture_bytes, read_excerpt, wav_bytes
from rig.page.take_list import ChangedUnderneathError

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

MOST_COLUMNS = 4000


class LabelPage:
    """Answers of the labelling page.

    Args:
        session: What is labelled.
        proposals: The detector's opinions.
        ended: Whether the server is closing down.
        name: Shown as the page's heading.
    """

    def __init__(
        self, session: Labelling, proposals: Proposals, *, ended: Callable[[], bool], name: str
    ) -> None:
        self.session = session
        self.proposals = proposals
        self.ended = ended
        self.name = name

    def state(self) -> dict[str, Any]:
        """Everything the page needs to start."""
        ready = self.proposals.ready()
        takes = [self.session.document(k) for k in range(len(self.session))]
        return {
            "name": self.name,
            "takes": [{**take, "proposal": ready.get(take["index"])} for take in takes],
            "can_undo": self.session.can_undo,
        }

    def news(self) -> Callable[[], list[tuple[str, Any]]]:
        """What is new since the last call, for one open page."""
        told: dict[int, int] = {}
        changed: list[str] = []

        def look() -> list[tuple[str, Any]]:
            nonlocal changed
            found: list[tuple[str, Any]] = []
            for index, content in sorted(self.proposals.ready().items()):
                if told.get(index) != id(content):
                    told[index] = id(content)
                    found.append(("proposal", {"index": index, "proposal": content}))
            now = self.session.changed_underneath()
            if now != changed:
                changed = now
                found.append(("changed", {"lists": now}))
            return found

        return look

    def get_state(self, request: Request) -> Response:
        del request
        return _json(self.state())

    def get_events(self, request: Request) -> Response:
        del request
        return event_stream(self.news(), ended=self.ended)

    def get_sound(self, request: Request) -> Response:
        from starlette.responses import Response

        try:
            excerpt = read_excerpt(self.session.take(request.path_params["index"]))
            loud = request.query_params.get("loud") == "1"
            return Response(
                wav_bytes(excerpt, loud=loud),
                media_type="audio/wav",
                headers={"x-start-s": f"{excerpt.start_s:.6f}"},
            )
        except (TakeError, IndexError) as error:
            return _problem(error)

    def get_picture(self, request: Request) -> Response:
        from starlette.responses import Response

        try:
            excerpt = read_excerpt(self.session.take(request.path_params["index"]))
            from_s, to_s = (_seconds(request, key) for key in ("from_s", "to_s"))
            columns = min(MOST_COLUMNS, max(50, int(_seconds(request, "columns") or 1200)))
            content = picture_bytes(excerpt, from_s=from_s, to_s=to_s, columns=columns)
            return Response(content, media_type="application/octet-stream")
        except (TakeError, IndexError) as error:
            return _problem(error)

    async def post_take(self, request: Request) -> Response:
        return await _change(request, self._set)

    async def post_undo(self, request: Request) -> Response:
        return await _change(request, self._undo)

    async def post_reload(self, request: Request) -> Response:
        return await _change(request, self._reload)

    async def post_focus(self, request: Request) -> Response:
        return await _change(request, self._focus)

    def _set(self, request: Request, body: dict[str, Any]) -> dict[str, Any]:
        take = self.session.set_mark(request.path_params["index"], body)
        return {"take": take, "can_undo": self.session.can_undo}

    def _undo(self, request: Request, body: dict[str, Any]) -> dict[str, Any]:
        del request, body
        index = self.session.undo()
        take = None if index is None else self.session.document(index)
        return {"take": take, "can_undo": self.session.can_undo}

    def _reload(self, request: Request, body: dict[str, Any]) -> dict[str, Any]:
        del request, body
        self.session.reload()
        self.proposals.forget()
        return self.state()

    def _focus(self, request: Request, body: dict[str, Any]) -> dict[str, Any]:
        del body
        self.proposals.focus(request.path_params["index"])
        return {}


def _seconds(request: Request, key: str) -> float | None:
    text = request.query_params.get(key)
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise TakeError(f"{key} = {text!r} must be a number") from None
    if not -1e7 < value < 1e7:
        raise TakeError(f"{key} = {text} is out of range")
    return value


def _json(content: Any, status: int = 200) -> Response:
    from starlette.responses import JSONResponse

    return JSONResponse(content, status)


def _problem(error: Exception) -> Response:
    if isinstance(error, IndexError):
        return _json({"problem": "there is no such take; load the page anew"}, 404)
    if isinstance(error, ChangedUnderneathError):
        return _json({"problem": str(error), "changed": True}, 409)
    return _json({"problem": str(error)}, 422)


async def _change(
    request: Request, act: Callable[[Request, dict[str, Any]], dict[str, Any]]
) -> Response:
    """Read the JSON body, act in a worker thread, answer."""
    from starlette.concurrency import run_in_threadpool

    try:
        body = await request.json() if await request.body() else {}
    except ValueError:
        return _json({"problem": "the request is no JSON"}, 400)
    if not isinstance(body, dict):
        return _json({"problem": "the request must be a JSON object"}, 400)
    try:
        return _json(await run_in_threadpool(act, request, body))
    except (TakeError, IndexError) as error:
        return _problem(error)


def make_label_app(
    session: Labelling,
    proposals: Proposals,
    *,
    token: str,
    port: int,
    ended: Callable[[], bool],
    name: str,
) -> Starlette:
    """The application of the labelling page; see `rig.page.server.build_app`."""
    from starlette.routing import Route

    page = LabelPage(session, proposals, ended=ended, name=name)
    routes = [
        Route("/state", page.get_state),
        Route("/events", page.get_events),
        Route("/takes/{index:int}/sound.wav", page.get_sound),
        Route("/takes/{index:int}/picture", page.get_picture),
        Route("/takes/{index:int}", page.post_take, methods=["POST"]),
        Route("/takes/{index:int}/focus", page.post_focus, methods=["POST"]),
        Route("/undo", page.post_undo, methods=["POST"]),
        Route("/reload", page.post_reload, methods=["POST"]),
    ]
    return build_app(routes, token=token, port=port, page="label.html", on_end=proposals.close)
