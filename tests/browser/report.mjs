// Reports in headless Chromium, driven by tests/browser/test_report.py: prints one JSON object of what it found.
import { chromium } from "playwright-core";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { basename } from "node:path";
import { pathToFileURL } from "node:url";

const [shots, ...files] = process.argv.slice(2);
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const browser = await chromium.launch({
  executablePath: "/usr/bin/chromium",
  args: ["--headless", ...(process.getuid() === 0 ? ["--no-sandbox"] : []), "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-quic"],
});
const found = { violations: {}, overflow: {}, clipped: {}, figures: {}, errors: [], pages: {} };

async function look(page, name) {
  found.overflow[name] = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  found.clipped[name] = await page.evaluate(() => [...document.querySelectorAll("main *, footer")]
    .filter(e => e.checkVisibility() && !e.closest("thead") && getComputedStyle(e).display !== "inline")
    .filter(e => e.scrollWidth > e.clientWidth + 1 || e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
    .map(e => e.tagName + "." + e.className + "#" + e.id + " " + e.textContent.slice(0, 60)));
  await page.screenshot({ path: `${shots}/${name}.png`, fullPage: true });
}
// Of every figure: writing that lies over other writing, or beyond the edge.
async function figures(context, page, name) {
  const sources = await page.evaluate(() => [...document.images].map(image => image.src));
  found.figures[name] = [];
  for (const source of sources) {
    const drawing = await context.newPage();
    await drawing.setContent(Buffer.from(source.split(",")[1], "base64").toString("utf8").replace(/^<\?xml[^]*?<svg/, "<svg"));
    found.figures[name].push(...await drawing.evaluate(() => {
      const edge = document.querySelector("svg").getBoundingClientRect();
      const texts = [...document.querySelectorAll("g[id^=text_]")].map(g => ({ id: g.id, box: g.getBoundingClientRect() })).filter(t => t.box.width > 0);
      const bad = texts.filter(t => t.box.left < edge.left - 0.5 || t.box.right > edge.right + 0.5 || t.box.top < edge.top - 0.5 || t.box.bottom > edge.bottom + 0.5)
        .map(t => t.id + " is cut");
      for (const a of texts) for (const b of texts)
        if (a.id < b.id && a.box.left < b.box.right - 1 && b.box.left < a.box.right - 1 && a.box.top < b.box.bottom - 1 && b.box.top < a.box.bottom - 1)
          bad.push(`${a.id} lies over ${b.id}`);
      return texts.length ? bad : ["no writing found"];
    }));
    await drawing.close();
  }
}
try {
  for (const file of files) {
    const name = basename(file, ".html");
    const context = await browser.newContext();
    const page = await context.newPage();
    page.on("pageerror", error => found.errors.push(String(error)));
    page.on("console", message => message.type() === "error" && found.errors.push(message.text()));
    page.on("request", request => { if (!/^(file|data|about):/.test(request.url())) found.errors.push("left the page: " + request.url()); });
    for (const [size, width, media] of [["screen", 1280, "screen"], ["phone", 360, "screen"], ["paper", 688, "print"]]) {
      await page.setViewportSize({ width, height: 900 });
      await page.emulateMedia({ media });
      await page.goto(pathToFileURL(file).href);
      await look(page, `${name}-${size}`);
      if (media === "print" || (size === "phone" && name !== "day")) continue;
      // Past the page's own policy, which rightly lets no script in.
      const devtools = await context.newCDPSession(page);
      await devtools.send("Runtime.evaluate", { expression: axe });
      const answer = await devtools.send("Runtime.evaluate", { expression: "axe.run()", awaitPromise: true, returnByValue: true });
      found.violations[`${name}-${size}`] = answer.result.value.violations.map(v => v.id + ": " + v.nodes[0].html + " " + v.nodes[0].failureSummary);
      await devtools.detach();
    }
    await figures(context, page, name);
    found.pages[name] = (await page.pdf({ format: "A4", preferCSSPageSize: true })).length;
    await context.close();
  }
} catch (error) {
  found.failed = String(error);
} finally {
  await browser.close();
}
console.log(JSON.stringify(found));
