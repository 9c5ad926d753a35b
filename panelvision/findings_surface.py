"""Light, colour, texture and camera in words, with their marks.

Most of these measures cannot tell a fault from a picture alone: a night scene has soft
dark places and bright round lamps, a tree has slanted lines. So a sentence is said
only when the reading of all the evidence together takes its fault for possible.
"""

import numpy as np

from panelvision.classify import SymptomReading
from panelvision.evidence import Evidence
from panelvision.marks import Finding, Mark
from panelvision.measure.blocks import BlockFindings
from panelvision.measure.camera import CameraArtefacts
from panelvision.measure.colour import ColourFindings
from panelvision.measure.cracks import CrackFindings
from panelvision.measure.glow import DimZone, GlowMap, Strip
from panelvision.measure.spots import Spot

# chosen: a photo of a picture has soft dark places of its own, so a sentence needs a zone
# that is deeper and larger than what the measure reports to the classifier.
_ZONE_LIGHT = 0.6
_ZONE_AREA = 0.02
# chosen: probability of the symptom from which its sentences are said.
_POSSIBLE = 0.3
# chosen: a grid that is off by less than this share of a block starts at the panel's corner.
_AT_CORNER = 0.2
# A diffuser's edge is tens of millimetres wide (domain notes); 2.5 % of a 43-inch set's
# width is 24 mm. Sharper edges belong to the panel, and to the bands' sentences.
_SOFT_EDGE = 0.025

_PLAIN_PAGE = Finding(
    "A plain white or grey page that is shown on purpose looks the same as a lit screen without "
    "a picture: open the set's own menu; if the menu is there, the panel forms a picture.",
    "check",
    0.5,
)


def describe_surface(evidence: Evidence, reading: SymptomReading) -> tuple[Finding, ...]:
    """Findings of light, colour and texture that the reading takes for possible; the camera's."""

    def possible(symptom: str) -> bool:
        return reading.possible(symptom, least=_POSSIBLE)

    out: list[Finding] = []
    outline = evidence.location.outline
    whole = outline is not None and not any(outline.cut)
    if possible("dim-zones"):
        out += describe_glow(evidence.glow, whole=whole)
    if possible("dim-zones") or possible("glow-no-image"):
        out += describe_evenness(evidence.glow)
    if possible("glow-no-image"):
        out.append(_PLAIN_PAGE)
    if possible("wrong-colours"):
        out += describe_colour(evidence.colour)
    if possible("blocky"):
        out += describe_blocks(evidence.texture.blocks, whole=whole)
    if possible("cracked"):
        out += describe_cracks(evidence.texture.cracks)
    dark = reading.probabilities.get("faint-image", 0.0) + reading.probabilities.get(
        "no-image", 0.0
    )
    if dark < 0.5:
        out += describe_camera(evidence.camera)
    return tuple(out)


def describe_glow(glow: GlowMap, *, whole: bool = True) -> tuple[Finding, ...]:
    """Dead strips, dim zones, hot spots; ``whole``: strips are counted, as all of them are seen."""
    out = []
    zones = [
        z
        for z in glow.zones
        if z.light < _ZONE_LIGHT
        and z.area > _ZONE_AREA
        and not (np.isfinite(z.edge_width) and z.edge_width < _SOFT_EDGE)
    ]
    for z in zones[:3]:
        strip = next((s for s in glow.strips if s.zone == z), None) if whole else None
        out.append(_zone(z, strip, glow.support))
    if glow.spots:
        rows, columns = glow.gain.shape
        out.append(_spots(glow.spots, columns / rows))
    return tuple(out)


def describe_evenness(glow: GlowMap) -> tuple[Finding, ...]:
    """Nine-point figure of the backlight, where the map rests on light rather than on guesses."""
    even = glow.uniformity9
    if even is None or glow.support < 0.4:
        return ()
    return (
        Finding(
            f"Backlight at nine points, picture taken out: the darkest has "
            f"{100 * even.min_over_max:.0f} % of the brightest's light "
            f"(non-uniformity {even.nonuniformity_percent:.0f} %, angle and lens included).",
            "evenness",
            0.3,
        ),
    )


def _zone(z: DimZone, strip: Strip | None, support: float) -> Finding:
    loss = f"{100 * (1 - z.light):.0f} % less light"
    where = f"{_place((z.x0 + z.x1) / 2, (z.y0 + z.y1) / 2)}"
    edge = (
        f", with an edge {100 * z.edge_width:.1f} % of the width wide"
        if np.isfinite(z.edge_width)
        else ""
    )
    kind = "soft-edged dark" if np.isfinite(z.edge_width) else "dark"
    text = f"A {kind} zone {where}: {loss} than around it{edge}"
    if strip is not None:
        which = (
            f"strip {strip.first}"
            if strip.first == strip.last
            else f"strips {strip.first} to {strip.last}"
        )
        text += f"; it would fit LED {which} of {strip.count} from the top"
    depth = float(np.clip((0.75 - z.light) / 0.4, 0.1, 1))
    confidence = float(np.clip(0.35 + 0.5 * depth, 0, 0.95) * np.clip(support / 0.5, 0.4, 1))
    return Finding(
        text + ".", "zone", confidence, Mark("zone", (z.x0, z.y0, z.x1, z.y1), "dark zone")
    )


def _place(x: float, y: float) -> str:
    across = "left" if x < 0.36 else "right" if x > 0.64 else ""
    down = "top" if y < 0.36 else "bottom" if y > 0.64 else ""
    if down and across:
        return f"at the {down} {across}"
    if down:
        return f"at the {down}"
    if across:
        return f"on the {across}"
    return "in the middle"


_MOST_SPOTS = 15  # marked beside the first one (chosen: more hide the picture)


def _spots(spots: tuple[Spot, ...], aspect: float) -> Finding:
    best = spots[0]
    many = len(spots)
    lead = "A bright round soft spot" if many == 1 else f"{many} bright round soft spots"
    most, beside = max(s.gain for s in spots), "it" if many == 1 else "them"
    text = f"{lead}, up to {most:.1f} times as bright as around {beside}"
    text += (
        ": as a lens that fell off its LED leaves"
        if many == 1
        else ": as lenses that fell off their LEDs leave"
    )
    first, *others = (_box(s.x, s.y, 2 * s.radius, 2 * s.radius * aspect) for s in spots)
    return Finding(
        text + ".",
        "spot",
        float(np.clip(best.score, 0.3, 0.95)),
        Mark("spot", first, "hot spot", tuple(others[:_MOST_SPOTS])),
    )


def describe_colour(colour: ColourFindings) -> tuple[Finding, ...]:
    """A missing channel, lost bits, a folded tone curve."""
    whole = Mark("zone", (0.0, 0.0, 1.0, 1.0), "colour")
    out = []
    if colour.missing is not None:
        out.append(
            Finding(
                f"The picture has no {colour.missing} anywhere, though the other two colours "
                "both show picture.",
                "colour",
                0.8,
                whole,
            )
        )
    tone = colour.tone
    if tone.posterised:
        out.append(
            Finding(
                f"Smooth parts break up into steps of about {tone.step:.0f} of this photo's 256 "
                "levels, as where the last bits of a picture are missing.",
                "colour",
                0.6,
                whole,
            )
        )
    if tone.folded:
        out.append(
            Finding(
                f"Tones turn back on themselves near level {tone.crease_level:.0f} of 255, "
                "as in a solarised picture.",
                "colour",
                0.6,
                whole,
            )
        )
    return tuple(out)


def describe_blocks(blocks: BlockFindings, *, whole: bool = True) -> tuple[Finding, ...]:
    """Decoder blocks; ``whole``: whether the panel's corner is where the view's is."""
    if not blocks.found:
        return ()
    size = ""
    if np.isfinite(blocks.size):
        size = (
            f" of about {100 * blocks.size:.2f} % of the width "
            f"({blocks.size * 1920:.0f} pixels on a panel of 1920)"
        )
    grid = ", on a grid that starts at the panel's corner: as a video decoder leaves them."
    if not whole:
        grid = "."
    elif not max(abs(blocks.phase_x), abs(blocks.phase_y)) < _AT_CORNER:
        grid = ", on a grid that does not start at the panel's corner: they may be the picture's."
    return (
        Finding(
            f"Square blocks{size} are displaced, frozen or in wrong colours{grid}",
            "blocks",
            float(np.clip(blocks.grid_score / 25, 0.5, 0.95)),
            Mark("zone", blocks.box, "blocks"),
        ),
    )


def describe_cracks(cracks: CrackFindings) -> tuple[Finding, ...]:
    """Broken glass: the star and the ink."""
    out = []
    if cracks.impact is not None:
        x, y = cracks.impact
        out.append(
            Finding(
                f"Lines run out in many directions from a point at {100 * x:.0f} % of the width "
                f"and {100 * y:.0f} % of the height: broken glass.",
                "crack",
                float(np.clip(cracks.star / 12, 0.3, 0.9)),
                Mark("point", _box(x, y, 0.03, 0.05), "impact"),
            )
        )
    ink = cracks.ink
    if ink is not None and cracks.ink_score > 0.3:
        half = float(np.sqrt(ink.area) / 2)
        out.append(
            Finding(
                f"A black patch with a ragged border covers {100 * ink.area:.1f} % of the screen, "
                "without any picture in it: as liquid crystal that ran out of a broken cell.",
                "crack",
                float(np.clip(cracks.ink_score * 0.8, 0.3, 0.9)),
                Mark("zone", _box(ink.x, ink.y, half, half), "ink"),
            )
        )
    return tuple(out)


def _box(x: float, y: float, half_x: float, half_y: float) -> tuple[float, float, float, float]:
    return (max(0.0, x - half_x), max(0.0, y - half_y), min(1.0, x + half_x), min(1.0, y + half_y))


def describe_camera(camera: CameraArtefacts) -> tuple[Finding, ...]:
    """What the camera added, so that nobody blames the panel."""
    out = []
    if camera.rolling_shutter_banding > 0.03:
        way = "rows" if camera.along_rows else "columns"
        whose = (
            "come from the camera and the pulsed backlight, not from the panel"
            if camera.told_apart
            else "may come from the camera and the pulsed backlight; with the phone held level "
            "they cannot be told from the panel's own"
        )
        out.append(
            Finding(
                f"Soft bars along the photo's {way}, {camera.period_rows:.0f} px apart, "
                f"{100 * camera.rolling_shutter_banding:.0f} % deep, {whose}.",
                "camera",
                0.7,
            )
        )
    if camera.fringes.strong:
        out.append(
            Finding(
                "Fine wavy fringes are made by the camera's pixels against the panel's (moire).",
                "camera",
                0.6,
            )
        )
    return tuple(out)
