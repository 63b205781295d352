"""What every answer says to the browser: load nothing from elsewhere, show this in no frame."""

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "media-src 'self'; connect-src 'self'; manifest-src 'self'; worker-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
_PERMISSIONS = (
    "camera=(self), display-capture=(), geolocation=(), hid=(), microphone=(), "
    "midi=(), payment=(), serial=(), usb=()"
)
_ALWAYS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": _PERMISSIONS,
}
_FILES = "/static/"
_YEAR_S = 31_536_000


class SecurityHeaders:
    """Adds the headers to every answer, refusals and failures included."""

    def __init__(self, app: ASGIApp, *, strict_transport: bool = False) -> None:
        """Take the application; ``strict_transport`` makes browsers insist on TLS for a year."""
        self._app = app
        self._headers = dict(_ALWAYS)
        if strict_transport:
            self._headers["Strict-Transport-Security"] = f"max-age={_YEAR_S}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers[name] = value
                if not scope["path"].startswith(_FILES):
                    # What says nothing of itself is of now, and of whoever is logged in.
                    headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, with_headers)
