"""Sorting what customers sent, beside the page, so that it can be watched and stopped."""

import logging
import threading
from collections.abc import Sequence
from dataclasses import replace

from panelvision.errors import PanelvisionError
from panelvision.inbox import label
from panelvision.pages.memory_folder import memory_folder, own_name
from panelvision.settings import Settings, currency_of
from panelvision.triage import Progress, SortSummary, sort_photos, write_outputs
from panelvision.triage_cases import SortedCase, SortedPhoto

# chosen: below this many photos the start of worker processes costs more than it saves.
_WORTH_WORKERS = 8


class InboxJob:
    """One run over uploaded files; everything it writes is in a folder that goes with it."""

    def __init__(self, files: Sequence[tuple[str, bytes]], settings: Settings) -> None:
        self._files = list(files)
        self._settings = settings
        self._stop = threading.Event()
        self.progress: Progress | None = None
        self.summary: SortSummary | None = None
        self.cases: tuple[SortedCase, ...] = ()
        self.sheet = b""
        self.table = b""
        self.error = ""
        self._thread = threading.Thread(target=self._run, name="panelvision-inbox", daemon=True)
        self._thread.start()

    @property
    def running(self) -> bool:
        """Whether there is still work going on."""
        return self._thread.is_alive()

    def stop(self) -> None:
        """End after the photo at hand and keep what is done."""
        self._stop.set()

    def wait(self) -> None:
        """Until it is over."""
        self._thread.join()

    def _tell(self, progress: Progress) -> None:
        self.progress = progress

    def _run(self) -> None:
        names = {}
        try:
            with memory_folder() as folder:
                paths = []
                for number, (given, data) in enumerate(self._files, start=1):
                    own = own_name(number, given)
                    names[own] = label(given)
                    (folder / own).write_bytes(data)
                    paths.append(folder / own)
                self._files.clear()
                many = len(paths) >= _WORTH_WORKERS or any(
                    path.suffix in (".zip", ".mbox") for path in paths
                )
                out = folder / "out"
                summary = sort_photos(
                    paths,
                    out=out,
                    workers=None if many else 0,
                    settings=self._settings,
                    progress=self._tell,
                    stop=self._stop,
                )
                self.cases = tuple(_named(case, names) for case in summary.cases)
                # Once more with the names that the files came with, for sheet and table.
                write_outputs(self.cases, out, currency=currency_of(self._settings))
                self.sheet = (out / "index.html").read_bytes()
                self.table = (out / "results.csv").read_bytes()
                self.summary = summary
        except PanelvisionError as fault:
            self.error = str(fault)
        except Exception:
            logging.getLogger("panelvision.pages").exception("sorting the inbox failed")
            self.error = "The photos could not be sorted; try again with fewer of them."


def _named(case: SortedCase, names: dict[str, str]) -> SortedCase:
    """The case with the names that the files came with."""
    photos = tuple(_photo(photo, names) for photo in case.photos)
    return replace(case, title=_given(case.title, names), photos=photos)


def _photo(photo: SortedPhoto, names: dict[str, str]) -> SortedPhoto:
    given = _given(photo.incoming.name, names)
    record = dict(photo.record, file=given)
    if "error" in record:
        record["error"] = _given(str(record["error"]), names)
    return replace(photo, incoming=replace(photo.incoming, name=given), record=record)


def _given(text: str, names: dict[str, str]) -> str:
    own, slash, rest = text.partition("/")
    if own in names:
        return names[own] + slash + rest
    own, colon, rest = text.partition(":")
    return names[own] + colon + rest if own in names else text
