"""The door of the pages on a shop's network: a passphrase, asked before anything else is served.

It stands in front of the whole server (pages, websocket, uploads, pictures), not
inside a page, so that nothing behind it can be reached without a cookie that it gave.
"""

import hashlib
import hmac
import html
import secrets
import time
from collections import deque
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
ASGIApp = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE = "panelvision_door"
DOOR = "/door"
# chosen: a day at the bench, so that a phone is asked once in the morning.
OPEN_SECONDS = 12 * 3600.0
# chosen: a person mistypes a few times; a program that guesses gets 6 tries a minute from
# one address and 30 a minute in all, against more than 10^11 generated passphrases.
TRIES_PER_ADDRESS = 6
TRIES_IN_ALL = 30
WINDOW_SECONDS = 60.0
_MAX_FORM_BYTES = 2048
_MAX_OPEN_DOORS = 256

_CONSONANTS = "bdfgklmnprstvz"
_VOWELS = "aeiou"


def new_passphrase() -> str:
    """Three easily typed groups of letters from the system's random source (36.8 bits)."""
    syllables = [secrets.choice(_CONSONANTS) + secrets.choice(_VOWELS) for _ in range(6)]
    return "-".join(syllables[i] + syllables[i + 1] for i in (0, 2, 4))


class Throttle:
    """Counts failed tries in a sliding window, for each address and in all."""

    def __init__(
        self,
        *,
        per_address: int = TRIES_PER_ADDRESS,
        in_all: int = TRIES_IN_ALL,
        window: float = WINDOW_SECONDS,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._per_address = per_address
        self._window = window
        self._clock = clock
        # The queue is bounded: older failures than the last in_all cannot matter.
        self._failures: deque[tuple[float, str]] = deque(maxlen=max(in_all, per_address))
        self._in_all = in_all

    def wait(self, address: str) -> float:
        """Seconds until this address may try again; 0 when it may try now."""
        now = self._clock()
        recent = [(t, a) for t, a in self._failures if now - t < self._window]
        own = [t for t, a in recent if a == address]
        waits = [0.0]
        if len(own) >= self._per_address:
            waits.append(own[-self._per_address] + self._window - now)
        if len(recent) >= self._in_all:
            waits.append(recent[-self._in_all][0] + self._window - now)
        return max(waits)

    def failed(self, address: str) -> None:
        """Remember a failed try."""
        self._failures.append((self._clock(), address))


class Gate:
    """ASGI middleware that lets only those through who gave the passphrase.

    The comparison takes the same time wherever the typed text differs: digests
    of equal length are compared with :func:`hmac.compare_digest`.
    """

    def __init__(
        self,
        app: ASGIApp,
        passphrase: str,
        *,
        throttle: Throttle | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._app = app
        self._digest = _digest(passphrase)
        self._throttle = throttle or Throttle()
        self._clock = clock
        self._doors: dict[str, float] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve the door, or pass on to the pages."""
        if scope["type"] == "lifespan" or self._is_open(scope):
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        elif scope["path"] == DOOR and scope["method"] == "POST":
            await self._try(scope, receive, send)
        else:
            await _answer(send, 401, _page(""))

    def _is_open(self, scope: Scope) -> bool:
        now = self._clock()
        for name, value in scope.get("headers", []):
            if name != b"cookie":
                continue
            # Cookies of other services on this machine may be none that a strict reader takes.
            for pair in value.decode("latin-1").split(";"):
                key, _, token = pair.strip().partition("=")
                if key == COOKIE and self._doors.get(_key(token), -1.0) > now:
                    return True
        return False

    async def _too_many(self, send: Send, wait: float) -> None:
        text = f"Too many tries. Wait {wait:.0f} seconds, then try again."
        retry = (b"retry-after", str(int(wait) + 1).encode())
        await _answer(send, 429, _page(text), retry)

    async def _try(self, scope: Scope, receive: Receive, send: Send) -> None:
        address = (scope.get("client") or ("unknown", 0))[0]
        wait = self._throttle.wait(address)
        if wait > 0:
            await self._too_many(send, wait)
            return
        typed = await _form_value(receive, "passphrase")
        # Others may have failed while this one's body was waited for: tries sent all at once
        # count one by one.
        wait = self._throttle.wait(address)
        if wait > 0:
            await self._too_many(send, wait)
            return
        if typed is None or not hmac.compare_digest(_digest(typed), self._digest):
            self._throttle.failed(address)
            text = "That is not the passphrase. It stands in the terminal that started the pages."
            await _answer(send, 403, _page(text))
            return
        token = secrets.token_urlsafe(32)
        now = self._clock()
        self._doors = {k: until for k, until in self._doors.items() if until > now}
        while len(self._doors) >= _MAX_OPEN_DOORS:
            self._doors.pop(next(iter(self._doors)))
        self._doors[_key(token)] = now + OPEN_SECONDS
        cookie = f"{COOKIE}={token}; Path=/; HttpOnly; SameSite=Lax; Max-Age={int(OPEN_SECONDS)}"
        await _answer(send, 303, b"", (b"location", b"/"), (b"set-cookie", cookie.encode("ascii")))


def _digest(passphrase: str) -> bytes:
    # Phones capitalise the first letter and add a space after a word: neither is a mistake.
    return hashlib.sha256(passphrase.strip().casefold().encode("utf-8", "replace")).digest()


def _key(token: str) -> str:
    # Looked up by digest, so that the time of the look-up tells nothing of a valid token.
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


async def _form_value(receive: Receive, name: str) -> str | None:
    body = b""
    more = True
    while more:
        message = await receive()
        if message["type"] != "http.request":
            return None
        body += message.get("body", b"")
        more = message.get("more_body", False)
        if len(body) > _MAX_FORM_BYTES:
            return None
    try:
        fields = parse_qs(body.decode("utf-8"), max_num_fields=4)
    except ValueError:
        return None
    return fields.get(name, [None])[0]


async def _answer(send: Send, status: int, body: bytes, *headers: tuple[bytes, bytes]) -> None:
    plain = [
        (b"content-type", b"text/html; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"cache-control", b"no-store"),
    ]
    await send({"type": "http.response.start", "status": status, "headers": [*plain, *headers]})
    await send({"type": "http.response.body", "body": body})


def _page(message: str) -> bytes:
    note = f'<p role="alert">{html.escape(message)}</p>' if message else ""
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1"><title>panelvision</title>
<style>
:root{{color-scheme:dark}}
body{{margin:0;min-height:100vh;display:grid;place-items:center;background:#11161b;color:#ece6d8;
font:18px/1.5 system-ui,sans-serif}}
main{{width:min(24rem,calc(100vw - 3rem))}}
h1{{font-size:1.6rem;margin:0 0 .5rem}}
label{{display:block;margin:1rem 0 .4rem}}
input,button{{box-sizing:border-box;width:100%;min-height:56px;border-radius:12px;font:inherit;
padding:0 1rem}}
input{{background:#1b232b;color:inherit;border:2px solid #5b6a78}}
button{{margin-top:1rem;border:0;background:#f0b24f;color:#1a1408;font-weight:700}}
:focus-visible{{outline:3px solid #8fd0ff;outline-offset:2px}}
p[role=alert]{{border-left:6px solid #f0b24f;padding-left:.8rem}}
</style></head><body><main><h1>panelvision</h1>
<p>This bench is locked. Type the passphrase that the terminal shows.</p>{note}
<form method="post" action="{DOOR}"><label for="p">Passphrase</label>
<input id="p" name="passphrase" type="text" autocapitalize="none" autocomplete="off"
autocorrect="off" spellcheck="false" autofocus required>
<button type="submit">Open the bench</button></form></main></body></html>""".encode()
