"""The report's colours, light and dark, one place for the page, the pictures and the test of their contrast."""

from __future__ import annotations

#: Role: (light, dark). Text roles reach 4.5 : 1 on paper and on panel. Source: WCAG 2.2, success criterion 1.4.3.
PAGE = {
    "paper": ("#fbfaf5", "#11171b"),
    "panel": ("#f1f0e7", "#1a2328"),
    "ink": ("#17242c", "#e9ece7"),
    "muted": ("#4c5a63", "#aab8be"),
    "rule": ("#b9beb5", "#46545c"),
    "accent": ("#0d5260", "#7cc9d8"),
    "danger": ("#a0131c", "#ff9c95"),
    "caution": ("#7d4600", "#f2b661"),
    "undecided": ("#45477f", "#bcc0f4"),
    "within": ("#1b5a38", "#92d6ab"),
}
#: Colours of the pictures; each light one is used once only, so that the page can put a variable in its place.
#: The series differ in lightness and in line style as well, for print without colour and for colour-blind readers.
FIGURE = {
    "fig-ink": ("#1a2730", "#e6e9e4"),
    "fig-muted": ("#53616a", "#a5b3b9"),
    "fig-grid": ("#d5d8d0", "#313d44"),
    "fig-face": ("#fefdfa", "#151c20"),
    "fig-limit": ("#a31520", "#ff918a"),
    "fig-above": ("#8c1119", "#ffa9a3"),
    "fig-on-above": ("#fffefc", "#240406"),
    "fig-close": ("#f3dfb6", "#51401b"),
    "fig-below": ("#e3ebe3", "#22322b"),
    "fig-band": ("#dfe6ea", "#27343c"),
    "fig-one": ("#0b4f70", "#74c3ea"),
    "fig-two": ("#b3541e", "#f0a673"),
    "fig-three": ("#4d7c2a", "#a9d686"),
    "fig-four": ("#6a4c93", "#c9b0ea"),
}
#: Signal-word panels: (background, letters). The same in light, dark and print, since the sign's colours are its own.
#: Source: signal colours red, orange and yellow with contrasting letters, ANSI Z535.1 and ISO 3864-4.
SIGNAL = {
    "DANGER": ("#b01020", "#ffffff"),
    "WARNING": ("#f28c1e", "#000000"),
    "CAUTION": ("#ffd21f", "#000000"),
}


def _channel(value: int) -> float:
    share = value / 255
    return share / 12.92 if share <= 0.04045 else float(((share + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two `#rrggbb` colours. Source: WCAG 2.2, relative luminance and contrast ratio."""
    light = []
    for colour in (one, other):
        red, green, blue = (_channel(int(colour[i : i + 2], 16)) for i in (1, 3, 5))
        light.append(0.2126 * red + 0.7152 * green + 0.0722 * blue)
    return (max(light) + 0.05) / (min(light) + 0.05)


def light(role: str) -> str:
    """A picture's colour as it is drawn; the page's variables turn it dark."""
    return FIGURE[role][0]
