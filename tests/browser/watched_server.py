"""The app's server as it is, but quick to forget closed browsers, with a count of what it holds.

    python -m tests.browser.watched_server app --port N

Started by the tests alone. On SIGUSR1 it writes how many photos, uploads and reports are alive in
the process to the file that ``WATCH_FILE`` names. With ``BREAK_BENCH`` the bench page fails.
"""

import argparse
import gc
import json
import os
import signal
from pathlib import Path

from panelvision.files import write_atomically

# What a browser session brings in or makes, by the name of its class.
WATCHED = ("Entry", "Answer", "UploadedFileRec", "Report", "MemoryFile")
# The words of the failure; none of them may reach a browser.
BREAKAGE = "secret detail of /srv/inner/path"


def main() -> None:
    """Serve as ``panelvision app`` does, until stopped."""
    import streamlit as st

    from panelvision.pages import bench_page, forget
    from panelvision.pages.server import PAGES, middleware, one_line_error, server_settings

    parser = argparse.ArgumentParser()
    parser.add_argument("command")
    parser.add_argument("--port", type=int)
    port = parser.parse_args().port
    if os.environ.get("BREAK_BENCH"):
        bench_page.show = _fail
    if os.environ.get("WATCH_FILE"):
        signal.signal(signal.SIGUSR1, lambda *_: _tell(Path(os.environ["WATCH_FILE"])))
    forget.AWAY_S, forget.SWEEP_S = 1.0, 0.5
    app = st.App(
        PAGES, middleware=middleware(), lifespan=forget.forgetting, on_script_error=one_line_error
    )
    app.run(config=server_settings(port=port))


def _fail() -> None:
    raise RuntimeError(BREAKAGE)


def _tell(target: Path) -> None:
    write_atomically(target, json.dumps(alive()).encode())


def alive() -> dict[str, int]:
    """How many objects of the watched classes there are."""
    gc.collect()
    names = [type(each).__name__ for each in gc.get_objects()]
    return {name: names.count(name) for name in WATCHED}


if __name__ == "__main__":
    main()
