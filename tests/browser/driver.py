"""A real server and a real browser for the tests: started, waited for, and stopped."""

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

REPO = Path(__file__).resolve().parents[2]
# Debian's package; another browser of the same family by this variable.
CHROMIUM = os.environ.get("PANELVISION_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}
# Two cores, other work beside: what is on screen within this is on screen.
PATIENCE_MS = 60_000


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def server(
    folder: Path,
    *arguments: str,
    passphrase: str | None = None,
    module: str = "panelvision.cli",
    extra: Mapping[str, str] | None = None,
) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """``panelvision app`` with store and settings in ``folder``; yields address and process.

    Parameters
    ----------
    module : str
        What is started instead of the command line; it is given the same arguments.
    extra : mapping, optional
        Variables of the server's environment besides the usual ones.
    """
    port = free_port()
    environment = dict(
        os.environ,
        PANELVISION_STORE=str(folder / "store" / "cases.sqlite"),
        PANELVISION_CONFIG=str(folder / "config"),
        OMP_NUM_THREADS="1",
        PYTHONUNBUFFERED="1",
        **(extra or {}),
    )
    if passphrase is not None:
        environment["PANELVISION_PASSPHRASE"] = passphrase
    command = [sys.executable, "-m", module, "app", "--port", str(port), *arguments]
    log = folder / "server.log"
    with open(log, "w", encoding="utf-8") as out:
        process = subprocess.Popen(
            command, cwd=REPO, env=environment, stdout=out, stderr=subprocess.STDOUT, text=True
        )
        address = f"http://localhost:{port}"
        try:
            _wait_for(address, process, log)
            yield address, process
        finally:
            process.terminate()
            try:
                process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _wait_for(address: str, process: "subprocess.Popen[str]", log: Path) -> None:
    until = time.monotonic() + 90
    while time.monotonic() < until:
        if process.poll() is not None:
            raise RuntimeError(f"the server stopped: {log.read_text(encoding='utf-8')[-2000:]}")
        try:
            urllib.request.urlopen(address, timeout=2)
            return
        except urllib.error.HTTPError:
            return  # the door answers too
        except OSError:
            time.sleep(0.3)
    raise RuntimeError(f"the server did not answer: {log.read_text(encoding='utf-8')[-2000:]}")


@contextmanager
def browser() -> Iterator[Any]:
    """Chromium, driven by Playwright."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS, headless=True)
        try:
            yield running
        finally:
            running.close()


def open_page(running: Any, address: str, size: dict[str, int]) -> Any:
    """A fresh browser session (own cookies, own storage) on the pages."""
    phone = size["width"] < 600
    context = running.new_context(
        viewport=size,
        has_touch=phone,
        is_mobile=phone,
        device_scale_factor=2 if phone else 1,
        accept_downloads=True,
    )
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(address)
    page.get_by_role("heading", level=1).first.wait_for()
    return page


def settle(page: Any) -> None:
    """Wait until Streamlit has nothing left to run."""
    page.wait_for_timeout(250)
    page.wait_for_function(
        "() => !document.querySelector('[data-testid=\"stStatusWidget\"]')"
        " && document.querySelector('[data-testid=\"stApp\"]')"
        "?.getAttribute('data-test-script-state') !== 'running'",
        timeout=PATIENCE_MS,
    )
    page.wait_for_timeout(250)


def visit(page: Any, name: str) -> None:
    """Go to another page by the bar."""
    page.locator(".st-key-nav").get_by_role("link", name=name).click()
    settle(page)


def sideways(page: Any) -> int:
    """How many pixels the page can be scrolled sideways; 0 is right."""
    return int(
        page.evaluate(
            """() => {
              const roots = [document.scrollingElement,
                             document.querySelector('[data-testid="stMain"]')];
              return Math.max(...roots.filter(Boolean).map(r => r.scrollWidth - r.clientWidth));
            }"""
        )
    )


def sideways_of_plain(page: Any) -> int:
    """The same for a page that is not Streamlit's."""
    return int(
        page.evaluate(
            "document.scrollingElement.scrollWidth - document.documentElement.clientWidth"
        )
    )


# Words on buttons and links that do not fit and are cut off.
CUT_OFF = """() => [...document.querySelectorAll(
    '[data-testid="stMain"] button p, [data-testid="stMain"] a p, [data-testid="stMain"] a span')]
  .filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0)
  .map(e => e.innerText)"""

# Everything to tap that is on the page, with its size; what stands inside running text or inside
# the preview's frame is exempt (WCAG 2.5.5), as are the parts of a number field that has a larger
# one of its own, and the small help signs that repeat what the label says.
TARGETS = """() => {
  const found = [];
  const roots = [document.querySelector('[data-testid="stMain"]'),
                 document.querySelector('[data-testid="stBottom"]')].filter(Boolean);
  for (const root of roots) {
    const all = 'button, a, summary, select, [role=radio], [role=slider]';
    for (const e of root.querySelectorAll(all)) {
      const box = e.getBoundingClientRect();
      if (!box.width || !box.height || !e.offsetParent) continue;
      if (e.closest('p, [data-testid="stTooltipIcon"], [data-testid="stNumberInput"]')) continue;
      if (e.closest('[data-testid="stHeadingWithActionElements"]')) continue;
      if (e.closest('[data-testid="stSelectbox"]')) continue;
      if (e.closest('[data-testid="stSlider"], [data-testid="stElementToolbar"]')) continue;
      const text = e.innerText || e.getAttribute('aria-label') || '';
      found.push({tag: e.tagName, text: text.slice(0, 40),
                  width: Math.round(box.width), height: Math.round(box.height)});
    }
  }
  return found;
}"""
