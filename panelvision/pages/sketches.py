"""Little drawings of how to hold phone and torch."""

from collections.abc import Sequence
from dataclasses import dataclass

# On a ground of their own, so that they can be read in either theme.
_INK, _LAMP = "#ece6d8", "#f0b24f"
_FRAME = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-12 -10 444 236" width="444" height="236" '
    'fill="none" stroke="{ink}" stroke-width="4" stroke-linecap="round" stroke-linejoin="round" '
    'font-family="sans-serif" font-size="17"><rect x="-12" y="-10" width="444" height="236" '
    'rx="14" fill="#1b232b" stroke="none"/>{body}</svg>'
)
_SCREEN_FROM_ABOVE = (
    '<path d="M70 34H350" stroke-width="10"/>'
    '<text x="210" y="20" text-anchor="middle" fill="{ink}" stroke="none">'
    "the set, seen from above</text>"
)
_PHONE = '<rect x="196" y="160" width="28" height="46" rx="6"/><circle cx="210" cy="169" r="3"/>'
_VIEW = '<path d="M210 158L74 44M210 158L346 44" stroke-width="2" stroke-dasharray="3 8"/>'


@dataclass(frozen=True)
class Sketch:
    """A drawing and the same in words."""

    words: str
    body: str

    def svg(self) -> str:
        """The drawing as SVG."""
        body = self.body.replace("{ink}", _INK).replace("{lamp}", _LAMP)
        return _FRAME.format(ink=_INK, body=body)


def _say(x: int, y: int, text: str, anchor: str = "start") -> str:
    return (
        f'<text x="{x}" y="{y}" text-anchor="{anchor}" fill="{{ink}}" stroke="none">{text}</text>'
    )


TORCH = Sketch(
    "Seen from above: the phone straight in front of the screen, the torch 30 to 45 degrees to "
    "the side and close to the glass, so that its reflection misses the lens.",
    _SCREEN_FROM_ABOVE
    + _PHONE
    + _VIEW
    + '<g stroke="{lamp}"><path d="M50 138l20-20 15 15-20 20z" fill="{lamp}"/>'
    '<path d="M78 112L176 44M90 124L236 44" stroke-width="3"/>'
    '<path d="M206 44L330 150" stroke-width="2" stroke-dasharray="2 9"/></g>'
    + _say(6, 182, "torch 30 to 45\u00b0")
    + _say(6, 204, "to the side")
    + _say(236, 200, "phone, square on")
    + _say(414, 116, "its reflection", "end")
    + _say(414, 138, "misses the lens", "end"),
)
SQUARE = Sketch(
    "Seen from above: the phone straight in front of the screen, far enough away that all four "
    "corners are in the frame.",
    _SCREEN_FROM_ABOVE
    + _PHONE
    + _VIEW
    + _say(236, 200, "phone, square on")
    + _say(210, 82, "all four corners", "middle")
    + _say(210, 104, "in the frame", "middle"),
)
STEADY = Sketch(
    "Seen from the side: the phone rested on a box in front of the screen and focused on the "
    "glass by a tap.",
    '<path d="M66 20V170" stroke-width="10"/><path d="M20 194H400"/>'
    '<rect x="270" y="74" width="16" height="66" rx="5"/>'
    '<rect x="250" y="140" width="60" height="54"/>'
    '<path d="M268 92L78 36M268 100L78 158" stroke-width="2" stroke-dasharray="3 8"/>'
    + _say(84, 186, "glass")
    + _say(322, 98, "rest it,")
    + _say(322, 120, "tap to focus"),
)


def sketch_for(hints: Sequence[str], symptom: str) -> Sketch:
    """The drawing that goes with the first retake hints."""
    text = " ".join(hints[:2]).casefold()
    if "torch" in text or symptom in ("faint-image", "no-image"):
        return TORCH
    if any(word in text for word in ("steady", "sharp", "blur", "focus", "rest")):
        return STEADY
    return SQUARE
