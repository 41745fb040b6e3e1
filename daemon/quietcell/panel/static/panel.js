"use strict";
const by = id => document.getElementById(id);
const CONDITIONS = {
  "failure": ["F", "failure", "urgent"], "function-check": ["C", "function check", "watch"],
  "out-of-specification": ["S", "out of specification", "urgent"],
  "maintenance-required": ["M", "maintenance required", "watch"], "none": ["✓", "good", "rest"],
};
const STATES = { "unacknowledged": "not acknowledged", "acknowledged": "acknowledged", "returned-unacknowledged": "over, not acknowledged", "shelved": "shelved" };
const TRACES = [["ph", "pH at 25 °C", ""], ["conductivity_us_cm", "Conductivity", "µS/cm"], ["temperature_c", "Temperature", "°C"], ["flow_ml_min", "Flow", "mL/min"]];
let token = sessionStorage.getItem("token") || "", now = "", heard = 0, lastSeq = 0;

function make(name, words, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(words || {})) key === "class" ? element.className = value : key === "on" ? element.addEventListener("click", value) : element.setAttribute(key, value);
  element.append(...inside.filter(part => part !== null && part !== undefined));
  return element;
}
async function get(path, more) {
  const answer = await fetch(path, { ...more, headers: { ...(more || {}).headers, ...(token ? { authorization: "Bearer " + token } : {}) } });
  if (answer.status === 401) by("token-wanted").hidden = false;
  if (!answer.ok) throw new Error((await answer.json().catch(() => ({}))).error || answer.statusText);
  return answer;
}
function span(seconds) {
  if (seconds < 90) return Math.round(seconds) + " s";
  if (seconds < 5400) return Math.round(seconds / 60) + " min";
  return seconds < 172800 ? (seconds / 3600).toFixed(1) + " h" : (seconds / 86400).toFixed(1) + " d";
}
const clock = text => text ? text.slice(0, 10) + " " + text.slice(11, 19) : "";
const number = (value, digits, unit) => value === null || value === undefined ? null : value.toFixed(digits) + (unit ? " " + unit : "");

// Replaces only what changed, so that focus stays where it is.
function fill(place, parts, key) {
  const had = new Map([...place.children].map(child => [child.dataset.key, child]));
  const wanted = parts.map(part => {
    const text = JSON.stringify(part), id = key(part), old = had.get(id);
    if (old && old.dataset.told === text) return old;
    const fresh = part.make();
    fresh.dataset.key = id; fresh.dataset.told = text;
    return fresh;
  });
  const focus = document.activeElement, at = focus && focus.dataset ? focus.dataset.act : null, owner = focus && focus.closest ? focus.closest("[data-key]") : null;
  if (wanted.length !== place.children.length || wanted.some((child, i) => child !== place.children[i])) {
    place.replaceChildren(...wanted);
    if (at && owner) { const again = place.querySelector(`[data-key="${owner.dataset.key}"] [data-act="${at}"]`); if (again) again.focus(); }
  }
}
function show(live) {
  heard = Date.now(); now = live.now;
  by("site").textContent = live.site + " · quietcell";
  document.title = (live.alarms.length ? "(" + live.alarms.length + ") " : "") + live.site + " · quietcell";
  by("link").textContent = "live, " + clock(live.now) + " UTC";
  const alarms = live.alarms.map(alarm => ({ alarm, make: () => alarmCard(alarm) }));
  const order = ["unacknowledged", "returned-unacknowledged", "acknowledged", "shelved"];
  alarms.sort((a, b) => order.indexOf(a.alarm.state) - order.indexOf(b.alarm.state));
  fill(by("alarms"), alarms.length ? alarms : [{ none: 1, make: () => make("p", {}, "Nothing: no alarm is active.") }], part => part.alarm ? part.alarm.cell + "/" + part.alarm.alarm : "none");
  fill(by("cells"), live.cells.map(cell => ({ cell, make: () => cellCard(cell) })), part => part.cell.cell);
  const choice = by("trend-cell"), names = live.cells.map(cell => cell.cell);
  if ([...choice.options].map(option => option.value).join() !== names.join()) { choice.replaceChildren(...names.map(name => make("option", {}, name))); trend(); }
  if (live.seq !== lastSeq) { lastSeq = live.seq; records(); }
}
function alarmCard(alarm) {
  const level = alarm.state === "unacknowledged" ? "urgent" : alarm.state === "shelved" ? "rest" : "watch";
  const until = alarm.shelved_until ? " until " + clock(alarm.shelved_until) : "";
  const act = (name, words) => make("button", { type: "button", "data-act": name, on: () => ask(name, alarm) }, words);
  return make("article", { "data-level": level },
    make("h3", {}, make("span", { class: "sign " + level, "aria-hidden": "true" }, level === "urgent" ? "!" : "·"), alarm.title + " · " + alarm.cell),
    make("p", { class: "do" }, alarm.what_to_do),
    make("p", {}, "Within " + span(alarm.respond_within_s) + ", or: " + alarm.consequence),
    make("p", { class: "soft" }, alarm.priority + " priority, " + STATES[alarm.state] + until + ", since " + clock(alarm.since) + (alarm.text ? ". " + alarm.text : "")),
    make("div", { class: "acts" },
      alarm.state === "unacknowledged" || alarm.state === "returned-unacknowledged" ? act("alarm-acknowledge", "Acknowledge") : null,
      alarm.state === "shelved" ? act("alarm-unshelve", "Take from the shelf") : act("alarm-shelve", "Shelve")));
}
function cellCard(cell) {
  const [letter, words, level] = CONDITIONS[cell.condition], result = cell.result;
  const parts = [make("h3", {}, cell.cell), make("p", { class: level }, make("span", { class: "sign" }, letter), words)];
  if (result && cell.result_is_current) {
    parts.push(make("p", { class: "value" }, "pH " + number(result.ph_reported, 2)), make("p", {}, result.verdict + " result, " + span(result.age_s) + " old, ± " + number(result.ph_expanded_uncertainty, 2) + " at " + number(result.temperature_c, 1, "°C")));
    if (result.verdict === "qualified") parts.push(make("p", { class: "watch" }, "Bear in mind: " + result.qualifiers.join(", ")));
  } else {
    parts.push(make("p", { class: "old" }, "No current result"));
    if (result) parts.push(make("p", { class: "soft" }, "The last one, pH " + number(result.ph_reported, 2) + ", is " + span(result.age_s) + " old (" + clock(result.ended) + ")."));
  }
  const shown = [number(cell.ph, 2) && "pH " + number(cell.ph, 2), number(cell.temperature_c, 1, "°C"), number(cell.conductivity_us_cm, 3, "µS/cm"), number(cell.flow_ml_min, 0, "mL/min")].filter(Boolean);
  const fresh = cell.age_s !== null && cell.age_s < 10;
  parts.push(make("p", {}, "Indication, accepted by nobody: " + (cell.at === null ? "no reading yet" : fresh ? shown.join(", ") : "none; the meter has been silent for " + span(cell.age_s))));
  parts.push(make("p", { class: "soft" }, "Waits for " + cell.waits_for));
  if (result) parts.push(make("button", { type: "button", "data-act": "evidence", on: () => evidenceOf(cell.cell, result.id) }, "Evidence of the last result"));
  return make("article", { "data-level": level }, ...parts);
}

// --- acts
let asked = null;
function ask(name, alarm) {
  asked = { name, alarm };
  by("act-title").textContent = { "alarm-acknowledge": "Acknowledge", "alarm-shelve": "Shelve", "alarm-unshelve": "Take from the shelf" }[name];
  by("act-what").textContent = alarm.title + " of " + alarm.cell;
  by("act-span").hidden = name !== "alarm-shelve";
  by("act-told").textContent = "";
  if (!token) by("token-wanted").hidden = false;
  by("act").showModal();
}
async function act() {
  const body = { cell: asked.alarm.cell, alarm: asked.alarm.alarm, operator: by("act-who").value.trim(), reason: by("act-why").value.trim() };
  if (!body.operator || !body.reason) { by("act-told").textContent = "Say who and why; the record carries both."; return; }
  if (asked.name === "alarm-shelve") body.for_s = Number(by("act-hours").value) * 3600;
  try {
    await get("api/commands/" + asked.name, { method: "POST", body: JSON.stringify(body), headers: { "content-type": "application/json" } });
    by("act").close();
  } catch (error) { by("act-told").textContent = error.message; }
}

// --- records and evidence
function outcome(body) {
  if (body.record === "determination") return body.verdict + (body.ph_reported !== null && body.verdict !== "refused" ? " pH " + body.ph_reported.toFixed(2) : "") + (body.reasons.length ? ": " + body.reasons.join(", ") : "");
  return [body.title, body.event || body.state, body.text].filter(Boolean).join(": ");
}
async function records() {
  try {
    const kind = by("records-kind").value, found = (await (await get("api/records?limit=20" + (kind ? "&kind=" + kind : ""))).json()).records;
    by("records").replaceChildren(...found.map(record => make("tr", {},
      make("td", {}, clock(record.body.at)), make("td", {}, record.body.cell),
      make("td", {}, make("button", { type: "button", on: () => evidence(record) }, record.body.record)), make("td", {}, outcome(record.body)))));
  } catch (error) { by("records").replaceChildren(make("tr", {}, make("td", { colspan: 4 }, error.message))); }
}
function rows(value, name) {
  if (value !== null && typeof value === "object") return Object.entries(value).flatMap(([key, inner]) => rows(inner, name ? name + "." + key : key));
  return [make("tr", {}, make("th", { scope: "row" }, name), make("td", {}, value === null ? "not measured" : String(value)))];
}
function evidence(record) {
  by("evidence-title").textContent = record.body.record + " " + record.body.id;
  by("evidence-fields").replaceChildren(...rows(record.body, ""), ...rows({ seq: record.seq, recorded_at: record.recorded_at, previous: record.previous }, "ledger"));
  by("evidence").showModal();
}
async function evidenceOf(cell, id) {
  const found = (await (await get("api/records?limit=200&kind=determination&cell=" + cell)).json()).records;
  const record = found.find(one => one.body.id === id);
  if (record) evidence(record);
}

// --- trend
async function trend() {
  const cell = by("trend-cell").value;
  if (!cell) return;
  const to = Date.parse(now), from = to - Number(by("trend-span").value) * 3600e3;
  by("trend-told").textContent = "drawing …";
  try {
    const found = await (await get(`api/trend?cell=${cell}&from=${from}&to=${to}`)).json();
    const marks = found.marks.map(mark => ({ t: Date.parse(mark.at), shape: mark.kind === "determination" ? mark.verdict : mark.kind }));
    const figures = TRACES.filter(([name]) => found.traces[name].length).map(([name, title, unit]) => {
      const values = found.traces[name].map(point => point[1]);
      const low = values.reduce((a, b) => Math.min(a, b)), high = values.reduce((a, b) => Math.max(a, b));
      const canvas = make("canvas", { role: "img", "aria-label": `${title} of ${cell}, lowest ${low}, highest ${high} ${unit}` });
      return [make("figure", {}, make("figcaption", {}, `${title}${unit ? ", " + unit : ""}: ${low} to ${high}`), canvas), canvas, found.traces[name], unit];
    });
    by("trend").replaceChildren(...figures.map(figure => figure[0]));
    for (const [, canvas, points, unit] of figures) drawChart(canvas, points, marks, [from, to], unit);
    const count = name => marks.filter(mark => mark.shape === name).length;
    by("trend-told").textContent = `● ${count("accepted")} accepted, ○ ${count("qualified")} qualified, × ${count("refused")} refused, ▲ ${count("episode")} steps of episodes, □ other records`;
  } catch (error) { by("trend-told").textContent = error.message; }
}

// --- the stream
async function listen() {
  for (;;) {
    try {
      const reader = (await get("api/events")).body.pipeThrough(new TextDecoderStream()).getReader();
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
    } catch (error) { lost(error.message); }
    await new Promise(done => setTimeout(done, 2000));
  }
}
// What is no longer live must not look live.
function lost(why) {
  by("link").textContent = "NOT LIVE: " + why;
  if (heard && Date.now() - heard < 5000) return;
  by("cells").replaceChildren(make("p", { class: "old" }, "No connection: nothing here would be current."));
}
setInterval(() => { if (heard && Date.now() - heard > 5000) lost("nothing heard for " + span((Date.now() - heard) / 1000)); }, 1000);
by("act-do").addEventListener("click", act);
by("act-leave").addEventListener("click", () => by("act").close());
by("evidence-close").addEventListener("click", () => by("evidence").close());
by("token-keep").addEventListener("click", () => { token = by("token").value.trim(); sessionStorage.setItem("token", token); by("token-wanted").hidden = true; });
for (const id of ["trend-cell", "trend-span"]) by(id).addEventListener("change", trend);
by("trend-again").addEventListener("click", trend);
by("records-kind").addEventListener("change", records);
setInterval(trend, 60000);
window.addEventListener("resize", () => { clearTimeout(window.redraw); window.redraw = setTimeout(trend, 300); });
listen();
