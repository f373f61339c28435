"""The server's requests: a page by its name, the notes' forms, the door where a token is asked for."""

from __future__ import annotations

import hashlib
import html
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qs, quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from catchpot.errors import CatchpotError
from catchpot.plain_text import shown
from catchpot.report.pages import INDEX, policy
from catchpot.serve.doors import COOKIE, HEADERS, NOTHING, Doors, policy_of
from catchpot.serve.forms import Notes, Refusal

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

    from catchpot.serve.desk import Desk

MOST_FORM_BYTES, MOST_FIELDS = 16_000, 30
TYPES: Final[Mapping[str, str]] = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
}
TRY_AGAIN_S = 2


def application(desk: Desk, doors: Doors, notes: Notes | None) -> ASGIApp:
    """The server as an ASGI application. notes: where notes may be written; without it nothing can be changed."""

    def page(request: Request) -> Response:
        name = request.path_params["name"] or INDEX
        found = desk.page(name)
        if found is None:
            return _said(404, "There is no page of this name here.")
        kind = TYPES.get("." + name.rpartition(".")[2], TYPES[".html"])
        is_page = kind == TYPES[".html"]
        if is_page and notes is not None:
            found = _with_link(found, name, desk.mould_of(name))
        tag = f'"{hashlib.sha256(found).hexdigest()[:24]}"'
        # Shared files are named by their content.
        headers = {
            "etag": tag,
            "cache-control": "private, max-age=31536000, immutable" if name.startswith("assets/") else "no-cache",
            "content-security-policy": policy_of(found) if is_page else NOTHING,
        }
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(found, media_type=kind, headers=headers)

    def form(request: Request) -> Response:
        assert notes is not None
        query = request.query_params
        told = notes.told.get(query.get("told", ""))
        return _form_page(desk.form_page("note.html", "Write a note", **notes.content(query.get("mould", ""), told, {}),
                                         token=doors.form_token), 200)  # fmt: skip

    async def noted(request: Request) -> Response:
        given = await _given(request)
        if isinstance(given, Response):
            return given
        if not doors.own_form(request.headers, given.get("form_token", "")):
            return _said(403, "This form did not come from a page of this server. Nothing was written.")
        return await run_in_threadpool(_note, given)

    def _note(given: Mapping[str, str]) -> Response:
        assert notes is not None
        try:
            return RedirectResponse(f"/note?told={notes.take(given)}", status_code=303)
        except Refusal as refusal:
            content = notes.content(given.get("subject", ""), refusal.told, given)
            return _form_page(desk.form_page("note.html", "Write a note", **content, token=doors.form_token), 422)

    def door(request: Request) -> Response:
        return _door(doors, 200)

    async def enter(request: Request) -> Response:
        given = await _given(request)
        if isinstance(given, Response):
            return given
        if not doors.own_form(request.headers, given.get("form_token", "")) or not doors.is_token(
            given.get("token", "")
        ):
            return _door(doors, 403)
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(COOKIE, doors.cookie(), httponly=True, samesite="strict", path="/")
        return answer

    routes = [Route("/enter", door, methods=["GET"]), Route("/enter", enter, methods=["POST"])] if doors.token else []
    if notes is not None:
        routes += [Route("/note", form, methods=["GET"]), Route("/note", noted, methods=["POST"])]
    routes.append(Route("/{name:path}", page, methods=["GET"]))
    app = Starlette(routes=routes, exception_handlers={CatchpotError: _busy, 404: _missing, 405: _missing})
    return Guard(app, doors)


class Guard:
    """Turns away who asks under a foreign name or without the token, and adds what every answer carries."""

    def __init__(self, app: ASGIApp, doors: Doors) -> None:
        self._app = app
        self._doors = doors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return
        request = Request(scope)
        answer: ASGIApp = self._app
        if not self._doors.host_known(request.headers.get("host", "")):
            answer = _said(421, "This server does not answer to that name.")
        elif request.url.path != "/enter" and not self._doors.let_in(
            request.headers.get("authorization", ""), request.cookies.get(COOKIE, "")
        ):
            answer = _door(self._doors, 401)
        await answer(scope, receive, _carrying(send))


def _carrying(send: Send) -> Send:
    async def sending(message: Any) -> None:
        if message["type"] == "http.response.start":
            there = {k for k, _ in message["headers"]}
            more = {**HEADERS, "content-security-policy": NOTHING, "cache-control": "no-store"}
            message["headers"] = [
                *message["headers"],
                *((k.encode(), v.encode()) for k, v in more.items() if k.encode() not in there),
            ]
        await send(message)

    return sending


def _said(status: int, *lines: str) -> Response:
    """A short page that says why."""
    text = "".join(f"<p>{html.escape(shown(line))}</p>" for line in lines)
    body = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><title>catchpot</title></head>'
        f'<body>{text}<p><a href="/">The board</a></p></body></html>'
    )
    return Response(body, status_code=status, media_type=TYPES[".html"])


def _form_page(text: str, status: int) -> Response:
    return Response(text, status_code=status, media_type=TYPES[".html"],
                    headers={"content-security-policy": policy(forms=True) + "; frame-ancestors 'none'"})  # fmt: skip


def _door(doors: Doors, status: int) -> Response:
    body = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><title>catchpot</title></head><body>'
        "<h1>catchpot</h1><p>This server asks for its token.</p>"
        f'<form method="post" action="/enter"><input type="hidden" name="form_token" value="{doors.form_token}">'
        '<label>Token <input type="password" name="token" autocomplete="current-password" required></label> '
        "<button>Enter</button></form></body></html>"
    )
    return Response(body, status_code=status, media_type=TYPES[".html"],
                    headers={"content-security-policy": "default-src 'none'; base-uri 'none'; form-action 'self'; "
                             "frame-ancestors 'none'"})  # fmt: skip


def _busy(request: Request, error: Exception) -> Response:
    lines: Sequence[str] = error.lines() if isinstance(error, CatchpotError) else [str(error)]
    answer = _said(503, *lines, "The page can't be made just now; try again in a moment.")
    answer.headers["retry-after"] = str(TRY_AGAIN_S)
    return answer


def _missing(request: Request, error: Exception) -> Response:
    status = getattr(error, "status_code", 404)
    said = "There is no page of this name here." if status == 404 else "That can't be done with this page."
    return _said(status, said)


async def _given(request: Request) -> dict[str, str] | Response:
    """A form's fields; an answer where they are no form, or too much of one."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        return _said(415, "Only a form of this server is taken here. Nothing was written.")
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_FORM_BYTES:
            return _said(413, "That is more than a note holds. Nothing was written.")
    try:
        fields = parse_qs(body.decode("ascii"), keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict")
    except (ValueError, UnicodeDecodeError):
        return _said(400, "This form can't be read. Nothing was written.")
    return {name: values[0] for name, values in fields.items()}


def _with_link(page: bytes, name: str, mould: str) -> bytes:
    """A page with the way to the notes in its head."""
    to = f"/note?mould={quote(mould, safe='')}" if mould else "/note"
    link = f'<p class="trail"><a href="{html.escape(to)}">Write a note</a></p>\n</header>'
    return page.replace(b"</header>", link.encode(), 1)


__all__ = ["Guard", "application"]
