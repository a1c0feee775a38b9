"""Every screen in every size, theme and set of signs, on sheets to look at.

Run ``PYTHONPATH=.:simulators python tests/screens/gallery.py OUT [--station NAME] [--size 80x24]
[--theme dark] [--glyphs braille]``; it needs a chromium to turn the pictures into PNG files, and
says so where there is none (then the SVG files and the sheets as HTML remain).
"""

from __future__ import annotations

import argparse
import asyncio
import shutil
import subprocess
import sys
from itertools import product
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tui"))

from stage import make_app, on_stage, walk
from training_stage import training_app, walk_training

SIZES = {"80x24": (80, 24), "120x40": (120, 40), "200x50": (200, 50)}
THEMES = ("dark", "light", "contrast-dark", "contrast-light")
GLYPHS = ("braille", "half", "ascii")
# Pictures on a sheet, and across it, so that the letters stay readable.
_ON_A_SHEET = {"80x24": (6, 2), "120x40": (4, 2), "200x50": (2, 1)}
_WIDTH = {"80x24": 900, "120x40": 1000, "200x50": 1500}
_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")


async def draw(folder: Path, size: str, theme: str, glyphs: str, only: set[str]) -> list[Path]:
    """Walk through a whole job and an exercise, and keep a picture of every station."""
    drawn = []
    name = f"busprobe-{theme}"
    both = (
        (make_app(theme=name, glyphs=glyphs), walk),
        (training_app(theme=name, glyphs=glyphs), walk_training),
    )
    for app, stations in both:
        async with on_stage(app, size=SIZES[size]) as stage:
            async for station in stations(stage):
                if only and station not in only:
                    continue
                file = folder / f"{station}-{size}-{theme}-{glyphs}.svg"
                file.write_text(app.export_screenshot(title=file.stem), encoding="utf-8")
                drawn.append(file)
    return drawn


def sheets(files: list[Path], folder: Path, size: str, name: str) -> list[Path]:
    """Lay pictures out side by side; returns the PNG files, or the HTML files without browser."""
    many, across = _ON_A_SHEET[size]
    browser = next((found for name in _BROWSERS if (found := shutil.which(name))), None)
    made = []
    for number, first in enumerate(range(0, len(files), many), start=1):
        some = files[first : first + many]
        width = _WIDTH[size]
        cells = "".join(f'<img src="{f.name}" width="{width}">' for f in some)
        page = folder / f"{name}-{number}.html"
        page.write_text(
            f'<body style="margin:0;background:#888;display:grid;gap:4px;'
            f'grid-template-columns:repeat({across},{width}px)">{cells}',
            encoding="utf-8",
        )
        if browser is None:
            made.append(page)
            continue
        columns, rows = SIZES[size]
        height = round(width * (rows * 24.4 + 60) / (columns * 12.2 + 18)) + 6
        picture = page.with_suffix(".png")
        subprocess.run(
            [
                browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
                f"--user-data-dir={folder / 'browser'}", f"--screenshot={picture}",
                f"--window-size={across * (width + 4)},{-(-len(some) // across) * height}",
                page.as_uri(),
            ],
            check=True, capture_output=True,
        )  # fmt: skip
        made.append(picture)
    return made


def main() -> None:
    """Draw what is asked for, everything by default."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--station", action="append", default=[])
    parser.add_argument("--size", action="append", choices=SIZES)
    parser.add_argument("--theme", action="append", choices=THEMES)
    parser.add_argument("--glyphs", action="append", choices=GLYPHS)
    wish = parser.parse_args()
    wish.out.mkdir(parents=True, exist_ok=True)
    looks = product(wish.size or SIZES, wish.theme or THEMES, wish.glyphs or GLYPHS)
    for size, theme, glyphs in looks:
        files = asyncio.run(draw(wish.out, size, theme, glyphs, set(wish.station)))
        for sheet in sheets(files, wish.out, size, f"sheet-{size}-{theme}-{glyphs}"):
            print(sheet)


if __name__ == "__main__":
    main()
