"""Messages to customers: plain, polite, and exact about how to take the next photo."""

from collections.abc import Sequence

from panelvision.settings import Settings, currency_of

# What the customer sees, in the customer's words.
_PLAIN_SYMPTOMS: dict[str, str] = {
    "faint-image": "the set still makes a picture, but the light behind the screen is missing",
    "no-image": "the screen is dark, and no picture can be made out on it",
    "glow-no-image": "the light behind the screen works, but no picture appears on it",
    "half-screen": "one half of the screen does not show a proper picture",
    "vertical-bands": "there are vertical bands in the picture",
    "vertical-lines": "there are vertical lines in the picture",
    "horizontal-bands": "there are horizontal bands or lines in the picture",
    "dim-zones": "parts of the picture are darker or brighter than they should be",
    "wrong-colours": "the colours of the picture are wrong",
    "blocky": "the picture breaks up into blocks",
    "cracked": "the screen itself is broken",
    "normal": "the picture looks as it should",
}
_PLAIN_ASSEMBLIES: dict[str, str] = {
    "backlight": "the lamps behind the screen",
    "timing-board": "the board that drives the screen",
    "main-board": "the main board",
    "power-board": "the power supply",
    "panel": "the screen itself",
    "connection": "a cable inside the set or its plug",
    "outside": "something outside the set, such as a cable or the socket",
}
# A dark set that is not broken has mostly latched up (knowledge/faults.toml, `latched`).
_LATCHED = "a set that has merely hung itself up, or from its mains supply"
_DARK = ("faint-image", "no-image")

# Exactly how to take the photo that is asked for.
WANTED: dict[str, tuple[str, tuple[str, ...]]] = {
    "torch": (
        "one photo of the dark screen under a torch",
        (
            "Switch the set on, as if you wanted to watch it, and open its menu with the remote "
            "control, even if you cannot see it.",
            "Darken the room: curtains shut, lamps off.",
            "Lay a torch down (a second phone's will do), or let somebody hold it, about a hand's "
            "width from the screen and well to one side, so that it shines across the glass and "
            "its reflection does not shine back into the camera.",
            "Stand about one and a half metres in front, with the whole screen in the picture. "
            "Do not use the camera's own flash.",
            "Tap on the lit part of the screen to focus there, hold still, and take the photo.",
        ),
    ),
    "menu": (
        "two photos of the dark screen under a torch, one with the set's menu open and one "
        "with it closed",
        (
            "Darken the room and switch the set on.",
            "Lean the phone against something about one and a half metres in front of the set, "
            "so that it does not move between the photos, with the whole screen in the picture. "
            "Do not use the camera's own flash.",
            "Shine a torch across the glass from one side and leave it where it is.",
            "Take one photo. Press the menu key on the remote control, wait five seconds, and "
            "take the second one.",
        ),
    ),
    "white": (
        "one photo with a plain bright page on the screen",
        (
            "Show something bright and even, such as a blank white page, and open the set's own "
            "menu over it.",
            "Stand straight in front of the middle of the screen, about two metres away, with "
            "the whole screen in the picture and a little of its frame on every side.",
            "Darken the room so that nothing is reflected in the glass. Do not use the flash.",
            "Tap on the screen in the camera's picture to focus there, hold still, and take "
            "the photo.",
        ),
    ),
    "lit-menu": (
        "one photo of the screen with the set's own menu open",
        (
            "Switch the set on, as if you wanted to watch it, and press the menu key on its remote "
            "control. If no menu appears, wait ten seconds and take the photo all the same.",
            "Stand straight in front of the middle of the screen, about two metres away, with "
            "the whole screen in the picture and a little of its frame on every side.",
            "Darken the room so that nothing is reflected in the glass. Do not use the flash.",
        ),
    ),
    "again": (
        "the same photo once more, a little differently",
        (
            "Stand straight in front of the middle of the screen, about two metres away, with "
            "the whole screen in the picture and a little of its frame on every side.",
            "Keep lamps and windows from being reflected in the glass. Do not use the flash.",
            "Tap on the screen in the camera's picture to focus there, hold still with both "
            "hands, and take the photo.",
        ),
    ),
    "fault": (
        "one photo that shows the fault",
        (
            "Wait until the fault can be seen, or tell us when it appears and what you do then.",
            "Stand straight in front of the middle of the screen, about two metres away, with "
            "the whole screen in the picture. Do not use the flash.",
            "Hold still and take the photo while the fault is there.",
        ),
    ),
    "kind": (
        "a photo, because we cannot look at a file of the kind that you sent",
        (
            "Take a photo with the phone's own camera, not a clip and not a live picture.",
            "Attach it to an e-mail as it is, in its original size, as JPEG or HEIC.",
        ),
    ),
    "single": (
        "one photo by itself, because we could not open what you sent",
        (
            "Attach the photo to an e-mail of its own, not packed with others and without a "
            "password.",
            "Send it as it is, in its original size, as JPEG or HEIC.",
        ),
    ),
    "file": (
        "the photo once more, because the file did not reach us in one piece",
        (
            "Attach the photo to an e-mail as it is, in its original size, as JPEG or HEIC.",
            "If you send it from a messenger, choose to send it as a file or document.",
        ),
    ),
}

# A file that is there already: the set is not switched on for these.
_SENT_AGAIN = ("single", "file")

_KEEP_CLOSED = (
    "Please do not open the set: parts inside can hold a dangerous voltage, even when it is "
    "unplugged. If it smells of burning, smokes, crackles or has become wet, unplug it and do not "
    "switch it on again."
)


def message_for(
    step: str,
    *,
    wanted: str = "",
    symptom: str = "",
    suspect: str = "",
    hints: Sequence[str] = (),
    photos: int = 1,
    estimate: tuple[float, float] | None = None,
    settings: Settings | None = None,
) -> str:
    """The message for a case.

    Parameters
    ----------
    step : str
        One of ``triage_cases.STEPS``.
    wanted : str
        Key of ``WANTED`` when a photo is asked for.
    symptom, suspect : str
        Labels; may be empty.
    hints : sequence of str
        What was wrong with the photo, from the quality check.
    photos : int
        How many came.
    estimate : (low, high), optional
        Price of the repair.
    settings : Settings, optional
        For the shop's name, contact and currency.
    """
    settings = settings or Settings()
    thanks = "photo" if photos == 1 else "photos"
    parts = ["Hello,", f"thank you for the {thanks} of your television."]
    seen = _PLAIN_SYMPTOMS.get(symptom, "")
    if step == "quote":
        parts.extend(_quote(symptom, suspect, estimate, settings))
    elif step == "bring-in":
        if seen:
            parts.append(f"As far as we can see, {seen}.")
        parts.append(
            "Several parts can cause this, and a photo cannot tell them apart. Please bring the "
            "set in, or ask us to fetch it, together with its remote control; we look at it and "
            "tell you the price before anything is repaired."
        )
        parts.append(_KEEP_CLOSED)
    elif step == "not-a-screen":
        parts.append(
            "We could not find the television's screen in what you sent. Could you please send "
            "one photo that shows the screen, switched on?"
        )
        parts.append(_numbered(WANTED["again"][1]))
        parts.append(_KEEP_CLOSED)
    else:
        parts.extend(_ask(wanted or "again", symptom, seen, hints, thanks))
    parts.append("Kind regards" + (f"\n{settings.shop}" if settings.shop else ""))
    if settings.contact:
        parts[-1] += f"\n{settings.contact}"
    return "\n\n".join(parts)


def _quote(
    symptom: str, suspect: str, estimate: tuple[float, float] | None, settings: Settings
) -> list[str]:
    parts = []
    seen = _PLAIN_SYMPTOMS.get(symptom, "")
    latched = suspect == "outside" and symptom in _DARK
    if seen:
        cause = _LATCHED if latched else _PLAIN_ASSEMBLIES.get(suspect, "")
        if symptom == "cracked":
            cause = ""  # said already
        often = f" This most often comes from {cause}." if cause else ""
        parts.append(f"From what we can see, {seen}.{often}")
    if suspect == "panel":
        parts.append(
            "A new screen often costs more than an older or smaller set is worth, and then a "
            "repair does not pay. We are glad to look at it and confirm that before you decide."
        )
    elif latched:
        parts.append(
            "Before you bring the set in, please unplug it at the wall, hold the power button on "
            "the set itself for 15 seconds, and leave it unplugged for half an hour. Then plug it "
            "straight into a wall socket, without any adapter, and switch it on. If it stays "
            "dark, we look at it."
        )
    elif suspect == "outside":
        parts.append(
            "Before you bring the set in, please try another wall socket without any adapter, "
            "and another cable and device at the set's inputs. If that does not help, we look "
            "at it."
        )
    if estimate is not None and suspect != "outside":
        money = currency_of(settings)
        low, high = (f"{money} {5 * round(price / 5):.0f}".strip() for price in estimate)
        parts.append(
            f"If it is that, a repair would usually come to {low} to {high}, parts and work "
            "together. We confirm the price before anything is repaired."
            + ("" if suspect == "panel" else " Shall we go ahead?")
        )
    parts.append(_KEEP_CLOSED)
    return parts


def _ask(wanted: str, symptom: str, seen: str, hints: Sequence[str], photos: str) -> list[str]:
    what, how = WANTED[wanted]
    parts = []
    if wanted == "fault":
        which = "this photo" if photos == "photo" else "these photos"
        parts.append(f"In {which} the picture looks as it should.")
    elif symptom in _DARK and seen:
        parts.append(f"It looks as if {seen}, but this photo does not make us sure yet.")
    parts.append(f"Before you bring the set in, please send us {what}:")
    parts.append(_numbered(how))
    extra = _for_customers(wanted, hints)
    if extra and wanted != "file":
        parts.append("What would help most this time:\n" + "\n".join(f"- {h}" for h in extra[:3]))
    if wanted not in _SENT_AGAIN:
        parts.append(_KEEP_CLOSED)
    return parts


def _for_customers(wanted: str, hints: Sequence[str]) -> list[str]:
    """The hints without what only the workshop can do, and without what the steps contradict."""
    own = [hint.replace(", or mark the corners by hand", "") for hint in hints if hint]
    if wanted in ("torch", "menu"):
        # A dark screen shows no plain page, and the room is to be dark.
        own = [hint for hint in own if "plain" not in hint and "without torch" not in hint]
    return own


def _numbered(steps: Sequence[str]) -> str:
    return "\n".join(f"{i}. {text}" for i, text in enumerate(steps, 1))
