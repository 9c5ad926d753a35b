"""Pictures of every page at phone and desk width, to be looked at.

    python -m tests.browser.screens FOLDER [--photo FILE ...] [--light] [--address URL]

Without --photo the examples that ship with the program are used.
"""

import argparse
import tempfile
from pathlib import Path
from typing import Any

from panelvision.examples import EXAMPLES, load_examples
from tests.browser import driver

TALLEST = 6000


def main() -> None:
    """Take the pictures and say where they are."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photo", nargs="+", metavar="FILE", help="photos of one set")
    parser.add_argument("--light", action="store_true", help="the light theme")
    parser.add_argument("--address", help="a server that runs already")
    args = parser.parse_args()
    args.folder.mkdir(parents=True, exist_ok=True)
    photos = args.photo or [str(EXAMPLES / each.name) for each in load_examples()[:2]]
    with tempfile.TemporaryDirectory() as name:
        own = Path(name)
        if args.light:
            (own / "config").mkdir()
            (own / "config" / "settings.toml").write_text('theme = "light"\n', encoding="utf-8")
        if args.address:
            _take_all(args.address, args.folder, photos)
        else:
            with driver.server(own) as (address, _):
                _take_all(address, args.folder, photos)


def _take_all(address: str, folder: Path, photos: list[str]) -> None:
    with driver.browser() as running:
        for name, size in (("390", driver.PHONE), ("1280", driver.DESK)):
            page = driver.open_page(running, address, size)
            driver.settle(page)
            _take(page, folder / f"{name}-1-first.png", size)
            page.locator("input[type=file]").first.set_input_files(photos)
            page.get_by_text("Corners", exact=True).first.wait_for()
            driver.settle(page)
            page.wait_for_timeout(3000 * len(photos))
            driver.settle(page)
            _take(page, folder / f"{name}-2-photo.png", size)
            for view in ("Picture", "Corners"):
                page.get_by_text(view, exact=True).first.click()
                driver.settle(page)
                page.wait_for_timeout(500)
                _take(page, folder / f"{name}-3-{view.lower()}.png", size)
            driver.visit(page, "Bench")
            _take(page, folder / f"{name}-4-bench.png", size)
            for step in range(12):
                outcomes = page.locator(".st-key-outcomes button")
                if not outcomes.count():
                    break
                outcomes.first.click()
                driver.settle(page)
                if step in (0, 4):
                    page.wait_for_timeout(800)
                    _take(page, folder / f"{name}-5-bench-after-{step + 1}.png", size)
            page.wait_for_timeout(800)
            _take(page, folder / f"{name}-6-bench-end.png", size)
            driver.visit(page, "Report")
            _take(page, folder / f"{name}-7-report.png", size)
            driver.visit(page, "Cases")
            page.get_by_label("The set").fill("the set from the reading room")
            _take(page, folder / f"{name}-8-cases-save.png", size)
            page.get_by_role("button", name="Save the case").click()
            page.get_by_text("Saved as case").wait_for()
            page.get_by_text("Find", exact=True).click()
            driver.settle(page)
            _take(page, folder / f"{name}-8-cases-find.png", size)
            for part in ("Accuracy", "Back up"):
                page.get_by_text(part, exact=True).first.click()
                driver.settle(page)
                _take(page, folder / f"{name}-8-cases-{part.split()[0].lower()}.png", size)
            driver.visit(page, "Inbox")
            _take(page, folder / f"{name}-9-inbox.png", size)
            page.locator("input[type=file]").first.set_input_files(photos)
            page.get_by_role("button", name="Sort").click()
            page.get_by_role("button", name="New inbox").wait_for()
            driver.settle(page)
            _take(page, folder / f"{name}-9-inbox-sorted.png", size)
            driver.visit(page, "Shop")
            _take(page, folder / f"{name}-9-shop.png", size)
            page.context.close()
    print(f"{len(list(folder.glob('*.png')))} pictures in {folder}")


def _take(page: Any, path: Path, size: dict[str, int]) -> None:
    height = page.evaluate(
        "(document.querySelector('[data-testid=\"stMain\"]') || document.body).scrollHeight"
    )
    page.set_viewport_size({"width": size["width"], "height": min(max(height, 400), TALLEST)})
    page.wait_for_timeout(400)
    page.screenshot(path=str(path))
    page.set_viewport_size(size)
    print(f"{path.name}: {driver.sideways(page)} px sideways", flush=True)


if __name__ == "__main__":
    main()
