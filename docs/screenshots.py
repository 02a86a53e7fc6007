"""Take the pictures of these pages from a report of the example, in a headless chromium.

``python docs/screenshots.py`` writes them to ``docs/pictures``; it needs the extra ``test`` and a chromium. The
tests take them anew, so that a picture whose part of the report is gone is noticed.
"""

from __future__ import annotations

import io
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import dhverify

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

EXAMPLE = Path(__file__).parents[1] / "example_vcf"
PICTURES = Path(__file__).parent / "pictures"
WIDTH = 1000
MARGIN = 12
COLOURS = 48


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One picture: what to do on the page first, and which part to take (empty: the first screen)."""

    name: str
    script: str = ""
    part: str = ""


SHOTS = (
    Shot(name="answer"),
    Shot(name="what_to_do", part="section:has(> #todo)"),
    Shot(name="what_happened", part="section:has(> #stories)"),
    Shot(
        name="line",
        script="[...document.querySelectorAll('#lines-table .open')].find((b) => b.textContent === 'D01-H004').click()",
        part="#lines-table .story",
    ),
    Shot(name="plate", part="figure.plate"),
    Shot(name="donors", part="section:has(> #donors) .scroll >> nth=0"),
    Shot(
        name="filters",
        script="""document.querySelector('#f-verdict').value = 'retest';
        document.querySelector('#filters').requestSubmit()""",
        part="section:has(> #every-line)",
    ),
)


def report_text() -> str:
    """Check the example and return its report."""
    samples = dhverify.read_samples(EXAMPLE / "samples.csv")
    genotypes = dhverify.read_genotypes([EXAMPLE / "genotypes.vcf.gz"], sheet=samples)
    counts = dhverify.read_counts(EXAMPLE / "counts.csv")
    with TemporaryDirectory() as folder:
        dhverify.check(genotypes, samples, counts=counts, by=["sorter"]).write(Path(folder) / "results")
        return (Path(folder) / "results" / "report.html").read_text(encoding="utf-8")


def take_all(browser: Browser, folder: Path) -> None:
    """Take every picture."""
    page = browser.new_page(viewport={"width": WIDTH, "height": 700})
    text = report_text()
    for shot in SHOTS:
        page.set_content(text)
        if shot.script:
            page.evaluate(shot.script)
        (folder / f"{shot.name}.png").write_bytes(small(taken(page, shot.part)))
    page.close()


def taken(page: Page, part: str) -> bytes:
    """Take one part of a page with a margin, or its first screen."""
    box = page.locator(part).first.bounding_box() if part else None
    if box is None:
        return page.screenshot()
    sides = {"x": box["x"] - MARGIN, "width": box["width"] + 2 * MARGIN}
    heights = {"y": box["y"] - MARGIN, "height": box["height"] + 2 * MARGIN}
    return page.screenshot(full_page=True, clip={**sides, **heights})


def small(picture: bytes) -> bytes:
    """Return a picture with few colours, and so of few bytes."""
    from PIL import Image  # noqa: PLC0415

    out = io.BytesIO()
    colours = Image.open(io.BytesIO(picture)).convert("RGB")
    few = colours.quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    few.save(out, "PNG", optimize=True)
    return out.getvalue()


def main() -> int:
    """Take the pictures with the chromium of this machine."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415

    chromium = shutil.which("chromium")
    if chromium is None:
        sys.stderr.write("no chromium is installed\n")
        return 1
    PICTURES.mkdir(exist_ok=True)
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        take_all(browser, PICTURES)
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
