"""Photos of the invented season, drawn by the program and marked so."""

from __future__ import annotations

from PIL import Image, ImageDraw, ImageFont

WIDTH, HEIGHT = 960, 640
SNOW, STEEL, DARK, RUST, INK = "#dfe7ec", "#8496a3", "#3c4a55", "#a8330a", "#0f2130"


def cracked_bracket() -> Image.Image:
    """A runner bracket with a crack beside its weld."""
    picture, draw = _sheet("Invented, drawn by Firnlog: crack beside the weld")
    _bracket(draw, 300)
    draw.line([(470, 250), (486, 292), (474, 330), (492, 372), (480, 410)], fill=RUST, width=7, joint="curve")
    return picture


def reinforced_bracket() -> Image.Image:
    """The bracket that followed it, with a gusset."""
    picture, draw = _sheet("Invented, drawn by Firnlog: 6 mm bracket with a gusset")
    _bracket(draw, 300)
    draw.polygon([(420, 250), (640, 250), (640, 420)], fill=DARK, outline=INK, width=4)
    return picture


def _sheet(words: str) -> tuple[Image.Image, ImageDraw.ImageDraw]:
    picture = Image.new("RGB", (WIDTH, HEIGHT), SNOW)
    draw = ImageDraw.Draw(picture)
    draw.rectangle([0, 540, WIDTH, HEIGHT], fill="#c4d3dc")
    draw.text((24, 582), words, fill=INK, font=ImageFont.load_default(28))
    return picture, draw


def _bracket(draw: ImageDraw.ImageDraw, left: int) -> None:
    """A plate on a tube, above a runner."""
    draw.rectangle([left - 180, 120, left + 540, 210], fill=STEEL, outline=INK, width=4)
    draw.polygon(
        [(left, 210), (left + 360, 210), (left + 300, 470), (left + 60, 470)], fill=STEEL, outline=INK, width=4
    )
    draw.line([(left, 213), (left + 360, 213)], fill=DARK, width=14)
    draw.ellipse([left + 155, 380, left + 205, 430], fill=SNOW, outline=INK, width=4)
    draw.rectangle([left - 120, 480, left + 480, 520], fill=DARK, outline=INK, width=4)
