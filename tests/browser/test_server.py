"""The real server, asked for what it must not give: size, paths, traces, yesterday's photos."""

import http.client
import json
import os
import re
import signal
import subprocess
import time
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import pytest

from panelvision.examples import EXAMPLES, load_examples
from panelvision.pages.server import MAX_UPLOAD_MB
from tests.browser import driver, watched_server

pytest.importorskip("playwright", reason="the browser tests need playwright")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        not os.path.exists(driver.CHROMIUM),
        reason=f"needs Chromium at {driver.CHROMIUM} (PANELVISION_CHROMIUM names another)",
    ),
]
PHOTO = EXAMPLES / load_examples()[1].name
# What the system, the program and the interpreter would give away.
GIVEN_AWAY = re.compile(rb"Traceback|site-packages|\.py\b.{0,20}line|root:.{0,3}:0|def show\(")


class Counts(NamedTuple):
    """The watched server's process, and where it writes what it holds."""

    process: subprocess.Popen
    path: Path


@pytest.fixture(scope="module")
def watched(tmp_path_factory):
    """A watched server whose bench page fails, one browser, and the file with the counts."""
    folder = tmp_path_factory.mktemp("watched")
    path = folder / "alive.json"
    temporary = folder / "temporary"
    temporary.mkdir()
    extra = {"WATCH_FILE": str(path), "BREAK_BENCH": "1", "TMPDIR": str(temporary)}
    module = "tests.browser.watched_server"
    with (
        driver.server(folder, module=module, extra=extra) as (address, process),
        driver.browser() as running,
    ):
        yield running, address, Counts(process, path)


def upload(page, *files):
    page.locator("input[type=file]").first.set_input_files(list(files))
    page.get_by_text("Corners", exact=True).first.wait_for()
    driver.settle(page)


def counted(counts, wanted, seconds=150.0):
    """What the server holds as soon as that is as wanted, or in the end."""
    until = time.monotonic() + seconds
    found = {}
    while not (found and wanted(found)) and time.monotonic() < until:
        counts.path.unlink(missing_ok=True)
        counts.process.send_signal(signal.SIGUSR1)
        while not counts.path.exists() and time.monotonic() < until:
            time.sleep(0.5)
        if counts.path.exists():
            found = json.loads(counts.path.read_text(encoding="utf-8"))
    return found


def request(address, method, path, body=None, headers=None):
    """Status and body of a request whose path is sent as it is."""
    port = int(address.rpartition(":")[2])
    with closing(http.client.HTTPConnection("localhost", port, timeout=30)) as connection:
        connection.request(method, path, body=body, headers=headers or {})
        answer = connection.getresponse()
        return answer.status, answer.read()


def upload_as_the_browser_does(page):
    """Where this session's uploads go, and the headers that come with them."""
    caught = []
    page.on("request", lambda r: caught.append(r) if "upload_file" in r.url else None)
    upload(page, str(PHOTO))
    put = next(r for r in caught if r.method == "PUT")
    cookies = "; ".join(f"{c['name']}={c['value']}" for c in page.context.cookies())
    token = put.all_headers().get("x-xsrftoken", "")
    where = re.sub(r"^https?://[^/]+", "", put.url)
    return where, {"Cookie": cookies, "X-Xsrftoken": token}


def test_a_photo_a_report_and_their_uploads_are_gone_with_the_browser(watched):
    running, address, counts = watched
    page = driver.open_page(running, address, driver.PHONE)
    upload(page, str(PHOTO))
    sources = page.evaluate("[...document.images].map(i => i.src)")
    pictures = [re.sub(r"^https?://[^/]+", "", s) for s in sources if "/media/" in s]
    assert pictures and request(address, "GET", pictures[0])[0] == 200
    driver.visit(page, "Report")
    page.get_by_role("button", name="Save as PDF").wait_for()
    held = counted(counts, lambda found: found["Entry"] and found["Answer"])
    assert held["Entry"] == held["Answer"] == 1
    page.context.close()
    nothing = dict.fromkeys(watched_server.WATCHED, 0)
    assert counted(counts, lambda found: found == nothing) == nothing
    assert request(address, "GET", pictures[0])[0] == 404


def test_a_file_above_the_limit_is_refused_and_not_kept(watched):
    running, address, counts = watched
    page = driver.open_page(running, address, driver.PHONE)
    where, headers = upload_as_the_browser_does(page)
    form = {**headers, "Content-Type": "multipart/form-data; boundary=x"}
    head = b'--x\r\nContent-Disposition: form-data; name="f"; filename="f.jpg"\r\n\r\n'
    status, _ = request(address, "PUT", where, head + b"small\r\n--x--\r\n", form)
    assert status == 204  # so it is the size that the others are refused for
    told = {**form, "Content-Length": str(MAX_UPLOAD_MB * 2**20 + 1)}
    assert request(address, "PUT", where, head, told)[0] == 413
    # Nor is it let in by not saying its length.
    port = int(address.rpartition(":")[2])
    piece = bytes(2**20)
    with closing(http.client.HTTPConnection("localhost", port, timeout=60)) as connection:
        connection.putrequest("PUT", where)
        for name, value in {**form, "Transfer-Encoding": "chunked"}.items():
            connection.putheader(name, value)
        connection.endheaders()
        try:
            for part in (head, *[piece] * (MAX_UPLOAD_MB + 2)):
                connection.send(b"%x\r\n%s\r\n" % (len(part), part))
            refused = connection.getresponse().status == 413
        except (ConnectionError, http.client.HTTPException):
            refused = True  # the server hung up
    assert refused
    for missing in (("Cookie",), ("X-Xsrftoken",)):
        fewer = {k: v for k, v in form.items() if k not in missing}
        assert request(address, "PUT", where, head + b"small\r\n--x--\r\n", fewer)[0] == 403
    page.context.close()


@pytest.mark.parametrize(
    "path",
    [
        "/../../../../../../etc/passwd",
        "/..%2f..%2f..%2f..%2f..%2fetc%2fpasswd",
        "/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
        "/static/../../../../../../../etc/passwd",
        "/static/..%2f..%2f..%2f..%2f..%2f..%2fetc/passwd",
        "/app/static/../server.py",
        "/app/static/%2e%2e/server.py",
        "/media/../../../../etc/passwd",
        "/media/..%2f..%2fetc%2fpasswd",
        "/component/x/../../../../etc/passwd",
        "/_stcore/component/x/..%2f..%2f..%2fetc%2fpasswd",
        "/_stcore/../../../../etc/passwd",
        "//etc/passwd",
        "/..\\..\\..\\etc\\passwd",
        "/.streamlit/config.toml",
        "/panelvision/pages/server.py",
        "/photo/%00",
    ],
)
def test_no_path_that_a_browser_asks_for_reaches_the_disk(watched, path):
    _, address, _ = watched
    status, body = request(address, "GET", path)
    assert not GIVEN_AWAY.search(body) and b"showErrorDetails" not in body
    # The pages' own shell is the answer to every unknown address; nothing else is.
    assert status >= 300 or b"<title>Streamlit</title>" in body, (status, body[:80])


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("PUT", "/_stcore/upload_file/none/none", b"x"),
        ("PUT", "/_stcore/upload_file/..%2f..%2ftmp/evil", b"x"),
        ("DELETE", "/_stcore/upload_file/none/none", None),
        ("POST", "/", b"\xff\xfe\x00"),
        ("POST", "/_stcore/stream", b"x" * 1000),
        ("GET", "/_stcore/stream", None),
        ("GET", "/media/none.jpg", None),
        ("PATCH", "/_stcore/health", b"{}"),
        ("TRACE", "/", None),
    ],
)
def test_odd_requests_are_answered_without_a_trace(watched, method, path, body):
    _, address, _ = watched
    status, text = request(address, method, path, body)
    assert status >= 200 and not GIVEN_AWAY.search(text)


def test_a_name_full_of_paths_writes_nothing(watched, tmp_path):
    running, address, counts = watched
    page = driver.open_page(running, address, driver.PHONE)
    where, headers = upload_as_the_browser_does(page)
    name = "../../../../../../" + str(tmp_path / "escaped.jpg").lstrip("/")
    form = {**headers, "Content-Type": "multipart/form-data; boundary=x"}
    head = f'--x\r\nContent-Disposition: form-data; name="f"; filename="{name}"\r\n\r\n'
    body = head.encode() + PHOTO.read_bytes() + b"\r\n--x--\r\n"
    assert request(address, "PUT", where, body, form)[0] == 204
    assert not list(tmp_path.iterdir())
    kept = [p for p in (counts.path.parent / "temporary").rglob("*") if p.is_file()]
    assert kept == []
    page.context.close()


def test_a_failing_page_shows_one_line_and_sends_nothing_of_the_failure(watched):
    running, address, counts = watched
    page = driver.open_page(running, address, driver.PHONE)
    frames = []
    page.on(
        "websocket", lambda socket: socket.on("framereceived", lambda data: frames.append(data))
    )
    page.reload()
    driver.settle(page)
    page.locator(".st-key-nav").get_by_role("link", name="Bench").click()
    alert = page.get_by_text("That did not work").first
    alert.wait_for()
    assert "\n" not in alert.inner_text().strip()
    sent = b"".join(f.encode() if isinstance(f, str) else f for f in frames)
    shown = page.content().encode()
    assert sent and b"That did not work" in sent
    for place in (sent, shown):
        assert b"secret detail" not in place and not GIVEN_AWAY.search(place)
    log = Path(counts.path.parent, "server.log").read_text(encoding="utf-8")
    assert watched_server.BREAKAGE in log  # the shop's own terminal does tell
    page.context.close()
