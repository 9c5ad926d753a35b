"""Everything that stays put while a set is photographed: room, set, picture, fault, dirt."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synth import content
from synth.arrays import Bytes, Floats
from synth.body import Body, draw_body
from synth.colour import lamp, to_linear
from synth.dice import Dice
from synth.faults import blocks, columns, cracks, lamps, rows, tone
from synth.faults.state import Screen
from synth.panel import Panel, backlight, draw_panel, transmit
from synth.photos import PICTURES

#: The labels, in the order of the project's vocabulary, and how often each is drawn. Dark and
#: healthy sets are drawn more often: they are what the finer decisions are about.
LABELS = {
    "faint-image": 1.6,
    "no-image": 1.6,
    "glow-no-image": 1.0,
    "half-screen": 1.0,
    "vertical-bands": 1.0,
    "vertical-lines": 1.0,
    "horizontal-bands": 1.0,
    "dim-zones": 1.0,
    "wrong-colours": 1.0,
    "blocky": 1.0,
    "cracked": 1.0,
    "normal": 1.6,
    "not-a-screen": 1.0,
}
DARK = ("faint-image", "no-image")

#: Stages of image formation that can be left out, to see what each is worth.
STAGES = ("dirt", "reflections", "lens", "noise", "phone", "file")

_FAULT = {
    "half-screen": columns.half,
    "vertical-bands": columns.bands,
    "vertical-lines": columns.lines,
    "horizontal-bands": rows.rows,
    "wrong-colours": tone.tone,
    "blocky": blocks.blocks,
    "cracked": cracks.crack,
    "dim-zones": lamps.zones,
    "glow-no-image": lamps.glow_no_image,
}


#: The ways in which a symptom comes about, and how often each; chosen before anything is judged
#: by how well it shows, so that the ones which show least are drawn as often as meant.
_MODES = {
    "half-screen": columns.HALF_FILLS,
    "vertical-bands": columns.FILLS,
    "horizontal-bands": rows.MODES,
    "wrong-colours": tone.MODES,
    "dim-zones": lamps.MODES,
}


@dataclass(frozen=True)
class Light:
    """torch kind, ambient name, lux, colour and how it varies with direction."""

    torch: str
    name: str
    lux: float
    colour: Floats
    tilt: NDArray[np.float64]


@dataclass(frozen=True)
class Setup:
    """A set on the bench. `scene` groups samples that must not be split between train and test;
    `without` names the stages of image formation that are left out.
    """

    seed: int
    symptom: str
    panel: Panel
    body: Body
    light: Light
    scene: int
    truth: dict[str, Any] = field(default_factory=dict)
    without: frozenset[str] = frozenset()


def scene_id(seed: int, photo: str | None) -> int:
    """Samples with the same bundled photograph share a scene; all others stand alone."""
    return PICTURES.index(photo) if photo else 1000 + seed


def draw_light(dice: Dice, symptom: str) -> Light:
    """Torch and room light as the photographs that come with each complaint have them."""
    if symptom in DARK:
        torch = dice.weighted(
            {"phone": 0.46, "hand": 0.48, "none": 0.18 if symptom == "no-image" else 0.0}
        )
        name = dice.weighted({"dark": 0.32, "dim": 0.58, "lit": 0.1})
        if torch == "none":  # a set that is merely off, in a room as people live in it
            name = dice.weighted({"dim": 0.5, "lit": 0.5})
    else:
        torch = dice.weighted({"none": 0.84, "phone": 0.13, "hand": 0.03})
        name = dice.weighted({"dark": 0.36, "dim": 0.3, "lit": 0.34})
        if symptom == "not-a-screen":
            torch = dice.weighted({"none": 0.5, "phone": 0.35, "hand": 0.15})
            if torch == "none":
                name = dice.weighted({"dim": 0.3, "lit": 0.7})
    lux = {"dark": dice.lu(0.003, 1), "dim": dice.lu(1, 15), "lit": dice.lu(30, 900)}[name]
    if symptom in DARK and name == "lit" and torch != "none":
        lux = dice.lu(15, 80)
    return Light(
        torch,
        name,
        lux,
        lamp(dice.lu(2600, 8000)),
        np.array([dice.n(0, 0.2), dice.n(-0.2, 0.2), dice.n(-0.1, 0.15)]),
    )


def draw_setup(seed: int, symptom: str | None, *, without: Iterable[str] = ()) -> Setup:
    """The set, its body and the light; ValueError for what is no label or no stage."""
    if symptom is not None and symptom not in LABELS:
        raise ValueError(f"symptom must be one of {', '.join(LABELS)}; got {symptom!r}")
    left_out = frozenset(without)
    if not left_out <= set(STAGES):
        raise ValueError(f"without must name some of {', '.join(STAGES)}; got {sorted(left_out)}")
    dice = Dice(seed, "setup")
    chosen = symptom or dice.child("symptom").weighted(LABELS)
    panel = draw_panel(
        dice.child("panel"),
        turned=dice.p(0.05),
    )
    return Setup(
        seed,
        chosen,
        panel,
        draw_body(dice.child("body"), panel),
        draw_light(dice.child("light"), chosen),
        1000 + seed,
        without=left_out,
    )


#: Pages, whose paper is known to be white: another one than that shows where a colour is missing or
#: too strong. Their tones may be anything.
_PAPER = ("page", "web", "dialog", "desktop", "windows")
_KNOWN_BY_PAPER = ("channel_missing", "cast")
#: How often a bare white or grey page is shown: to judge a backlight by, and by healthy sets about
#: as often as a set without a picture glows evenly.
_BARE = {"dim-zones": 0.3, "normal": 0.08}
_EMPTY = ("snow", "night", "black+menu", "figure", "drawing")
_FLAT = ("plain", "ramp", "checker", "crosshatch", "dots", "blank", "grid")
#: Kinds of content on which a symptom could not be seen, or not be told from the content itself.
_UNSUITED: dict[str, tuple[str, ...]] = {
    "normal": (),
    "half-screen": (*_EMPTY, "terminal", "stripes", "grid"),
    "vertical-bands": (*_EMPTY, "terminal", "stripes", "grid"),
    "vertical-lines": ("snow", "stripes"),
    # Whoever does not know a picture's true colours cannot call them wrong.
    "wrong-colours": (
        *_EMPTY,
        *_FLAT,
        *(
            "terminal",
            "board",
            "dashboard",
            "game",
            "wallpaper",
            "menu",
            "guide",
            "stripes",
            "nosignal",
        ),
    ),
    # Pages are laid out in bars of full width.
    "horizontal-bands": ("snow", "web", "board", "dashboard", "drawing", "stripes"),
    "blocky": (*_EMPTY, *_FLAT, "nosignal", "terminal", "dialog"),
    "dim-zones": (*_EMPTY, "crosshatch", "dots", "terminal"),
    "faint-image": ("snow", "plain", "night", "blank"),
}


def _shown(
    dice: Dice, symptom: str, shape: tuple[int, int], mode: str | None = None
) -> content.Content:
    """Content for a symptom; kinds on which it could not be seen by anyone are left out."""
    without = _UNSUITED.get(symptom, ("snow",))
    if symptom == "wrong-colours" and mode not in _KNOWN_BY_PAPER:
        without = (*without, *_PAPER)
    if dice.child("bare").p(_BARE.get(symptom, 0.0)):
        return content.render(dice, shape, kind="bare")
    if symptom == "faint-image" and dice.p(0.45):
        # a technician who looks for a faint picture opens the menu, or a page with strong contrast
        kind = dice.weighted(
            {
                "menu": 3,
                "photo_menu": 3,
                "page": 2,
                "black+menu": 2,
                "bars": 1,
                "nosignal": 1,
                "guide": 1,
                "windows": 1,
            }
        )
        return content.render(dice, shape, kind=kind)
    lifelike = symptom == "wrong-colours" or (symptom == "normal" and dice.p(0.25))
    return content.render(dice, shape, without=without, lifelike=lifelike)


def _faint_strength(panel: Panel, drive: Floats) -> float:
    """RMS contrast of the faint picture over haze, for a first judgement without the room."""
    t = transmit(panel, drive[::8, ::8]).mean(-1)
    part = panel.reflectance * t * float(t.mean())
    return float(part.std() / (panel.haze + part.mean()))


#: Least change, in code values 0..1, that a fault must make to be a fault anyone could see: of the
#: worst column or row (thin things), of the most changed part (what may be small), or on average
#: over the panel. Chosen by looking.
_LEAST = {
    "half-screen": 0.03,
    "vertical-bands": 0.015,
    "vertical-lines": 0.12,
    "horizontal-bands": 0.12,
    "wrong-colours": 0.12,
    "blocky": 0.12,
    "cracked": 0.12,
    "dim-zones": 0.14,
    "glow-no-image": 0.0,
}


#: Share of the panel, the most changed one, that has to show a fault which may be small. chosen
_PART = {"blocky": 0.06, "cracked": 0.03, "dim-zones": 0.02}
#: A bare LED is smaller than any dim zone. chosen
_PART_OF_SPOTS = 0.004


#: Faults drawn for one picture and its successors before the last is kept as it is. chosen
_TRIES = 8


def _most_changed(change: Floats, share: float) -> float:
    """Mean of the largest values that make up a share of all."""
    count = max(int(share * change.size), 1)
    return float(np.partition(change.ravel(), change.size - count)[-count:].mean())


def _change(symptom: str, before: Floats, after: Screen, glow: Floats) -> float:
    """How much the fault changed the picture, in square-root code values."""
    if symptom == "dim-zones":
        ratio = cv2.resize(
            np.abs(1 - np.sqrt(after.glow / np.maximum(glow, 1e-3))),
            (60, 34),
            interpolation=cv2.INTER_AREA,
        )
        bright = np.sqrt(cv2.resize(after.drive, (60, 34), interpolation=cv2.INTER_AREA).max(-1))
        spots = after.truth["mode"] == "spots"
        return _most_changed(ratio * bright, _PART_OF_SPOTS if spots else _PART[symptom])
    if symptom == "vertical-lines":
        d = np.abs(np.sqrt(np.maximum(after.drive[::6], 0)) - np.sqrt(before[::6])).max(-1)
        return float(d.mean(0).max())
    if symptom == "horizontal-bands":
        d = np.abs(np.sqrt(np.maximum(after.drive[:, ::6], 0)) - np.sqrt(before[:, ::6])).max(-1)
        return float(d.mean(1).max())
    code = np.sqrt(np.maximum(after.drive[::4, ::4], 0))
    if symptom == "wrong-colours" and float(code.std((0, 1)).max()) < 0.08:
        return 0.0  # nothing is left of the picture: that would look like a glow
    change = np.abs(code - np.sqrt(before[::4, ::4])).max(-1)
    return _most_changed(change, _PART[symptom]) if symptom in _PART else float(change.mean())


#: Rows and columns of the map of what a fault changed.
_CELLS = (36, 64)


def _changed(before: Floats, glow: Floats, after: Screen) -> Bytes:
    """Largest change in each cell of the active area, in square-root code values as 0..255."""
    height, width = after.shape

    def code(drive: Floats, light: Floats) -> Floats:
        spread = cv2.resize(light, (width, height), interpolation=cv2.INTER_LINEAR)
        return np.sqrt(np.maximum(drive * spread.reshape(height, width, -1), 0))

    change = np.abs(code(after.drive, after.glow) - code(before, glow))
    rows, columns = (
        np.linspace(0, n, cells + 1).astype(int)[:-1]
        for n, cells in zip((height, width), _CELLS, strict=True)
    )
    # The channels last: largest values over a last axis of three are slow.
    most = np.maximum.reduceat(np.maximum.reduceat(change, rows, axis=0), columns, axis=1).max(-1)
    return np.clip(most * 255, 0, 255).astype(np.uint8)


def _mode(dice: Dice, symptom: str) -> str | None:
    """The way in which a symptom comes about; None where there is but one."""
    modes = _MODES.get(symptom)
    return dice.child("mode").weighted(modes) if modes else None


def _break(
    dice: Dice, setup: Setup, screen: Screen, truth: dict[str, Any], photo: str | None
) -> tuple[Screen, str | None]:
    """Put the fault in; draw fault and then picture anew when the one would hide the other."""
    symptom = setup.symptom
    mode = _mode(dice, symptom)
    chosen = {} if mode is None else {"mode": mode}
    for k in range(_TRIES):
        before, glow = screen.drive.copy(), screen.glow.copy()
        _FAULT[symptom](dice.child(f"fault{k}"), screen, **chosen)
        change = _change(symptom, before, screen, glow)
        truth["change"] = round(change, 4)
        if k == _TRIES - 1 or change >= _LEAST[symptom]:
            break
        screen = Screen(screen.panel, before, glow)
        if k >= 1:
            shown = _shown(dice.child(f"content_retry{k}"), symptom, screen.shape, mode)
            screen.drive = to_linear(shown.picture)
            truth["content"], photo = shown.kind, shown.photo
    if symptom != "glow-no-image":  # which leaves nothing of the picture anywhere
        screen.changed = _changed(before, glow, screen)
    return screen, photo


#: How often a lesser fault stands beside the one that the label names. chosen
_TWO_FAULTS = 0.08
#: Which one; faults that leave nothing of the picture beside them stand alone. chosen
_LESSER = {
    "vertical-lines": 0.4,
    "dim-zones": 0.25,
    "horizontal-bands": 0.2,
    "vertical-bands": 0.15,
}
#: It changes no more of the picture than this share of what the first changes, so that the label
#: stays what anyone would call the set. chosen
_LESS = 0.5
#: What faults tell of their places.
_PLACES = ("band_edges", "lines", "bands", "zones", "spots")


def _break_again(dice: Dice, symptom: str, screen: Screen) -> None:
    """A second fault beside the first, told in the truth as `also`, its places among the others.

    Nothing happens where none is found in a few tries that shows and still is the lesser one.
    """
    if screen.changed is None:
        return
    also = dice.weighted({name: share for name, share in _LESSER.items() if name != symptom})
    for k in range(_TRIES):
        second = Screen(screen.panel, screen.drive.copy(), screen.glow.copy())
        _FAULT[also](dice.child(f"fault{k}"), second)
        shows = _change(also, screen.drive, second, screen.glow)
        part = float(_changed(screen.drive, screen.glow, second).mean())
        if shows >= _LEAST[also] and part <= _LESS * float(screen.changed.mean()):
            screen.drive, screen.glow = second.drive, second.glow
            for name in _PLACES:
                if name in second.truth:
                    screen.truth[name] = [*screen.truth.get(name, ()), *second.truth[name]]
            screen.truth["also"] = {"symptom": also, **second.truth}
            return


def draw_panel_picture(
    setup: Setup, shape: tuple[int, int], *, again: bool = False
) -> tuple[Screen, dict[str, Any]]:
    """The panel's drive and backlight at texture size, with the fault in it, and its truth.

    `again` draws another picture for the same set (the menu opened, or the next scene of the film).
    """
    dice = Dice(setup.seed, "screen")
    panel = setup.panel
    glow = backlight(dice.child("glow"), panel, ripple=dice.u(0.1, 0.45) if dice.p(0.1) else None)
    truth: dict[str, Any] = {}
    photo = None
    if setup.symptom in ("no-image", "glow-no-image"):
        level = dice.pick((0.0, 0.0, 0.0, 1.0, dice.u(0, 0.3)))
        drive = np.full((*shape, 3), level, np.float32)
        truth["content"] = "none"
    else:
        stream = dice.child("content2" if again else "content")
        shown = _shown(stream, setup.symptom, shape, _mode(dice, setup.symptom))
        drive = to_linear(shown.picture)
        if setup.symptom == "faint-image":
            # Below some contrast no photo shows it and the label means nothing. The bar itself is
            # drawn, down to the barely visible; a picture under it is replaced a few times.
            bar = dice.lu(0.01, 0.09)
            for k in range(4):
                if _faint_strength(panel, drive) >= bar:
                    break
                shown = _shown(stream.child(f"retry{k}"), setup.symptom, shape)
                drive = to_linear(shown.picture)
        truth["content"], photo = shown.kind, shown.photo
    screen = Screen(panel, drive, glow)
    fault = dice.child("fault")
    if setup.symptom not in (*DARK, "glow-no-image", "wrong-colours") and fault.p(0.08):
        blocks.mosquito(dice.child("broadcast"), screen)
    if setup.symptom in _FAULT:
        screen, photo = _break(dice, setup, screen, truth, photo)
        beside = dice.child("second fault")
        if beside.p(_TWO_FAULTS):
            _break_again(beside, setup.symptom, screen)
    if setup.symptom not in DARK:
        if fault.p(0.2):
            lamps.ageing(dice.child("ageing"), screen)
        if fault.p(0.3):
            columns.ghost_texture(dice.child("mura"), screen)
    truth.update(screen.truth)
    truth["scene"] = scene_id(setup.seed, photo)
    return screen, truth
