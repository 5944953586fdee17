"""`python -m tests.pictures` makes the pictures of README and guide, so that they stay true: the demo house in the
small hours of its night, at a desk by day's colours and on a phone by night's; recorded nights as they were decided."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
import time
from io import BytesIO
from pathlib import Path
from urllib.request import urlopen

from PIL import Image
from playwright.sync_api import Browser

from tests.browsing import launched

ROOT = Path(__file__).resolve().parent.parent
OUT = ROOT / "monitor" / "guide" / "now.png"
NIGHTS = {"good_night": "good_night", "rough_night": "nasty_night"}
SECONDS = 240  # of the night: slow enough that two browsers see nearly the same minute
PATIENCE_S = 200.0
MOMENT = {"Spelt": "feed", "Rye": "rising"}  # what the pictures wait for
GAP_PX, COLOURS = 24, 255


def shot(browser: Browser, url: str, wide: int, high: int, scheme: str) -> Image.Image:
    context = browser.new_context(
        viewport={"width": wide, "height": high},
        color_scheme=scheme,  # type: ignore[arg-type]
        device_scale_factor=1,
        reduced_motion="reduce",
    )
    page = context.new_page()
    page.goto(url)
    page.locator("article figure canvas").wait_for()
    page.locator(".key span").first.wait_for()
    page.wait_for_function("document.querySelectorAll('.spark .level').length >= 2")
    picture = Image.open(BytesIO(page.screenshot()))
    context.close()
    return picture


def night(run: Path, out: Path) -> None:
    """A recorded night as `jartide picture` draws it, for the guide's page on how it decides."""
    out.unlink(missing_ok=True)
    words = [sys.executable, "-m", "monitor", "picture", str(run), "-o", str(out)]
    subprocess.run(words, check=True, env={**os.environ, "TZ": "UTC"})


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "monitor", "demo", "--seconds", str(SECONDS), "--folder", folder]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as house, launched() as browser:
            assert house.stdout is not None
            found = re.search(r"http://\S+/", house.stdout.readline())
            assert found is not None
            url, until_s = found[0], time.monotonic() + PATIENCE_S
            while time.monotonic() < until_s:
                try:
                    with urlopen(f"{url}api/now", timeout=10) as answer:
                        looks = {jar["jar"]: jar["face"]["look"] for jar in json.load(answer)["jars"]}
                except OSError:
                    looks = {}
                if MOMENT.items() <= looks.items():
                    break
                time.sleep(0.2)
            phone = shot(browser, f"{url}#/jar/Rye", 390, 1180, "dark")
            desk = shot(browser, url, 1180, 1180, "light")
            house.terminate()
    both = Image.new("RGB", (desk.width + GAP_PX + phone.width, max(desk.height, phone.height)), "#ffffff")
    both.paste(desk, (0, 0))
    both.paste(phone, (desk.width + GAP_PX, 0))
    both.quantize(COLOURS).save(OUT, optimize=True)
    print(f"{OUT.relative_to(ROOT)}: {OUT.stat().st_size} bytes")
    for name, run in NIGHTS.items():
        night(ROOT / "simulated_runs" / f"{run}.csv", OUT.with_name(f"{name}.png"))


if __name__ == "__main__":
    main()
