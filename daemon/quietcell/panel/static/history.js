// What was: trends with what happened on them, records, and the evidence behind each.
import { by, clock, json, make, number, settle, span, time } from "./page.js";
import { drawChart } from "./chart.js";

const TRACES = [["ph", "pH at 25 °C", "", 2], ["conductivity_us_cm", "Conductivity", "µS/cm", 3], ["temperature_c", "Temperature", "°C", 2], ["flow_ml_min", "Flow", "mL/min", 1]];
const SHAPES = { "episode": "▲ episodes", "calibration": "◆ calibrations and checks", "accepted": "● accepted", "qualified": "○ qualified", "refused": "× refused", "other": "□ alarms, gaps and notes" };
const MOST_LISTED = 60, PAGE = 20, MOST_RECORDS = 200;
let now = "", lastSeq = -1, drawn = -Infinity, drawnSeq = -1, pages = 1;
let chosen = false;  // until somebody chooses, the cell with the most urgent alarm is drawn

// --- records
let decimals = {};  // of the reported pH, by cell
export function recordsChanged(live) {
  decimals = Object.fromEntries(live.cells.map(cell => [cell.cell, cell.ph_decimals]));
  if (live.seq !== lastSeq) { lastSeq = live.seq; records(); }
}

function outcome(body) {
  if (body.record === "determination") {
    const why = body.verdict === "qualified" ? [...body.qualifiers, ...(body.episodes || []).map(id => "episode " + id)] : body.reasons;
    return body.verdict + (body.verdict !== "refused" ? " pH " + number(body.ph_reported, decimals[body.cell] ?? 2) : "") + (body.sample_id ? " of " + body.sample_id : "") + (why.length ? ": " + why.join(", ") : "");
  }
  if (body.record === "gap") return body.cause + ", " + span(body.gap_s);
  if (body.record === "alarm") return body.title + ", " + body.event.replaceAll("-", " ") + (body.operator ? " by " + body.operator : "") + (body.reason ? ": " + body.reason : body.event === "raised" ? ". " + body.text : "");
  return [body.verdict || body.state, body.text].filter(told => told && typeof told === "string").join(": ");
}
async function records() {
  const cell = by("records-cell").value, kind = by("records-kind").value, limit = Math.min(MOST_RECORDS, pages * PAGE);
  try {
    const found = (await json(`api/records?limit=${limit}${cell ? "&cell=" + cell : ""}${kind ? "&kind=" + kind : ""}`)).records;
    settle(by("records"), found.map(({ seq, body }) => make("li", { "data-key": "r" + seq },
      make("span", { class: "when" }, clock(body.at)), make("span", {}, body.cell),
      make("button", { type: "button", "data-act": "evidence", "data-record": seq, "aria-label": `${body.record} of ${body.cell}, ${time(body.at)}` }, body.record),
      make("span", { class: "outcome" }, outcome(body)))));
    by("records-more").hidden = found.length < limit || limit === MOST_RECORDS;
  } catch (error) { settle(by("records"), [make("li", { "data-key": "none" }, error.message)]); }
}

// --- evidence
const UNITS = [["_mv_per_min", "mV/min"], ["_c_per_min", "°C/min"], ["_us_cm", "µS/cm"], ["_ml_min", "mL/min"], ["_ug_per_l", "µg/L"], ["_pct", "%"], ["_mv", "mV"], ["_c", "°C"], ["_s", "s"], ["_d", "d"]];
function label(path) {
  const unit = UNITS.find(([ending]) => path.endsWith(ending));
  return (unit ? path.slice(0, -unit[0].length) : path).replaceAll("_", " ").replaceAll(".", ": ") + (unit ? ", " + unit[1] : "");
}
function rows(value, path) {
  if (Array.isArray(value) && value.every(one => typeof one !== "object")) value = value.length ? value.join(", ") : "none";
  if (value !== null && typeof value === "object") return Object.entries(value).flatMap(([key, inner]) => rows(inner, path ? path + "." + key : key));
  const told = value === null ? "–" : value === true ? "yes" : value === false ? "no" : String(value);
  return [make("tr", {}, make("th", { scope: "row" }, label(path)), make("td", {}, told))];
}
// By the number of a record or its id.
export async function evidence(name) {
  const record = await json("api/records/" + name), body = record.body;
  by("evidence-title").textContent = body.record + " of " + body.cell + ", " + clock(body.at) + " UTC";
  by("evidence-outcome").textContent = outcome(body);
  by("evidence-fields").replaceChildren(...rows(body, ""), ...rows({ seq: record.seq, recorded_at: record.recorded_at, previous: record.previous }, "ledger"));
  by("evidence-charts").replaceChildren();
  if (!by("evidence").open) by("evidence").showModal();
  by("evidence").scrollTop = 0;
  if (body.record !== "determination") return;
  const from = Date.parse(body.began) - 60e3, to = Date.parse(body.ended) + 30e3, judged = Date.parse(body.ended) - 1000 * (body.window_s || 0);
  const { traces } = await json(`api/trend?cell=${body.cell}&from=${from}&to=${to}&attended=1`);
  draw(by("evidence-charts"), traces, [], [{ from: judged, to: Date.parse(body.ended) }], [from, to], body.cell, ["ph", "conductivity_us_cm"]);
}

// --- trend
export function trendMayBeOld(live, suspect) {
  now = live.now;
  const choice = by("trend-cell"), names = live.cells.map(cell => cell.cell);
  if ([...choice.options].map(option => option.value).join() !== names.join()) {
    choice.replaceChildren(...names.map(name => make("option", {}, name)));
    by("records-cell").replaceChildren(make("option", { value: "" }, "all"), ...names.map(name => make("option", {}, name)), make("option", {}, "daemon"));
    drawn = -Infinity;
  }
  if (!chosen && names.includes(suspect) && choice.value !== suspect) { choice.value = suspect; drawn = -Infinity; }
  const age = performance.now() - drawn;
  if (age > 60e3 || (age > 10e3 && live.seq !== drawnSeq && Number(by("trend-span").value) <= 24)) { drawnSeq = live.seq; trend(); }
}
function draw(place, traces, marks, bands, span, cell, wanted) {
  const figures = TRACES.filter(([name]) => traces[name].length && (!wanted || wanted.includes(name))).map(([name, title, unit, digits]) => {
    const values = traces[name].map(point => point[1]);
    const low = values.reduce((a, b) => Math.min(a, b)).toFixed(digits), high = values.reduce((a, b) => Math.max(a, b)).toFixed(digits);
    const canvas = make("canvas", { role: "img", "aria-label": `${title} of ${cell}, lowest ${low}, highest ${high} ${unit}` });
    const readout = make("span", { class: "readout", "aria-hidden": "true" });
    const caption = make("figcaption", {}, make("strong", {}, title), `${unit ? " (" + unit + ")" : ""}: ${low} to ${high} `, readout);
    return { figure: make("figure", {}, caption, canvas), canvas, points: traces[name], readout, digits, unit };
  });
  place.replaceChildren(...figures.map(one => one.figure));
  for (const one of figures) {
    const chart = drawChart(one.canvas, one.points, marks, bands, span);
    one.canvas.addEventListener("pointermove", event => {
      const point = chart.pointAt(event.offsetX);
      one.readout.textContent = point ? `· ${clock(new Date(point[0]).toISOString())}: ${point[1].toFixed(one.digits)} ${one.unit}` : "";
    });
    one.canvas.addEventListener("click", event => { const mark = chart.markAt(event.offsetX); if (mark) evidence(mark.seq); });
  }
}
// An episode is there from where it is thought to have begun until its last step says that it is over.
function bandsOf(marks, to) {
  const bands = new Map();
  for (const mark of marks.filter(one => one.kind === "episode")) {
    const began = Date.parse(mark.began || mark.at), end = mark.state === "closed" ? Date.parse(mark.at) : to;
    bands.set(mark.episode, { from: Math.min(began, (bands.get(mark.episode) || { from: began }).from), to: end });
  }
  return [...bands.values()];
}
const shapeOf = mark => mark.kind === "determination" ? mark.verdict : mark.kind === "check" ? "calibration" : mark.kind in SHAPES ? mark.kind : "other";

async function trend() {
  const cell = by("trend-cell").value;
  if (!cell || !now) return;
  drawn = performance.now();
  const to = Date.parse(now), wanted = to - Number(by("trend-span").value) * 3600e3;
  by("trend").setAttribute("aria-busy", "true");
  try {
    const found = await json(`api/trend?cell=${cell}&from=${wanted}&to=${to}`);
    const first = Math.min(to, ...Object.values(found.traces).filter(trace => trace.length).map(trace => trace[0][0]));
    const from = first < to ? Math.max(wanted, first - (to - first) * 0.02) : wanted;  // no empty half of a chart
    const marks = found.marks.filter(mark => Date.parse(mark.at) >= from).map(mark => ({ ...mark, t: Date.parse(mark.at), shape: shapeOf(mark) }));
    draw(by("trend"), found.traces, marks, bandsOf(found.marks, to), [from, to], cell);
    const counts = Object.entries(SHAPES).map(([shape, words]) => [marks.filter(mark => mark.shape === shape).length, words]);
    by("trend-told").textContent = (first < to ? "Readings from " + clock(new Date(first).toISOString()) + " on. " : "No readings in this span. ")
      + counts.filter(([count]) => count).map(([count, words]) => `${words}: ${count}`).join(" · ") + (marks.some(mark => mark.kind === "episode") ? " (shaded while it lasts)" : "")
      + (found.attended.length ? ". Left out: what was read while someone worked at the cell or it was sanitised." : "");
    by("marks-title").textContent = `What happened, as a list (${marks.length > MOST_LISTED ? "the last " + MOST_LISTED + " of " : ""}${marks.length})`;
    settle(by("marks"), marks.slice(-MOST_LISTED).reverse().map(mark => make("li", { "data-key": "m" + mark.seq },
      make("span", { class: "when" }, clock(mark.at)),
      make("button", { type: "button", "data-act": "evidence", "data-record": mark.seq, "aria-label": `${mark.kind}, ${time(mark.at)}` }, mark.kind),
      make("span", { class: "outcome" }, [mark.verdict, mark.title, mark.state].filter(Boolean).join(", ")))));
  } catch (error) { by("trend-told").textContent = error.message; }
  by("trend").removeAttribute("aria-busy");
}

for (const id of ["trend-cell", "trend-span"]) by(id).addEventListener("change", () => { chosen = true; trend(); });
for (const id of ["records-cell", "records-kind"]) by(id).addEventListener("change", () => { pages = 1; records(); });
by("records-more").addEventListener("click", () => { pages += 1; records(); });
by("trend-again").addEventListener("click", trend);
by("evidence-close").addEventListener("click", () => by("evidence").close());
let redraw;
window.addEventListener("resize", () => { clearTimeout(redraw); redraw = setTimeout(trend, 300); });
