// What holds now: alarms with what to do, cells with what they show; and what people do about it.
import { ask, by, clock, hasToken, keepToken, make, number, prose, settle, settleKeepingFocus, span, time } from "./page.js";
import { evidence, recordsChanged, trendMayBeOld } from "./history.js";

const CONDITIONS = {
  "failure": ["F", "failure", "urgent"], "function-check": ["C", "function check", "watch"],
  "out-of-specification": ["S", "out of specification", "urgent"],
  "maintenance-required": ["M", "maintenance required", "watch"], "none": ["✓", "good", "rest"],
};
const STATES = { "unacknowledged": "not acknowledged", "acknowledged": "acknowledged", "returned-unacknowledged": "over, not acknowledged", "shelved": "shelved" };
const ORDER = ["unacknowledged", "returned-unacknowledged", "acknowledged", "shelved"], PRIORITIES = ["high", "medium", "low"];
const TITLES = { "alarm-acknowledge": "Acknowledge", "alarm-shelve": "Shelve", "alarm-unshelve": "Take from the shelf", "sanitisation": "Begin sanitisation", "sanitisation-longer": "Prolong sanitisation", "sanitisation-end": "End sanitisation" };
const FRESH_S = 10;
let heard = 0, now = "";

const button = (act, data, words) => make("button", { type: "button", "data-act": act, ...data }, words);

function show(live) {
  heard = performance.now(); now = live.now;
  by("site").textContent = live.site + " · quietcell";
  const unseen = live.alarms.filter(alarm => alarm.state === "unacknowledged").length;
  document.title = (unseen ? "(" + unseen + ") " : "") + live.site + " · quietcell";
  state("live");
  by("clock").textContent = clock(live.now) + " UTC";
  by("alarms-title").textContent = "What to do";
  const urgency = alarm => ORDER.indexOf(alarm.state) * PRIORITIES.length + PRIORITIES.indexOf(alarm.priority);
  const alarms = [...live.alarms].sort((a, b) => urgency(a) - urgency(b));
  const cards = alarms.length ? alarms.map(alarmCard) : [make("p", { "data-key": "none" }, "Nothing: no alarm is active.")];
  settleKeepingFocus(by("alarms"), cards, by("alarms-title"));
  settleKeepingFocus(by("cells"), live.cells.map(cellCard), by("cells-title"));
  by("delivery").textContent = live.outlets.map(outlet => outlet.name + ": " + outlet.state + (outlet.behind ? ", " + outlet.behind + " records wait" : "")).join("; ");
  recordsChanged(live);
  trendMayBeOld(live, alarms.length ? alarms[0].cell : null);
}
// Announced to those who cannot see it only when it changes.
function state(text) { if (by("link").textContent !== text) by("link").textContent = text; }

function alarmCard(alarm) {
  const over = alarm.state === "returned-unacknowledged", unseen = over || alarm.state === "unacknowledged";
  const level = alarm.state === "unacknowledged" && alarm.priority !== "low" ? "urgent" : alarm.state === "shelved" ? "rest" : "watch";
  const until = alarm.shelved_until ? " until " + clock(alarm.shelved_until) : "";
  const data = { "data-cell": alarm.cell, "data-alarm": alarm.alarm, "data-title": alarm.title };
  return make("article", { "data-key": alarm.cell + "/" + alarm.alarm, "data-level": level },
    make("h3", {}, make("span", { class: "sign " + level, "aria-hidden": "true" }, over ? "↩" : { urgent: "!", watch: "i", rest: "z" }[level]), alarm.title + " · " + alarm.cell),
    make("p", { class: "do" }, ...prose(over ? "It is over. Acknowledge it when you have seen to it." : alarm.what_to_do)),
    make("p", {}, ...prose(over ? "What was to be done: " + alarm.what_to_do : "Within " + span(alarm.respond_within_s) + ", or: " + alarm.consequence)),
    make("p", {}, alarm.priority + " priority, " + STATES[alarm.state] + until + ", since " + clock(alarm.since)),
    alarm.text ? make("p", { class: "soft" }, ...prose(alarm.text)) : null,
    alarm.episode ? make("p", { class: "soft" }, ...prose(alarm.confirmed ? "Confirmed; it closes once the readings show that its cause is gone."
      : "Once you know: `quietcell episode " + alarm.cell + " " + alarm.episode + " confirm`, or `reject`, with what you found in `--why`.")) : null,
    make("div", { class: "acts", "data-part": "acts" },
      unseen ? button("alarm-acknowledge", data, "Acknowledge") : null,
      alarm.state === "shelved" ? button("alarm-unshelve", data, "Take from the shelf") : button("alarm-shelve", data, "Shelve")));
}

function resultParts(cell) {
  const result = cell.result, parts = [];
  if (!result) return [make("p", { class: "old" }, cell.continuous ? "No current result" : "No result yet")];
  const told = "± " + number(result.ph_expanded_uncertainty, 2) + " at " + number(result.temperature_c, 1, "°C") + ", " + result.verdict;
  if (cell.result_is_current || !cell.continuous) {
    parts.push(make("p", { class: "value" }, "pH " + number(result.ph_reported, cell.ph_decimals)), make("p", {}, told));
    parts.push(make("p", {}, cell.continuous ? "Result, " + span(result.age_s) + " old" : "Last result, of " + clock(result.ended)));
  } else {
    parts.push(make("p", { class: "old" }, "No current result"));
    const old = result.age_s < 0 ? "ahead of the clock, which was set back" : span(result.age_s) + " old";
    parts.push(make("p", {}, "The last one, pH " + number(result.ph_reported, cell.ph_decimals) + ", is " + old + " (" + clock(result.ended) + ")."));
  }
  if (result.doubt) parts.push(make("p", { class: "watch" }, make("strong", {}, "In doubt: "), result.doubt));
  if (result.suspected.length) parts.push(make("p", { class: "watch" }, make("strong", {}, "Suspected meanwhile: "), result.suspected.map(words).join(", ")));
  if (result.qualifiers.length) parts.push(make("p", { class: "soft" }, "Bear in mind: " + result.qualifiers.map(words).join(", ")));
  return parts;
}
const words = name => name.replaceAll("-", " ").replace("co2", "CO₂");

function cellCard(cell) {
  const [letter, condition, level] = CONDITIONS[cell.condition], fresh = cell.age_s !== null && cell.age_s < FRESH_S;
  const without = "no pH without " + (cell.temperature_c === null ? "temperature, " : "a calibration, ") + number(cell.mv, 2, "mV");
  const shown = [cell.ph !== null ? "pH " + number(cell.ph, 2) : cell.mv !== null && without, number(cell.temperature_c, 1, "°C"), number(cell.conductivity_us_cm, 3, "µS/cm"), number(cell.flow_ml_min, 0, "mL/min")].filter(Boolean);
  const indication = cell.at === null ? "no reading yet" : fresh ? shown.join(", ") : "none; the meter has been silent for " + span(cell.age_s);
  const name = { "data-cell": cell.cell, "data-title": cell.cell };
  return make("article", { "data-key": cell.cell, "data-level": level },
    make("h3", {}, cell.cell),
    make("p", { class: level }, make("span", { class: "sign" }, letter), condition),
    ...resultParts(cell),
    make("p", { class: "now" }, make("span", { class: "soft" }, "Now, accepted by nobody: "), indication),
    make("p", { class: "soft" }, "Waits for " + cell.waits_for),
    make("div", { class: "acts", "data-part": "acts" },
      cell.result ? button("evidence", { ...name, "data-record": cell.result.id }, "Evidence") : null,
      cell.sanitisation_until ? button("sanitisation-end", name, "End sanitisation") : button("sanitisation", name, "Sanitise …"),
      cell.sanitisation_until ? button("sanitisation-longer", name, "Prolong it …") : null));
}

// --- what people do
let asked = null;
function begin(act, data) {
  asked = { act, cell: data.cell, alarm: data.alarm };
  const sanitise = act === "sanitisation" || act === "sanitisation-longer", lasts = act === "alarm-shelve" || sanitise;
  by("act-title").textContent = TITLES[act];
  by("act-what").textContent = data.alarm ? data.title + " of " + data.cell : sanitise
    ? data.cell + ": its other alarms keep quiet, and nothing it shows is taken for the water. Lines may be hot or hold cleaning agent: follow the site's rules." : data.cell;
  by("act-span").hidden = !lasts;
  by("act-hours").max = sanitise ? 24 : 168;
  by("act-hours").value = sanitise ? 4 : 8;
  by("act-token-wanted").hidden = hasToken();
  by("act-who").value = sessionStorage.getItem("who") || "";
  by("act-why").value = by("act-told").textContent = "";
  by("act-do").textContent = TITLES[act];
  by("act").showModal();
}
async function finish(event) {
  event.preventDefault();
  const body = { cell: asked.cell, operator: by("act-who").value.trim(), reason: by("act-why").value.trim() };
  if (!body.operator || !body.reason) { by("act-told").textContent = "Say who and why; the record carries both."; return; }
  if (by("act-token").value) { keepToken(by("act-token").value); by("act-token").value = ""; }
  sessionStorage.setItem("who", body.operator);
  if (asked.alarm) body.alarm = asked.alarm;
  if (!by("act-span").hidden) body.for_s = Number(by("act-hours").value) * 3600;
  try {
    await ask("api/commands/" + asked.act.replace(/-(end|longer)$/, ""), { method: "POST", body: JSON.stringify(body), headers: { "content-type": "application/json" } });
    by("act").close();
  } catch (error) {
    by("act-told").textContent = "Not done: " + error.message;
    if (error.status === 401) { by("act-token-wanted").hidden = false; by("act-token").focus(); }
  }
}
document.addEventListener("click", event => {
  const pressed = event.target.closest("[data-act]");
  if (!pressed) return;
  const { act, ...data } = pressed.dataset;
  opener = { act, key: pressed.closest("[data-key]").dataset.key };
  if (act === "evidence") evidence(data.record);
  else begin(act, data);
});

// --- the stream
async function listen() {
  for (;;) {
    try {
      const reader = (await ask("api/events")).body.pipeThrough(new TextDecoderStream()).getReader();
      by("token-wanted").hidden = true;
      let rest = "";
      for (;;) {
        const { value, done } = await reader.read();
        if (done) break;
        const parts = (rest + value).split("\n\n");
        rest = parts.pop();
        for (const part of parts) {
          const live = JSON.parse(part.slice(6));
          if (live.ok) show(live); else lost(live.error);
        }
      }
      lost("the page's program ended");
    } catch (error) {
      by("token-wanted").hidden = error.status !== 401;
      lost(error.message);
    }
    await new Promise(done => setTimeout(done, 2000));
  }
}
// What is no longer live must not look live.
function lost(why) {
  state("NOT LIVE: " + why);
  if (heard && performance.now() - heard < 5000) return;
  document.title = "NOT LIVE · " + by("site").textContent;
  by("clock").textContent = "";
  by("alarms-title").textContent = "What to do" + (now ? ", as last seen at " + time(now) + " UTC" : "");
  settle(by("cells"), [make("p", { class: "old", "data-key": "none" }, "No connection: nothing here would be current.")]);
}
setInterval(() => { if (heard && performance.now() - heard > 5000) lost("nothing heard for some seconds"); }, 1000);
by("act-form").addEventListener("submit", finish);
// What was pressed may have gone while the dialog was open: then its neighbour gets the focus.
let opener = null;
function comeBack() {
  if (document.activeElement !== document.body && !document.activeElement.closest("dialog")) return;
  const card = opener && document.querySelector(`[data-key="${opener.key}"]`);
  ((card && (card.querySelector(`[data-act="${opener.act}"]`) || card.querySelector("button"))) || by("alarms-title")).focus();
}
for (const id of ["act", "evidence"]) by(id).addEventListener("close", comeBack);
by("act-leave").addEventListener("click", () => by("act").close());
by("token-form").addEventListener("submit", event => { event.preventDefault(); keepToken(by("token").value); by("token-wanted").hidden = true; });
listen();
