"""Who may talk to the review: this machine's browser that was given the key, and nobody else."""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.responses import PlainTextResponse, RedirectResponse, Response

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

# Nothing is loaded from elsewhere, nothing is framed, no text of a file can become a script.
_POLICY = (
    "default-src 'none'; img-src 'self' blob: data:; connect-src 'self'; script-src 'self'; "
    "style-src 'self'; style-src-attr 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Guard:
    """Lets requests through that come from the page this program opened.

    The address in Host must be this machine's loopback one (so that a name that another's server
    resolves to it is of no use), Origin must be the same where it is told and is needed for
    whatever changes something, and the cookie must hold the key. ``/start?key=…`` sets the cookie.

    Parameters
    ----------
    app : callable
        The ASGI application behind.
    key : str
        The secret of this run.
    port : int
    """

    def __init__(self, app: Any, key: str, port: int) -> None:
        self._app, self._key = app, key
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self._origins = {f"http://{host}" for host in self._hosts}
        self._cookie = f"depthweld-review-{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        headers = {k.decode("latin-1"): v.decode("latin-1") for k, v in scope["headers"]}
        answer = self._refusal(scope, headers)
        if answer is None:
            await self._app(scope, receive, _with_headers(send))
        else:
            await answer(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> Response | None:
        """Return the answer where it is not the application's to give."""
        if headers.get("host", "") not in self._hosts:
            return PlainTextResponse("Wrong host.", 403)
        origin = headers.get("origin")
        if origin is not None and origin not in self._origins:
            return PlainTextResponse("Wrong origin.", 403)
        changes = scope["method"] not in ("GET", "HEAD")
        if changes and origin is None:
            return PlainTextResponse("No origin told.", 403)
        if scope["path"] == "/start":
            return self._begin(scope)
        if not self._known(headers.get("cookie", "")):
            return PlainTextResponse(
                "This page belongs to one run of 'depthweld review'. Open the address that it "
                "printed in the terminal.",
                403,
            )
        return None

    def _begin(self, scope: Scope) -> Response:
        query = scope["query_string"].decode("latin-1")
        if not hmac.compare_digest(query.encode(), f"key={self._key}".encode()):
            return PlainTextResponse("Wrong key.", 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self._cookie, self._key, httponly=True, samesite="strict", path="/")
        return answer

    def _known(self, text: str) -> bool:
        try:
            cookies = SimpleCookie(text)
        except CookieError:
            return False
        given = cookies[self._cookie].value if self._cookie in cookies else ""
        return hmac.compare_digest(given.encode(), self._key.encode())


def _with_headers(send: Send) -> Send:
    """Return a sender that adds the headers of every answer."""
    added = [(k.lower().encode(), v.encode()) for k, v in HEADERS.items()]

    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            own = {name for name, _ in message["headers"]}
            extra = [pair for pair in added if pair[0] not in own]
            message = {**message, "headers": [*message["headers"], *extra]}
        await send(message)

    return sending
