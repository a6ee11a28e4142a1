"""The gate before every route: host names, requests forged by other sites, rates, and answers' headers."""

from collections.abc import Callable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import NotAllowed, Refused, ServiceError, TooMany
from service.rates import Rates
from service.secret import digest
from service.settings import Settings

_SAFE = {"GET", "HEAD", "OPTIONS"}
_CSP = (  # forms are sent by script alone: the browser's own way would show what was typed in the address
    "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "media-src 'self' blob:; connect-src 'self'; object-src 'none'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
_LOOK = ("/look.css", "/static/")  # so that a page that tells what is wrong looks like one of ours
_PEOPLE_AT_ONE_ADDRESS = 20  # as of a practice's own network
_HEADERS = {
    "Content-Security-Policy": _CSP,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), microphone=(), geolocation=()",
    "X-Robots-Tag": "noindex",
}


class Guard:
    """ASGI middleware. Static files may be cached; everything else is personal and is not.

    It counts requests of its own process, whose time they take; guesses are counted by `tries`.
    """

    def __init__(
        self, app: ASGIApp, settings: Settings, tell: Callable[[Request, ServiceError], Response]
    ) -> None:
        self._app, self._settings, self._tell = app, settings, tell
        self._rates, self._most = Rates(), settings.requests_per_minute

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                _add_headers(message, scope["path"], self._settings)
            await send(message)

        try:
            self._check(scope)
        except ServiceError as error:
            await self._tell(Request(scope), error)(scope, receive, send_with_headers)
            return
        await self._app(scope, receive, send_with_headers)

    def _check(self, scope: Scope) -> None:
        headers = Headers(scope=scope)
        ours = host_of(headers) in self._settings.allowed_hosts
        if not ours and not scope["path"].startswith(_LOOK):
            raise Refused(f"This address is not served here. Open {self._settings.address} instead.")
        if scope["method"] not in _SAFE and not headers.get("authorization"):
            check_origin(headers, self._settings)
        address = (scope.get("client") or ("",))[0]
        who = _who(headers)
        if who:  # what people identify themselves with is not checked yet, and may be made up each time
            self._count(f"all at {address}", self._most * _PEOPLE_AT_ONE_ADDRESS)
        self._count(who or address, self._most)

    def _count(self, who: str, most: int) -> None:
        if wait_s := self._rates.wait_s(who, most):
            raise TooMany(wait_s)


def check_origin(headers: Headers, settings: Settings) -> None:
    """Raise NotAllowed where a changing request with a cookie comes from another site's page.

    A browser always says where such a request comes from; one that does not say is refused, too.
    """
    origin = headers.get("origin") or headers.get("referer") or ""
    ours = {headers.get("host", "")} | ({urlsplit(settings.public_url).netloc} - {""})
    if urlsplit(origin).netloc not in ours:
        raise NotAllowed("This request did not come from our own page. Reload the page and try again.")


def host_of(headers: Headers) -> str:
    """Host name that a request is for, without the port; empty where it is none."""
    try:
        return urlsplit(f"//{headers.get('host', '')}").hostname or ""
    except ValueError:
        return ""


def _who(headers: Headers) -> str:
    """One person's key for counting: a digest of what they identify themselves with."""
    token = headers.get("authorization") or headers.get("cookie")
    return digest(token) if token else ""


def _add_headers(message: Message, path: str, settings: Settings) -> None:
    headers = MutableHeaders(scope=message)
    for name, value in _HEADERS.items():
        headers.setdefault(name, value)
    headers.setdefault("Cache-Control", "public, max-age=300" if path.startswith("/static/") else "no-store")
    if settings.secure_cookies:
        headers["Strict-Transport-Security"] = "max-age=31536000"
