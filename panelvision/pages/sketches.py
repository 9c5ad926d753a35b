"""Little drawings of how to hold phone and torch; drawn in the current text colour."""

_HEAD = (
    '<svg viewBox="0 0 420 210" role="img" fill="none" stroke="currentColor" stroke-width="4" '
    'stroke-linecap="round" stroke-linejoin="round" font-family="inherit">'
    "<title>{title}</title>{body}</svg>"
)
_SCREEN_FROM_ABOVE = (
    '<path d="M70 30H350" stroke-width="10"/>'
    '<text x="210" y="20" text-anchor="middle" font-size="17" fill="currentColor" '
    'stroke="none">the set, seen from above</text>'
)
_PHONE = '<rect x="196" y="158" width="28" height="46" rx="6"/><circle cx="210" cy="167" r="3"/>'
_VIEW = '<path d="M210 156 L74 40 M210 156 L346 40" stroke-width="2" stroke-dasharray="3 8"/>'


def _words(x: int, y: int, text: str, anchor: str = "middle") -> str:
    return (
        f'<text x="{x}" y="{y}" text-anchor="{anchor}" font-size="17" fill="currentColor" '
        f'stroke="none">{text}</text>'
    )


def torch_sketch() -> str:
    """Phone square in front, torch to the side so that its mirror image misses the lens."""
    body = (
        _SCREEN_FROM_ABOVE
        + _PHONE
        + _VIEW
        + '<g stroke="#f0b24f"><path d="M64 150l22-22 14 14-22 22z" fill="#f0b24f"/>'
        '<path d="M96 124L190 38M104 134L262 38" stroke-width="3"/></g>'
        + '<path d="M190 38L330 166" stroke="#f0b24f" stroke-width="2" stroke-dasharray="2 9"/>'
        + _words(52, 190, "torch, 30 to 45° aside")
        .replace('text-anchor="middle"', 'text-anchor="start"')
        .replace('x="52"', 'x="8"')
        + _words(234, 190, "phone, square on", "start")
        + _words(412, 132, "mirror light", "end")
        + _words(412, 152, "misses the lens", "end")
    )
    return _HEAD.format(
        title="Seen from above: the phone straight in front of the screen, the torch 30 to 45 "
        "degrees to the side, close to the glass, so that its reflection misses the lens.",
        body=body,
    )


def square_sketch() -> str:
    """Phone straight in front, all four corners in the frame."""
    body = (
        _SCREEN_FROM_ABOVE
        + _PHONE
        + _VIEW
        + _words(234, 190, "phone, square on", "start")
        + _words(196, 100, "all four corners", "end")
        + _words(226, 100, "in the frame", "start")
    )
    return _HEAD.format(
        title="Seen from above: the phone straight in front of the screen, far enough away that "
        "all four corners are in the frame.",
        body=body,
    )


def steady_sketch() -> str:
    """Phone rested on something, focus tapped on the glass."""
    body = (
        '<rect x="60" y="20" width="10" height="150"/>'
        '<path d="M70 30V160" stroke-width="2"/><path d="M20 190H400"/>'
        '<rect x="270" y="70" width="16" height="66" rx="5"/>'
        '<rect x="250" y="136" width="60" height="54"/>'
        '<path d="M268 88L74 40M268 96L74 150" stroke-width="2" stroke-dasharray="3 8"/>'
        + _words(84, 182, "glass", "start")
        + _words(322, 100, "phone rested,", "start")
        + _words(322, 122, "tap to focus", "start")
    )
    return _HEAD.format(
        title="Seen from the side: the phone rested on a box in front of the screen, focused on "
        "the glass by a tap.",
        body=body,
    )


def sketch_for(hints: tuple[str, ...] | list[str], symptom: str) -> str:
    """The drawing that goes with the first retake hint."""
    text = " ".join(hints[:2]).casefold()
    if "torch" in text or symptom in ("faint-image", "no-image"):
        return torch_sketch()
    if any(word in text for word in ("steady", "sharp", "blur", "focus", "rest")):
        return steady_sketch()
    return square_sketch()
