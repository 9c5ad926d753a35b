"""What a closed browser leaves in the server's memory goes after two minutes, whoever comes next.

Streamlit by itself drops a closed session only when another one is closed after it, keeps the
state of the last one until a browser comes again, and files to download until a script ends after
it; so the last customer's photos and report of a day would stay until the next morning.
"""

import asyncio
import contextlib
import threading
import time
from collections.abc import AsyncIterator, Callable
from importlib import import_module
from typing import Any

from panelvision.pages.heaps import keep_few_heaps

# chosen: long enough for a phone that was put away and taken up again.
AWAY_S = 110.0
SWEEP_S = 5.0


class Guests:
    """Sessions that came, and since when each has been away.

    Parameters
    ----------
    clock : callable
        Seconds that only grow.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._away_since: dict[str, float | None] = {}

    def came(self, session_id: str) -> None:
        """A session ran its script; to be told each time."""
        self._away_since[session_id] = None

    def gone(self, is_here: Callable[[str], bool], *, away_s: float) -> list[str]:
        """Sessions that have been away for at least ``away_s`` seconds; each is named once."""
        now = self._clock()
        over = []
        for name, since in list(self._away_since.items()):
            if is_here(name):
                self._away_since[name] = None
            elif since is None:
                self._away_since[name] = now
            elif now - since >= away_s:
                del self._away_since[name]
                over.append(name)
        return over


GUESTS = Guests()
_STATES: dict[str, Any] = {}


def note_session() -> None:
    """Note the session whose script runs now; nothing outside a server."""
    from streamlit.runtime.scriptrunner import get_script_run_ctx

    context = get_script_run_ctx(suppress_warning=True)
    if context is not None:
        GUESTS.came(context.session_id)
        _STATES[context.session_id] = context.session_state


@contextlib.asynccontextmanager
async def forgetting(_app: Any) -> AsyncIterator[dict[str, Any]]:
    """Close sessions whose browser stays away, as long as the server runs."""
    keep_few_heaps()
    # The PDF library keeps the frames of its first import, within a saved ImportError; made in a
    # session's thread, that import would keep the session's photos until the server stops.
    threading.Thread(
        target=import_module, args=("panelvision.report_pdf",), name="panelvision-pdf", daemon=True
    ).start()
    task = asyncio.create_task(_sweep())
    try:
        yield {}
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def _sweep() -> None:
    from streamlit import runtime

    while True:
        await asyncio.sleep(SWEEP_S)
        if not runtime.exists():
            continue
        server = runtime.get_instance()
        for session_id in GUESTS.gone(_is_here, away_s=AWAY_S):
            server.close_session(session_id)
            _empty(_STATES.pop(session_id, None))
            # Closing marks what was to be downloaded; looking once more removes it.
            server.media_file_mgr.remove_orphaned_files()


def _is_here(session_id: str) -> bool:
    """Whether a browser is open, or photos are sorted for one: a phone that slept wants them."""
    from streamlit import runtime

    if runtime.get_instance().is_active_session(session_id):
        return True
    state = _STATES.get(session_id)
    job = None if state is None else state.filtered_state.get("inbox")
    return bool(getattr(job, "running", False))


def _empty(state: Any) -> None:
    """Take everything out of a closed session's state."""
    for name in [] if state is None else list(state.filtered_state):
        with contextlib.suppress(KeyError):
            del state[name]
