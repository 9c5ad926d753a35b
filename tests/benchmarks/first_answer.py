"""How long after an upload the first answer of a 12-megapixel photo is on screen.

    python -m tests.benchmarks.first_answer

A real server and browser. The pipeline's own time is the elapsed time of ``examine`` on the same
file in this process, warm, while the server rests; not the page's own word.
"""

import io
import json
import statistics
import tempfile
import time
from pathlib import Path

from PIL import Image

from panelvision.examine import examine
from panelvision.examples import load_examples
from tests.browser import driver

RUNS = 4
SIZE = (4000, 3000)


def main() -> None:
    """Print each run and, last, one JSON object; the first run, which loads the model, is apart."""
    ratios, waits = [], []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with driver.server(folder) as (address, _), driver.browser() as running:
            for run in range(RUNS):
                photo = folder / f"photo-{run}.jpg"
                photo.write_bytes(_large(run))
                page = driver.open_page(running, address, driver.PHONE)
                driver.settle(page)
                start = time.perf_counter()
                page.locator("input[type=file]").first.set_input_files(str(photo))
                page.locator(".pv-answer").first.wait_for()
                waited = time.perf_counter() - start
                driver.settle(page)
                page.context.close()
                examine(photo)  # loads what is loaded once
                start = time.perf_counter()
                examine(photo)
                own = time.perf_counter() - start
                print(f"run {run}: answer after {waited:.2f} s, pipeline {own:.2f} s", flush=True)
                waits.append(waited)
                ratios.append(waited / own)
    print(
        json.dumps(
            {
                "first_answer_over_pipeline": round(statistics.median(ratios[1:]), 2),
                "first_answer_s": round(statistics.median(waits[1:]), 2),
                "cold_first_answer_s": round(waits[0], 2),
                "target": 2.5,
            }
        )
    )


def _large(run: int) -> bytes:
    with Image.open(io.BytesIO(load_examples()[run % 2].read())) as small:
        large = small.convert("RGB").resize(SIZE, Image.Resampling.BICUBIC)
    out = io.BytesIO()
    large.save(out, "JPEG", quality=92 - run)
    return out.getvalue()


if __name__ == "__main__":
    main()
