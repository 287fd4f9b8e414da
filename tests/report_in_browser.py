"""A report opened in headless Chromium, as an owner and a technician would: run by hand, no test.

    pip install playwright && npm install axe-core        (and Chromium from the system's packages)
    python tests/report_in_browser.py report.html --axe node_modules/axe-core/axe.min.js --out pictures

Pictures of the page at the width of a phone and of a desk, light and dark, and the page printed to PDF. Exit code 1 if a script
fails, anything is asked of a network, the page is wider than the screen, a picture does not come, or the checker finds a
serious fault (https://github.com/dequelabs/axe-core).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

WIDTHS = {"phone": (390, 844, True), "desk": (1280, 900, False)}
SCREEN = 1600
SERIOUS = ("serious", "critical")


def scroll_through(page: Page) -> None:
    """Down the page and up again, so that every picture has come."""
    height = page.evaluate("document.documentElement.scrollHeight")
    for top in range(0, height, 600):
        page.evaluate(f"scrollTo(0, {top})")
        page.wait_for_timeout(60)
    page.wait_for_timeout(400)
    page.evaluate("scrollTo(0, 0)")


def photograph(page: Page, name: Path, wide: int) -> None:
    """The whole page, screen after screen."""
    page.set_viewport_size({"width": wide, "height": SCREEN})
    page.wait_for_timeout(300)
    height = page.evaluate("document.documentElement.scrollHeight")
    for number, top in enumerate(range(0, height, SCREEN)):
        page.evaluate(f"scrollTo(0, {top})")
        page.wait_for_timeout(150)
        page.screenshot(path=name.with_name(f"{name.name}-{number:02d}.png"))


def serious_faults(page: Page, axe: str) -> list[str]:
    page.evaluate(axe)
    found: dict[str, Any] = page.evaluate("axe.run()")
    return [
        f"{one['impact']}: {one['id']}: {one['help']} ({len(one['nodes'])}: {one['nodes'][0]['html'][:120]})"
        for one in found["violations"]
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("report", type=Path)
    parser.add_argument("--out", type=Path, default=Path("pictures"))
    parser.add_argument("--axe", type=Path)
    parser.add_argument("--chromium", default="/usr/bin/chromium")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    faults: list[str] = []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=arguments.chromium, args=["--no-sandbox"])
        for width, (wide, tall, touch) in WIDTHS.items():
            for scheme in ("light", "dark"):
                context = browser.new_context(
                    viewport={"width": wide, "height": tall},
                    color_scheme=scheme,
                    has_touch=touch,
                    device_scale_factor=2 if touch else 1,
                    offline=True,
                    bypass_csp=False,
                )
                page = context.new_page()
                where = f"{width}, {scheme}"
                page.on("pageerror", lambda error, where=where: faults.append(f"{where}: {error}"))
                page.on(
                    "console",
                    lambda told, where=where: (
                        told.type in ("error", "warning") and faults.append(f"{where}: {told.text}")
                    ),
                )
                page.on(
                    "request",
                    lambda request, where=where: (
                        request.url.startswith(("file:", "data:", "blob:"))
                        or faults.append(f"{where}: asked for {request.url}")
                    ),
                )
                page.goto(arguments.report.resolve().as_uri())
                scroll_through(page)
                over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
                if over > 0:
                    faults.append(f"{where}: {over} pixels wider than the screen")
                figures = page.evaluate(
                    "[...document.querySelectorAll('figure[data-picture]')].map(f => f.classList.contains('zoomed'))"
                )
                if not all(figures):
                    faults.append(f"{where}: {figures.count(False)} pictures did not come")
                print(
                    f"{where}: {len(figures)} pictures, {page.evaluate('document.documentElement.scrollHeight')} pixels tall"
                )
                photograph(page, arguments.out / f"{width}-{scheme}", wide)
                if arguments.axe:
                    for fault in serious_faults(page, arguments.axe.read_text(encoding="utf-8")):
                        print(f"  {fault}")
                        if fault.startswith(SERIOUS):
                            faults.append(f"{where}: {fault}")
                if width == "desk" and scheme == "dark":
                    page.pdf(path=arguments.out / "report.pdf", format="A4")
                context.close()
        browser.close()
    for fault in faults:
        print(f"FAULT {fault.splitlines()[0][:200]}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
