"""The door on the shop's network: who gets in, how often one may try, what answers carry."""

import asyncio
import re
import socket
import tomllib
from pathlib import Path

import pytest

from panelvision.app_cli import greeting, qr_code
from panelvision.errors import PanelvisionError
from panelvision.pages.forget import Guests
from panelvision.pages.gate import COOKIE, Gate, Throttle, new_passphrase
from panelvision.pages.server import HEADERS, SecurityHeaders, middleware, server_settings

REPO = Path(__file__).resolve().parents[1]


async def _behind(scope, receive, send):
    """What the gate guards."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        return
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"secret bench"})


class Visitor:
    """Talks ASGI to an application from one address and keeps its cookie."""

    def __init__(self, app, address="192.0.2.7"):
        self.app, self.address, self.cookie = app, address, b""

    def ask(self, path="/", method="GET", body=b"", kind="http"):
        headers = [(b"cookie", self.cookie)] if self.cookie else []
        scope = {"type": kind, "path": path, "method": method, "headers": headers}
        scope["client"] = (self.address, 4711)
        sent = []

        async def receive():
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message):
            sent.append(message)

        asyncio.run(self.app(scope, receive, send))
        if kind == "websocket":
            return sent[0]["type"]
        for name, value in sent[0]["headers"]:
            if name == b"set-cookie":
                self.cookie = value.split(b";")[0]
                self.cookie_line = value
        return sent[0]["status"], sent[1]["body"]

    def knock(self, passphrase):
        return self.ask("/door", "POST", f"passphrase={passphrase}".encode())


def test_nothing_behind_the_door_is_served_before_the_passphrase():
    visitor = Visitor(Gate(_behind, "lamp-and-bench"))
    for path in ("/", "/_stcore/health", "/media/x.jpg", "/_stcore/upload_file/a/b"):
        status, body = visitor.ask(path)
        assert status == 401 and b"secret bench" not in body
    assert visitor.ask("/_stcore/stream", kind="websocket") == "websocket.close"


def test_the_right_passphrase_opens_and_the_cookie_keeps_it_open():
    visitor = Visitor(Gate(_behind, "lamp-and-bench"))
    status, _ = visitor.knock("lamp-and-bench")
    assert status == 303
    assert b"HttpOnly" in visitor.cookie_line and b"SameSite" in visitor.cookie_line
    assert visitor.ask() == (200, b"secret bench")
    assert visitor.ask("/_stcore/stream", kind="websocket") == "websocket.accept"


def test_phones_that_capitalise_or_add_a_space_get_in():
    visitor = Visitor(Gate(_behind, "lamp-and-bench"))
    assert visitor.knock("Lamp-and-bench+")[0] == 303


@pytest.mark.parametrize("typed", ["", "lamp", "lamp-and-benc", "lamp-and-bench-x", "%00", "%ff"])
def test_a_wrong_passphrase_stays_outside(typed):
    visitor = Visitor(Gate(_behind, "lamp-and-bench"))
    assert visitor.knock(typed)[0] == 403
    assert visitor.ask()[0] == 401


def test_a_cookie_that_was_never_given_opens_nothing():
    visitor = Visitor(Gate(_behind, "lamp-and-bench"))
    for cookie in (f"{COOKIE}=", f"{COOKIE}=guess", f"{COOKIE}=\x00", "=;=", COOKIE):
        visitor.cookie = cookie.encode("latin-1")
        assert visitor.ask()[0] == 401


def test_a_door_closes_after_the_day():
    clock = [0.0]
    visitor = Visitor(Gate(_behind, "lamp-and-bench", clock=lambda: clock[0]))
    visitor.knock("lamp-and-bench")
    clock[0] = 12 * 3600 - 1
    assert visitor.ask()[0] == 200
    clock[0] = 12 * 3600 + 1
    assert visitor.ask()[0] == 401


def test_guessing_is_slowed_down_even_for_the_right_passphrase_and_then_forgiven():
    clock = [0.0]
    throttle = Throttle(per_address=3, in_all=100, window=60, clock=lambda: clock[0])
    gate = Gate(_behind, "lamp-and-bench", throttle=throttle)
    visitor = Visitor(gate)
    for _ in range(3):
        assert visitor.knock("wrong")[0] == 403
    assert visitor.knock("lamp-and-bench")[0] == 429
    assert Visitor(gate, "192.0.2.8").knock("lamp-and-bench")[0] == 303
    clock[0] = 61
    assert visitor.knock("lamp-and-bench")[0] == 303


def test_guesses_whose_bodies_come_all_at_once_count_one_by_one():
    throttle = Throttle(per_address=3, in_all=100, window=60, clock=lambda: 0.0)
    gate = Gate(_behind, "lamp-and-bench", throttle=throttle)

    async def together():
        held, answers = asyncio.Event(), []

        async def one():
            async def receive():
                await held.wait()
                return {"type": "http.request", "body": b"passphrase=wrong", "more_body": False}

            async def send(message):
                if "status" in message:
                    answers.append(message["status"])

            scope = {"type": "http", "path": "/door", "method": "POST", "headers": []}
            await gate({**scope, "client": ("192.0.2.7", 1)}, receive, send)

        tries = [asyncio.create_task(one()) for _ in range(20)]
        await asyncio.sleep(0)
        held.set()
        await asyncio.gather(*tries)
        return answers

    assert sorted(asyncio.run(together())) == [403] * 3 + [429] * 17


def test_cookies_of_other_services_do_not_close_the_door():
    visitor = Visitor(Gate(_behind, "lamp-and-bench"))
    visitor.knock("lamp-and-bench")
    visitor.cookie = b'x={"a":1}; flag; path=/; ' + visitor.cookie
    assert visitor.ask() == (200, b"secret bench")


def test_many_addresses_together_are_slowed_down_too():
    throttle = Throttle(per_address=3, in_all=5, window=60, clock=lambda: 0.0)
    gate = Gate(_behind, "lamp-and-bench", throttle=throttle)
    for i in range(5):
        assert Visitor(gate, f"192.0.2.{i}").knock("wrong")[0] == 403
    assert Visitor(gate, "192.0.2.99").knock("lamp-and-bench")[0] == 429


def test_a_huge_form_is_not_read():
    visitor = Visitor(Gate(_behind, "lamp-and-bench"))
    assert visitor.knock("x" * 100_000)[0] == 403


def test_generated_passphrases_are_easy_to_type_and_do_not_repeat():
    made = {new_passphrase() for _ in range(200)}
    assert len(made) == 200
    assert all(re.fullmatch(r"[a-z]{4}-[a-z]{4}-[a-z]{4}", text) for text in made)


def test_every_answer_carries_the_headers():
    status_and_headers = []

    async def send(message):
        status_and_headers.append(message)

    async def receive():
        return {"type": "http.request", "body": b"", "more_body": False}

    scope = {"type": "http", "path": "/", "method": "GET", "headers": [], "client": None}
    asyncio.run(SecurityHeaders(_behind)(scope, receive, send))
    assert set(HEADERS) <= set(status_and_headers[0]["headers"])
    policy = dict(HEADERS)[b"content-security-policy"].decode()
    # Nothing of the page may be fetched from, sent to or framed by another machine.
    assert "http" not in policy and "*" not in policy and "frame-ancestors 'none'" in policy


def test_the_gate_stands_behind_the_headers_and_only_for_phones():
    assert [layer.cls for layer in middleware()] == [SecurityHeaders]
    assert [layer.cls for layer in middleware("long-enough")] == [SecurityHeaders, Gate]


def test_the_clone_and_the_command_are_served_alike():
    """`streamlit run app.py` reads the file, `panelvision app` the function."""
    with open(REPO / ".streamlit" / "config.toml", "rb") as file:
        table = tomllib.load(file)
    flat = {f"{group}.{key}": value for group, keys in table.items() for key, value in keys.items()}
    settings = server_settings()
    settings.pop("server.port")
    assert flat == settings
    assert settings["browser.gatherUsageStats"] is False
    assert settings["client.showErrorDetails"] == "none"
    assert settings["server.address"] == "127.0.0.1"


def test_the_terminal_tells_address_and_passphrase_and_warns():
    text = greeting(8501, "bako-relu-timo", generated=True)
    assert "bako-relu-timo" in text and ":8501" in text and "not encrypted" in text
    assert "bako-relu-timo" not in greeting(8501, "bako-relu-timo", generated=False)
    assert "this machine alone" in greeting(8501, None, generated=False)


def test_the_qr_code_can_be_read_back():
    """Read with OpenCV's decoder: an implementation of ISO/IEC 18004 that is not segno's."""
    import cv2
    import numpy as np

    url = "http://192.0.2.33:8501"
    rows = qr_code(url).rstrip("\n").split("\n")
    halves = {" ": (0, 0), "\u2580": (1, 0), "\u2584": (0, 1), "\u2588": (1, 1)}
    rows = [re.sub("\x1b\\[[0-9;]*m", "", row) for row in rows]
    width = max(map(len, rows))
    grid = np.zeros((2 * len(rows), width), np.uint8)
    for y, row in enumerate(rows):
        for x, char in enumerate(row):
            grid[2 * y, x], grid[2 * y + 1, x] = halves[char]
    # In a dark terminal the blocks are the light modules.
    picture = np.pad(np.kron(grid * 255, np.ones((8, 8), np.uint8)), 40, constant_values=255)
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == url


@pytest.mark.parametrize("port", [0, 70_000])
def test_an_impossible_port_is_one_line(port):
    from panelvision.cli import main

    assert main(["app", "--port", str(port)]) == 2


def test_a_short_passphrase_is_refused(monkeypatch):
    from panelvision.app_cli import _passphrase

    monkeypatch.setenv("PANELVISION_PASSPHRASE", "short")
    with pytest.raises(PanelvisionError, match="at least 8"):
        _passphrase(ask=False)


def test_a_browser_that_stays_away_is_forgotten_and_one_that_comes_back_is_not():
    clock, here = [0.0], {"a", "b"}
    guests = Guests(clock=lambda: clock[0])
    for name in here:
        guests.came(name)
    assert guests.gone(here.__contains__, away_s=110) == []
    here.clear()
    assert guests.gone(here.__contains__, away_s=110) == []
    clock[0] = 60.0
    here.add("b")
    assert guests.gone(here.__contains__, away_s=110) == []
    here.clear()
    clock[0] = 115.0
    assert guests.gone(here.__contains__, away_s=110) == ["a"]
    clock[0] = 116.0 + 110
    assert guests.gone(here.__contains__, away_s=110) == ["b"]
    clock[0] = 999.0
    assert guests.gone(here.__contains__, away_s=110) == []


def test_a_passphrase_that_nobody_would_be_asked_for_is_wrong_use(capsys):
    from panelvision.cli import main

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    assert main(["app", "--ask-passphrase", "--port", str(port)]) == 2
    assert "goes with --phone" in capsys.readouterr().err
