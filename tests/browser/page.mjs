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
const found = { violations: {}, overflow: {}, errors: [], weight: 0, paint_ms: null };

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
async function look(page, name) {
  // Past the page's own policy, which rightly lets no foreign script in.
  const devtools = await page.context().newCDPSession(page);
  await devtools.send("Runtime.evaluate", { expression: axe });
  const answer = await devtools.send("Runtime.evaluate", { expression: "axe.run()", awaitPromise: true, returnByValue: true });
  const result = answer.result.value;
  found.violations[name] = result.violations.map(v => v.id + ": " + v.nodes[0].html + " " + v.nodes[0].failureSummary);
  found.overflow[name] = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  await page.screenshot({ path: `${shots}/${name}.png`, fullPage: true });
}
try {
  const wide = await open(1920, 1080);
  found.paint_ms = await wide.evaluate(() => performance.getEntriesByType("paint").find(e => e.name === "first-contentful-paint")?.startTime);
  found.weight = await wide.evaluate(() => performance.getEntriesByType("resource").filter(r => r.name.includes("/static/")).reduce((a, r) => a + r.encodedBodySize, performance.getEntriesByType("navigation")[0].encodedBodySize));
  const card = wide.locator("#alarms article", { hasText: "Carbon dioxide suspected" });
  await card.waitFor({ timeout: 90000 });
  await wide.locator("#trend-span").selectOption("0.5");
  await wide.locator("#trend figure").first().waitFor();
  await wide.getByText(/[1-9]\d* steps of episodes/).waitFor({ timeout: 20000 }).catch(async () => {
    await wide.locator("#trend-cell").selectOption("live-feed-room");
    await wide.getByText(/[1-9]\d* steps of episodes/).waitFor({ timeout: 20000 });
  });
  await look(wide, "wide");
  // By keyboard alone: token, acknowledge, shelve, unshelve.
  await wide.evaluate(text => { sessionStorage.setItem("token", text); }, token);
  await wide.reload();
  await card.waitFor();
  async function press(locator) { for (let i = 0; i < 200; i++) { await wide.keyboard.press("Tab"); if (await locator.evaluate(e => e === document.activeElement)) break; } await wide.keyboard.press("Enter"); }
  async function say(button, expected) {
    await press(card.getByRole("button", { name: button }));
    await wide.locator("#act[open]").waitFor();
    await wide.locator("#act-who").focus();
    await wide.keyboard.type("M. Tarn"); await wide.keyboard.press("Tab"); await wide.keyboard.type("seen on the round");
    await look(wide, "dialog-" + button.split(" ")[0].toLowerCase());
    await press(wide.locator("#act-do"));
    await wide.locator("#act:not([open])").waitFor({ state: "attached" });
    await card.getByText(expected).waitFor({ timeout: 10000 });
  }
  await say("Acknowledge", "high priority, acknowledged");
  await say("Shelve", "shelved until");
  await say("Take from the shelf", "not acknowledged");
  found.acted = true;
  await wide.locator("article button", { hasText: "Evidence" }).first().click();
  await wide.locator("#evidence[open]").waitFor();
  await look(wide, "evidence");
  for (const [name, width, height, more] of [["narrow", 360, 740, {}], ["dark", 1280, 900, { colorScheme: "dark" }], ["zoom-400", 320, 256, { deviceScaleFactor: 4 }]]) {
    const page = await open(width, height, more);
    await page.locator("#trend figure").first().waitFor();
    await look(page, name);
    await page.context().close();
  }
} catch (error) { found.failed = String(error.stack || error); }
await browser.close();
console.log(JSON.stringify(found));
