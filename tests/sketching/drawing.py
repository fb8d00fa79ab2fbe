"""Drawings for the tests: outlines as SVG, and as a pen would leave them on paper under a lamp."""

import numpy as np
from PIL import Image, ImageDraw

NAMESPACES = (
    'xmlns="http://www.w3.org/2000/svg" xmlns:inkscape="http://www.inkscape.org/namespaces/inkscape" '
    'width="210mm" height="297mm" viewBox="0 0 210 297"'
)
RULER = '<g inkscape:label="ruler"><path inkscape:label="100 mm" d="M 55,270 H 155"/></g>'


def svg(path, *elements, ruler=RULER, head=NAMESPACES):
    path.write_text(f"<svg {head}>{''.join(elements)}{ruler}</svg>", encoding="utf-8")
    return path


def layer(name, *elements):
    return f'<g inkscape:groupmode="layer" inkscape:label="{name}">{"".join(elements)}</g>'


def polygon(points):
    return f'<polygon points="{" ".join(f"{x:.4f},{y:.4f}" for x, y in points)}"/>'


def ellipse(x, y, a, b, count=240):
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.stack([x + a * np.cos(t), y + b * np.sin(t)], axis=1)


def inked(lines=(), dots=(), *, paper=None, size=(210, 297), px=5.0, pen=0.6, turn=0.0, shadow=0.25, noise=0.02):
    """A picture of closed lines and ruler dots, mm from the left and top, drawn with a black pen and photographed.

    paper: a printed sheet to draw on, else blank; turn: degrees by which it lies askew; shadow: share of the light
    that is lost towards the right.
    """
    fine = 2
    if paper is None:
        paper = Image.new("L", [round(side * px) for side in size], 255)
    picture = paper.convert("L").resize([fine * side for side in paper.size])
    pencil, scale = ImageDraw.Draw(picture), px * fine
    for line in lines:
        ends = [tuple(scale * point) for point in np.asarray(line, float)]
        pencil.line([*ends, *ends[:2]], fill=0, width=round(pen * scale), joint="curve")
    for x, y in dots:
        pencil.ellipse([scale * (x - 1.5), scale * (y - 1.5), scale * (x + 1.5), scale * (y + 1.5)], fill=0)
    picture = picture.resize(paper.size, Image.Resampling.BOX)
    picture = picture.rotate(turn, resample=Image.Resampling.BICUBIC, fillcolor=255)
    light = 0.15 + 0.85 * np.asarray(picture) / 255
    light *= 0.95 - shadow * np.linspace(0, 1, light.shape[1])
    light += noise * np.random.default_rng(3).standard_normal(light.shape)
    return Image.fromarray((255 * np.clip(light, 0, 1)).astype("u1"))
