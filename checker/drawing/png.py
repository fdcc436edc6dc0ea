"""From SVG to PNG, with the bundled typeface only: the same bytes on every machine with the same
rasteriser.
"""

from __future__ import annotations

from pathlib import Path

import resvg_py

FONTS = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")


def rasterise(svg: str, width: int) -> bytes:
    """Render an SVG document as a PNG image of this width in pixels."""
    folder = Path(__file__).parent
    image: bytes = resvg_py.svg_to_bytes(
        svg_string=svg,
        width=width,
        background="#ffffff",
        skip_system_fonts=True,
        font_files=[str(folder / name) for name in FONTS],
        font_family="DejaVu Sans",
        sans_serif_family="DejaVu Sans",
    )
    return bytes(image)
