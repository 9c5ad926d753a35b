"""How the pages are served: settings of the server, headers, and what an error shows."""

import logging
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from starlette.formparsers import MultiPartParser
from starlette.middleware import Middleware

from panelvision.pages.gate import ASGIApp, Gate, Message, Receive, Scope, Send

PAGES = Path(__file__).with_name("main.py")
# One phone clip or an export of a day's messages; a 48-megapixel photo is below 30 MB.
MAX_UPLOAD_MB = 256
DEFAULT_PORT = 8501

# Uploads are customers' property and are never put on disk on the way in: the form parser
# would otherwise spill whatever is longer than 1 MB into a temporary file.
MultiPartParser.spool_max_size = (MAX_UPLOAD_MB + 1) * 1024 * 1024

_POLICY = "; ".join(
    (
        "default-src 'self'",
        # Streamlit's own bundle and charts evaluate code and set styles in line.
        "script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self' data:",
        "connect-src 'self' ws: wss:",
        "worker-src 'self' blob:",
        "object-src 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)
HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", _POLICY.encode("ascii")),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"permissions-policy", b"geolocation=(), microphone=(), payment=(), usb=(), camera=(self)"),
    (b"cross-origin-opener-policy", b"same-origin"),
)

_DARK = {
    "primaryColor": "#f0b24f",
    "backgroundColor": "#11161b",
    "secondaryBackgroundColor": "#1b232b",
    "textColor": "#ece6d8",
    "borderColor": "#3b4854",
    "linkColor": "#8fd0ff",
}
_LIGHT = {
    "primaryColor": "#8a5200",
    "backgroundColor": "#f7f4ec",
    "secondaryBackgroundColor": "#ebe5d6",
    "textColor": "#1d2227",
    "borderColor": "#b3a98f",
    "linkColor": "#0a5a8c",
}


def server_settings(
    *, address: str = "127.0.0.1", port: int = DEFAULT_PORT, theme: str = "dark"
) -> dict[str, Any]:
    """Streamlit's configuration for these pages; the same from a clone and from the wheel.

    Parameters
    ----------
    address : str
        Address to listen on; 127.0.0.1 is this machine alone.
    theme : {"dark", "light"}
        The theme that a browser starts with; each can switch in the menu.
    """
    local = address in ("127.0.0.1", "localhost", "::1")
    settings: dict[str, Any] = {
        "server.address": address,
        "server.port": port,
        "server.headless": True,
        "server.maxUploadSize": MAX_UPLOAD_MB,
        "server.fileWatcherType": "none",
        "server.enableXsrfProtection": True,
        "server.enableStaticServing": False,
        # What a closed browser left is dropped sooner (forget.py); this bounds a reconnection.
        "server.disconnectedSessionTTL": 180,
        "browser.gatherUsageStats": False,
        "client.showErrorDetails": "none",
        "client.showErrorLinks": False,
        "client.toolbarMode": "minimal",
        "client.showSidebarNavigation": False,
        "theme.base": theme,
        "theme.baseFontSize": 18,
        "theme.baseRadius": "12px",
        "theme.buttonRadius": "12px",
    }
    if local:
        # A page elsewhere cannot point a name of its own at this machine.
        settings["server.allowedHosts"] = ["localhost", "127.0.0.1", "[::1]", "::1"]
    for name, value in (_LIGHT if theme == "light" else _DARK).items():
        settings[f"theme.{name}"] = value
    return settings


class SecurityHeaders:
    """ASGI middleware that adds :data:`HEADERS` to every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, and add the headers to the start of the answer."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name.lower() for name, _ in message.get("headers", [])}
                added = [pair for pair in HEADERS if pair[0] not in given]
                message["headers"] = [*message.get("headers", []), *added]
            await send(message)

        await self._app(scope, receive, with_headers)


def middleware(passphrase: str | None = None) -> Sequence[Middleware]:
    """What stands in front of the pages, outermost first."""
    layers = [Middleware(SecurityHeaders)]
    if passphrase is not None:
        layers.append(Middleware(Gate, passphrase=passphrase))
    return layers


def one_line_error(fault: Exception) -> bool:
    """Show one line that says what to do; the details go to the terminal's log alone."""
    import streamlit as st

    from panelvision.errors import PanelvisionError
    from panelvision.pages.look import tell_error

    if isinstance(fault, PanelvisionError):
        tell_error(fault)
    else:
        logging.getLogger("panelvision.pages").exception("a page failed", exc_info=fault)
        st.error(
            "That did not work, and nothing was lost. Go back to the page before and try again; "
            "the terminal that started the pages holds the details.",
            icon=":material/error:",
        )
    return True
