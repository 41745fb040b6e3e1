"""Weight of the page and time to its first paint: `python -m tests.bench.page_paint`.

The demonstration in headless Chromium, opened anew with an empty cache each time. QUIETCELL_TESTS_BROWSER
names a folder that holds the npm package playwright-core, as for tests/browser.
"""

import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

OPENED = 10
SCRIPT = """
import { chromium } from "playwright-core";
const browser = await chromium.launch({ executablePath: "/usr/bin/chromium",
  args: ["--headless", ...(process.getuid() === 0 ? ["--no-sandbox"] : []), "--disable-gpu"] });
const found = [];
for (let i = 0; i < Number(process.argv[3]); i++) {
  const context = await browser.newContext(), page = await context.newPage();
  await page.goto(process.argv[2]);
  await page.locator("#cells article").first().waitFor();
  found.push(await page.evaluate(() => [
    performance.getEntriesByType("paint").find(e => e.name === "first-contentful-paint").startTime,
    performance.now(),
    performance.getEntriesByType("resource").filter(r => r.name.includes("/static/"))
      .map(r => r.encodedBodySize).concat(performance.getEntriesByType("navigation")[0].encodedBodySize)
      .reduce((a, b) => a + b)]));
  await context.close();
}
await browser.close();
console.log(JSON.stringify(found));
"""
COMMAND = [sys.executable, "-m", "quietcell", "demo", "--seconds", "300", "--pace", "1", "--plain"]


def main() -> None:
    """Open, measure, print."""
    script = Path(os.environ["QUIETCELL_TESTS_BROWSER"]) / "paint.mjs"
    script.write_text(SCRIPT)
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(COMMAND, cwd=folder, stdout=subprocess.PIPE, text=True) as demo,
    ):
        assert demo.stdout is not None
        told = ""
        while (place := re.search(r"The page: (\S+)", told)) is None:
            told += demo.stdout.readline()
        retry = ["curl", "-s", "-o", "/dev/null", "--retry", "50", "--retry-connrefused", place[1]]
        subprocess.run(retry, check=False)
        done = subprocess.run(
            ["node", script, place[1], str(OPENED)], capture_output=True, text=True, check=True
        )
        demo.terminate()
        demo.stdout.read()
    paints, cells, weights = zip(*json.loads(done.stdout), strict=True)
    print(f"weight {max(weights):.0f} B (n = {OPENED})")
    print(f"first paint: median {median(paints):.0f} ms, longest {max(paints):.0f} ms")
    print(f"cells shown: median {median(cells):.0f} ms, longest {max(cells):.0f} ms")


if __name__ == "__main__":
    main()
