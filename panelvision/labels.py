"""The fixed words: what can be seen (symptoms) and what can be replaced (assemblies)."""

SYMPTOMS: tuple[str, ...] = (
    "faint-image",
    "no-image",
    "glow-no-image",
    "half-screen",
    "vertical-bands",
    "vertical-lines",
    "horizontal-bands",
    "dim-zones",
    "wrong-colours",
    "blocky",
    "cracked",
    "normal",
    "not-a-screen",
)

ASSEMBLIES: tuple[str, ...] = (
    "backlight",
    "timing-board",
    "main-board",
    "power-board",
    "panel",
    "connection",
    "outside",
)
