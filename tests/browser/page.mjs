// The page in headless Chromium, driven by tests/browser/test_page.py: prints one JSON object of what it found.
import { chromium } from "playwright-core";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

const [address, token, shots] = process.argv.slice(2);
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const browser = await chromium.launch({
  executablePath: "/usr/bin/chromium",
  args: ["--headless", ...(process.getuid() === 0 ? ["--no-sandbox"] : []), "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-quic"],
});
const found = { violations: {}, overflow: {}, clipped: {}, unfocused: [], states: [], errors: [], weight: 0, paint_ms: null };
const began = Date.now();
const note = text => process.stderr.write(((Date.now() - began) / 1000).toFixed(1) + " s: " + text + "\n");

async function open(width, height, more) {
  const context = await browser.newContext({ viewport: { width, height }, ...more });
  const page = await context.newPage();
  page.on("pageerror", error => found.errors.push(String(error)));
  page.on("console", message => message.type() === "error" && found.errors.push(message.text()));
  page.on("request", request => { if (!request.url().startsWith(address)) found.errors.push("left the site: " + request.url()); });
  await page.goto(address);
  await page.locator("#cells article").first().waitFor();
  return page;
}
async function look(page, name, shot = {}) {
  // Past the page's own policy, which rightly lets no foreign script in.
  const devtools = await page.context().newCDPSession(page);
  await devtools.send("Runtime.evaluate", { expression: axe });
  const answer = await devtools.send("Runtime.evaluate", { expression: "axe.run()", awaitPromise: true, returnByValue: true });
  found.violations[name] = answer.result.value.violations.map(v => v.id + ": " + v.nodes[0].html + " " + v.nodes[0].failureSummary);
  // To be scrolled sideways: the page, or anything on it that is cut off or scrolls by itself.
  found.overflow[name] = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  found.clipped[name] = await page.evaluate(() => [...document.querySelectorAll("body *")]
    .filter(e => e.checkVisibility() && !e.matches(".skip, select, option, input, canvas") && getComputedStyle(e).display !== "inline")
    .filter(e => e.scrollWidth > e.clientWidth + 1 || e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
    .map(e => e.tagName + "." + e.className + "#" + e.id + " " + e.textContent.slice(0, 60)));
  await page.screenshot({ path: `${shots}/${name}.png`, fullPage: true, ...shot });
  await devtools.detach();
}
// Every stop of the keyboard on the way must show where it is.
async function tab(page) {
  await page.keyboard.press("Tab");
  const seen = await page.evaluate(() => {
    const e = document.activeElement;
    if (e === document.body) return null;  // the browser's own bar
    const box = e.getBoundingClientRect(), style = getComputedStyle(e);
    return { name: e.tagName + "#" + e.id + " " + e.textContent.slice(0, 30), shown: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2 && box.width > 0 && box.bottom > 0 && box.top < innerHeight && box.right > 0 };
  });
  if (seen && !seen.shown) found.unfocused.push(seen.name);
}
async function press(page, locator) {
  for (let i = 0; i < 300 && !await locator.evaluate(e => e === document.activeElement); i++) await tab(page);
  await page.keyboard.press("Enter");
}
try {
  const page = await open(1920, 1080);
  found.paint_ms = await page.evaluate(() => performance.getEntriesByType("paint").find(e => e.name === "first-contentful-paint")?.startTime);
  found.weight = await page.evaluate(() => performance.getEntriesByType("resource").filter(r => r.name.includes("/static/")).reduce((a, r) => a + r.encodedBodySize, performance.getEntriesByType("navigation")[0].encodedBodySize));
  const card = page.locator("#alarms article", { hasText: "Carbon dioxide suspected" });
  await card.getByText("high priority, not acknowledged").waitFor({ timeout: 120000 });
  found.states.push("unacknowledged");
  note("seen");
  // By keyboard alone, the token asked for where it is wanted: acknowledge, shelve, take back.
  let first = true;
  async function act(button, expected, state) {
    await press(page, card.getByRole("button", { name: button }));
    await page.locator("#act[open]").waitFor();
    if (await page.evaluate(() => document.activeElement.id) !== "act-who") throw new Error("the dialog begins elsewhere");
    await page.keyboard.press("Control+A"); await page.keyboard.type("M. Tarn");
    await tab(page); await page.keyboard.type("seen on the round");
    if (first) { await tab(page); await page.keyboard.type(token); }
    if (button !== "Take from the shelf") await look(page, "dialog-" + button.toLowerCase(), { fullPage: false });
    first = false;
    await page.keyboard.press("Enter");
    await page.locator("#act:not([open])").waitFor({ state: "attached" });
    await card.getByText(expected).waitFor({ timeout: 10000 });
    found.states.push(state);
    note(state);
    // The button that was pressed has gone; the keyboard must not be thrown back to the top.
    await page.waitForFunction(() => document.querySelector("#alarms").contains(document.activeElement), null, { timeout: 5000 }).catch(() => { throw new Error("focus was lost after " + button); });
  }
  await act("Acknowledge", "high priority, acknowledged", "acknowledged");
  await act("Shelve", "shelved until", "shelved");
  await act("Take from the shelf", "not acknowledged", "unshelved");
  await page.locator("#trend-span").selectOption("0.5");
  await page.locator("#trend-told", { hasText: /episodes: [1-9]/ }).waitFor({ timeout: 20000 });
  await look(page, "wide");
  const gray = await page.context().newCDPSession(page);
  await gray.send("Emulation.setEmulatedVisionDeficiency", { type: "achromatopsia" });
  await page.screenshot({ path: `${shots}/grey.png` });
  await gray.send("Emulation.setEmulatedVisionDeficiency", { type: "none" });
  note("looked at");
  // The leak is mended: the alarm is over, and waits to be acknowledged.
  await card.getByText("over, not acknowledged").waitFor({ timeout: 120000 });
  found.states.push("returned-unacknowledged");
  note("over");
  await page.locator("#trend-again").click();
  await page.locator("#trend-told", { hasText: /episodes: [3-9]/ }).waitFor({ timeout: 20000 });
  await look(page, "returned");
  await press(page, card.getByRole("button", { name: "Acknowledge" }));
  await page.locator("#act[open]").waitFor();
  if (await page.locator("#act-who").inputValue() !== "M. Tarn") throw new Error("who is not remembered");
  await tab(page); await page.keyboard.type("fitting tightened"); await page.keyboard.press("Enter");
  await card.waitFor({ state: "detached", timeout: 10000 });
  found.states.push("normal");
  await page.waitForFunction(() => document.activeElement !== document.body, null, { timeout: 5000 }).catch(() => { throw new Error("focus was lost with the alarm"); });
  note("known");
  // A determination's evidence, one press away.
  const evidence = page.locator("#cells article", { hasText: "live-feed-room" }).getByRole("button", { name: "Evidence" });
  await press(page, evidence);
  await page.locator("#evidence-charts figure").first().waitFor();
  if (await page.evaluate(() => document.activeElement.id) !== "evidence-close") throw new Error("the evidence begins elsewhere");
  await look(page, "evidence", { fullPage: false });
  await page.keyboard.press("Escape");
  await page.waitForFunction(() => document.activeElement.dataset.act === "evidence", null, { timeout: 5000 }).catch(() => { throw new Error("focus did not come back from the evidence"); });
  await press(page, page.locator("#marks-title"));
  await press(page, page.locator("#marks button").first());
  await page.locator("#evidence[open]").waitFor();
  await page.keyboard.press("Escape");
  found.acted = true;
  for (const [name, width, height, more] of [["narrow", 360, 740, {}], ["dark", 1280, 900, { colorScheme: "dark" }], ["zoom-400", 320, 256, { deviceScaleFactor: 4 }]]) {
    const other = await open(width, height, more);
    await other.locator("#trend-cell").selectOption("live-feed-room");
    await other.locator("#trend-told", { hasText: /episodes: [1-9]/ }).waitFor();
    await other.locator("#marks-title").click();
    await look(other, name);
    await other.locator("#cells article", { hasText: "live-feed-room" }).getByRole("button", { name: "Evidence" }).click();
    await other.locator("#evidence-charts figure").first().waitFor();
    await look(other, name + "-evidence", { fullPage: false });
    await other.locator("#evidence-close").click();
    await other.locator("#cells article").first().getByRole("button", { name: "Sanitise" }).click();
    await look(other, name + "-dialog", { fullPage: false });
    await other.context().close();
    note(name);
  }
} catch (error) { found.failed = String(error.stack || error); }
await browser.close();
console.log(JSON.stringify(found));
