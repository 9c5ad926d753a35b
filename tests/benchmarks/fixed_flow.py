"""The fixed flow of common practice, written down as a policy (common practice, no source).

It follows the facts of the trade in the order in which they are usually told, uses each outcome
the way they say, skips steps that an earlier answer has made pointless (no socket check on a set
that plays sound), and buys the part that the last answer points to. It does not weigh costs.
"""

from collections.abc import Iterable

from tests.benchmarks.repair_world import Job


def fixed_flow(job: Job) -> None:
    """From the door to the verdict; stops as soon as the set works."""
    picture = job.seen["picture"]
    if picture == "broken":
        job.give_up()
    elif picture == "dark-areas":
        dark_areas(job)
    elif picture == "artefacts":
        artefacts(job)
    elif picture == "good":
        outside(job)
    else:
        discharge(job)
        if not job.over:
            outside(job)
        if not job.over:
            glow(job) if picture == "glow" else dark(job)


def discharge(job: Job) -> None:
    """Half of the black screens come back; hardly one with a blinking standby light.

    A completely dead set is worth several tries.
    """
    if job.seen["standby-light"] == "blinking":
        return
    job.test("discharge")
    if not job.over and job.seen["sound"] == "no" and job.seen["standby-light"] == "off":
        job.test("discharge-again")


def outside(job: Job) -> None:
    """Sockets and what hangs in front of them, external cables, ports, another input."""
    steps = ["externals-off", "clean-ports", "another-input"]
    if job.seen["sound"] == "no":
        steps.insert(0, "another-socket")
    for step in steps:
        job.test(step)
        if job.over:
            return


def dark(job: Job) -> None:
    """The torch decides between the backlight and the boards."""
    if job.test("torch") == "faint-picture":
        backlight(job)
    else:
        boards(job)


def dark_areas(job: Job) -> None:
    """A picture with dark areas: strips, after a look at the boards."""
    if not look_over(job):
        job.test("each-strip")
        buy(job, ["strip-set"])


def backlight(job: Job) -> None:
    """Strips, but every board first; the error flag confirms, the control cable tells the rest."""
    if look_over(job):
        return
    if job.test("error-flag") == "low" and job.test("control-cable-off") == "lit":
        # The light comes up without the main board's say: the main board holds it down.
        if buy(job, ["main-board"]):
            return
    strips_or_driver(job)


def strips_or_driver(job: Job) -> None:
    """Light is missing: the panel comes off, each strip is tested."""
    if job.test("each-strip") == "all-good":
        buy(job, ["power-board", "strip-set"])
    else:
        buy(job, ["strip-set", "power-board"])


def boards(job: Job) -> None:
    """No picture formed: cables, then the two cable tests, then the board they point to."""
    if look_over(job):
        return
    job.test("reseat-cables")
    if job.over:
        return
    if job.test("control-cable-off") == "dark":
        # The power board; if not, the light is still missing, and the strips are looked at before
        # more boards are bought, unless the set is dead altogether.
        if buy(job, ["power-board"]):
            return
        if job.seen["sound"] == "yes":
            strips_or_driver(job)
        else:
            buy(job, ["main-board"])
    elif job.test("timing-cables-off") == "lit":
        buy(job, ["timing-board", "main-board"])
    else:
        buy(job, ["main-board", "timing-board"])
    last_resorts(job)


def glow(job: Job) -> None:
    """Light and sound, no picture: one panel cable at a time."""
    job.test("reseat-cables")
    if job.over:
        return
    if job.test("one-panel-cable-off") == "half-shows":
        buy(job, ["timing-board"])
    else:
        # A picture missing completely makes the main board more common than the timing board.
        buy(job, ["main-board", "timing-board"])
    last_resorts(job)


def artefacts(job: Job) -> None:
    """Artefacts point to the timing board first; what remains after both boards is the panel."""
    outside(job)
    if job.over:
        return
    job.test("reseat-cables")
    if not job.over:
        buy(job, ["timing-board", "main-board"])


def look_over(job: Job) -> bool:
    """Replace a board that looks burnt; True if that did it."""
    found = job.test("look-over-boards")
    return found != "nothing" and buy(job, [found])


def last_resorts(job: Job) -> None:
    """Cheap things left before the set is given up: new inner cables, software from afresh."""
    if not job.over:
        buy(job, ["inner-cables", "reset"])


def buy(job: Job, parts: Iterable[str]) -> bool:
    """Fit parts one after the other, none twice, until the set works."""
    return any(job.repair(part) for part in parts if f"replaced-{part}" not in job.seen)
