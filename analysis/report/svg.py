"""An SVG as the drawing library writes it, made fit to stand inside a page beside others.

Metadata and style sheets go (they name a date, foreign addresses, and rules that would hold for the whole page);
ids that nothing refers to go, the others get the picture's own prefix.
"""

from __future__ import annotations

import re

from analysis.report.palette import FIGURE

_HEAD = re.compile(r"^.*?(?=<svg\b)", re.S)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.S)
_STYLE = re.compile(r"\s*<style\b[^>]*>.*?</style>", re.S)
_COMMENT = re.compile(r"\s*<!--.*?-->", re.S)
_ID = re.compile(r'\sid="([^"]*)"')
_USED = re.compile(r'url\(#([^)]+)\)|href="#([^"]+)"')
_ROOT = re.compile(r"<svg\b[^>]*>")
_BOX = re.compile(r'viewBox="[^"]*"')
_SPACE = re.compile(r">\s*\n\s*<")
_FONT = re.compile(r"font: ([^;\"]*?)(?:'DejaVu Sans'[^;\"]*)")
#: Faces of like width, for machines without the first.
FACES = "'DejaVu Sans', Verdana, 'Bitstream Vera Sans', sans-serif"


def standalone(text: str, prefix: str) -> str:
    """The picture as a small SVG document with stable, prefixed ids."""
    for part in (_METADATA, _STYLE, _COMMENT):
        text = part.sub("", text)
    text = _HEAD.sub("", text, count=1).strip()
    used = {one or other for one, other in _USED.findall(text)}
    text = _ID.sub(lambda m: f' id="{prefix}-{m[1]}"' if m[1] in used else "", text)
    text = _USED.sub(lambda m: f"url(#{prefix}-{m[1]})" if m[1] else f'href="#{prefix}-{m[2]}"', text)
    return _SPACE.sub(">\n<", text)


def inline(text: str, alt: str) -> str:
    """A standalone picture for inside a page: no namespaces, colours as the page's variables, its text alternative."""
    box = _BOX.search(text)
    root = f'<svg {box[0] if box else ""} role="img" aria-label="{_attribute(alt)}">'
    text = _ROOT.sub(lambda _: root, text, count=1).replace("xlink:href=", "href=")
    for role, (light, _) in FIGURE.items():
        text = text.replace(light, f"var(--{role})")
    return _FONT.sub(lambda m: f"font: {m[1]}{FACES}", text)


def _attribute(text: str) -> str:
    return text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;").replace(">", "&gt;")
