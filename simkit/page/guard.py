"""Who may speak to the page's server: only a page that it served itself, to a browser on this machine.

Another page in the same browser can send requests to any address, and a name of its own can be made to lead here. So
every request must carry the token in its address, name this address as its host, and come from no other origin; what
changes something must say that it comes from here, in JSON.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    # blob: sounds and pictures that the page has made itself
    "default-src 'self'; img-src 'self' data: blob:; media-src 'self' blob:; worker-src 'self' blob:; "
    "object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# What was made from a design is shown as a page without an origin: its scripts reach nothing here.
SANDBOX = "sandbox allow-scripts allow-popups allow-modals allow-downloads; frame-ancestors 'none'"
HEADERS = {
    "cache-control": "no-store",  # a design is nobody else's, not the browser's either
    "content-security-policy": POLICY,
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "microphone=(self), camera=(), geolocation=(), payment=(), usb=()",
    "referrer-policy": "no-referrer",  # or the token would leave with every link
    "x-content-type-options": "nosniff",  # what was sent as data is never run as a script
}
MOST_BYTES = 1_000_000  # of a request's body


def new_token() -> str:
    """A name that nobody guesses."""
    return secrets.token_urlsafe(24)  # 192 bits


class Guard:
    """Lets through what may speak to the application, the token taken off its path, and sets the headers of answers."""

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        self._app, self._token = app, token
        self._hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost")}
        self._origins = {f"http://{host}" for host in self._hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request, or refuse it."""
        if scope["type"] == "lifespan":
            return await self._app(scope, receive, send)
        if scope["type"] != "http":  # no web sockets: they would not be bound to an origin
            return None
        why = self._refusal(scope)
        if why is not None:
            status, text = why
            return await PlainTextResponse(text, status, dict(HEADERS))(scope, receive, send)
        _, _, rest = scope["path"].removeprefix("/").partition("/")  # /token/rest
        inner = {**scope, "path": f"/{rest}", "raw_path": None}
        await self._app(inner, receive, _with_headers(send))

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Reason why a request is refused: the status and the words; None where it is not."""
        headers = Headers(scope=scope)
        # Exactly one host header: of two, another program in between might read the other.
        if headers.getlist("host")[:2] not in [[host] for host in self._hosts]:
            return 421, "this server answers to 127.0.0.1 alone"  # Misdirected Request (RFC 9110, 15.5.20)
        origin, site = headers.get("origin"), headers.get("sec-fetch-site")
        if origin is not None and origin not in self._origins:
            return 403, "pages from elsewhere are not answered"
        token, slash, _ = scope["path"].removeprefix("/").partition("/")
        # In constant time, so that no answer's delay tells how much of a guess was right.
        if not slash or not hmac.compare_digest(token.encode(), self._token.encode()):
            return 403, "open the address that simkit open has printed; it is another one each time"
        if site in ("cross-site", "same-site") and not _is_a_visit(headers, scope):
            return 403, "pages from elsewhere are not answered"
        if scope["method"] in ("GET", "HEAD"):
            return None
        if scope["method"] != "POST":
            return 405, "GET and POST alone"
        return self._refusal_of_a_change(headers, origin)

    @staticmethod
    def _refusal_of_a_change(headers: Headers, origin: str | None) -> tuple[int, str] | None:
        if origin is None:
            return 403, "what changes something must say where it comes from"
        if headers.get("content-type", "").partition(";")[0].strip() != "application/json":
            return 415, "JSON alone"
        length = headers.get("content-length", "")  # a body of no stated length could go on for ever
        if not length.isdecimal() or int(length) > MOST_BYTES:
            return 413, "too much, or of no stated length"
        return None


def _is_a_visit(headers: Headers, scope: Scope) -> bool:
    """Whether a person follows a link to the page itself, as from a list of bookmarks; scripts get nothing of it."""
    return scope["method"] == "GET" and headers.get("sec-fetch-mode") == "navigate" and scope["path"].count("/") == 2


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            own: Iterable[tuple[bytes, bytes]] = message.get("headers", ())
            names = {name.lower() for name, _ in own}  # a route's own policy stays, as of what was made
            more = [(name.encode(), value.encode()) for name, value in HEADERS.items() if name.encode() not in names]
            message = {**message, "headers": [*own, *more]}
        await send(message)

    return sent
