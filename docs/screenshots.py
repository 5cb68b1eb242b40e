"""Take the pictures of README and documentation anew from a demo.

    rehit demo --out FOLDER && python docs/screenshots.py FOLDER

Needs Chromium and playwright, of the extra ``test``.
"""

from __future__ import annotations

import sys
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).parents[1]
CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
#: Picture to page, width and height of the window [pixels].
PICTURES = {
    "reports/demo_report.png": ("report.html", 1200, 1700),
    "reports/demo_map.png": ("map.html", 1200, 900),
    "docs/pictures/report_phone.png": ("report.html", 390, 844),
    "docs/pictures/map_phone.png": ("map.html", 390, 844),
    "docs/pictures/trace.png": ("trace.html#V3", 1024, 800),
    "docs/pictures/details.png": ("details.html#places", 1024, 800),
}


def take(page: Page, folder: Path) -> None:
    """Take every picture."""
    for target, (name, width, height) in PICTURES.items():
        page.set_viewport_size({"width": width, "height": height})
        page.goto(folder.resolve().as_uri() + "/" + name)
        page.wait_for_timeout(800)  # the map draws its canvas after it is loaded
        path = ROOT / target
        path.parent.mkdir(exist_ok=True)
        page.screenshot(path=path)
        print(target)


def main() -> int:
    """Take the pictures of the demo in the folder named."""
    if len(sys.argv) != 2 or not (Path(sys.argv[1]) / "report.html").is_file():
        print(__doc__, file=sys.stderr)
        return 2
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        take(browser.new_page(), Path(sys.argv[1]))
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
