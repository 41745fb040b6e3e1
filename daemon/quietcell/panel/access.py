"""Who may do what: reading is open on this machine; changing, and any other address, needs the token."""

import hashlib
import hmac
from dataclasses import dataclass
from ipaddress import ip_address

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BODY = 16 * 1024
_FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip")
_HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """The rules of one panel."""

    token: str | None
    names: tuple[str, ...]
    """Under which a reverse proxy offers it."""
    host: str

    def knows(self, host: str) -> bool:
        """Tell whether a request may be meant for this panel; a rebound name of somebody else's is not."""
        name = _bare(host)
        return is_local(name) or name in self.names or name == self.host or _is_address(name)

    def lets(self, authorization: str) -> bool:
        """Tell whether a request carries the token."""
        if self.token is None:
            return False
        scheme, _, given = authorization.partition(" ")
        digests = [hashlib.sha256(text.encode()).digest() for text in (given.strip(), self.token)]
        return scheme.lower() == "bearer" and hmac.compare_digest(*digests)


def is_local(name: str) -> bool:
    """Tell whether a name or address means this machine alone."""
    try:
        return ip_address(name).is_loopback
    except ValueError:
        return name == "localhost"


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def _bare(host: str) -> str:
    """Return a Host header without its port."""
    name = host.rsplit(":", 1)[0] if host.count(":") == 1 or "]:" in host else host
    return name.strip("[]").lower()


class Guard:
    """Refuses what the rules do not allow, before anything else sees it."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def secured(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            status, text = refusal
            headers = {"www-authenticate": "Bearer"} if status == 401 else {}
            await JSONResponse({"error": text}, status, headers)(scope, receive, secured)
            return
        await self._app(scope, receive, secured)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers, access = Headers(scope=scope), self._access
        host, path = headers.get("host", ""), scope["path"]
        changes = scope["method"] not in {"GET", "HEAD", "OPTIONS"}
        if not access.knows(host):
            return 421, "this page is not offered under that name; see panel.names in the configuration"
        origin = headers.get("origin")
        foreign = origin is not None and origin.split("://", 1)[-1].lower() != host.lower()
        cross = headers.get("sec-fetch-site", "none") not in {"none", "same-origin"}
        if (path.startswith("/api/") or changes) and (foreign or cross):
            return 403, "requests from other sites are refused"
        size = headers.get("content-length", "0")
        if changes and (not size.isdecimal() or int(size) > LARGEST_BODY or "transfer-encoding" in headers):
            return 413, f"a body of at most {LARGEST_BODY} bytes with its length is taken"
        public = path in {"/", "/healthz", "/openapi.json"} or path.startswith("/static/")
        client = (scope.get("client") or ("", 0))[0]
        local = is_local(client) and is_local(_bare(host)) and not any(name in headers for name in _FORWARDED)
        if (changes or not (local or public)) and not access.lets(headers.get("authorization", "")):
            hint = (
                "no token is configured; see panel.token" if access.token is None else "the token is wanted"
            )
            return 401, hint
        return None
