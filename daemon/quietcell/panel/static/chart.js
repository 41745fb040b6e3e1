// One trace on a canvas: every point drawn, broken where readings were missing, marks below it, bands behind it.
const LEFT = 58, RIGHT = 10, TOP = 8, BOTTOM = 40;
const MINUTE = 60e3, HOUR = 3600e3, DAY = 86400e3;
const TIME_STEPS = [.25, .5, 1, 2, 5, 10, 15, 30].map(n => n * MINUTE).concat([1, 2, 3, 6, 12].map(n => n * HOUR), [1, 2, 7, 14, 30, 60].map(n => n * DAY));
const MARK_NEAR = 12;

// Returns a step of 1, 2 or 5 times a power of ten that gives at most so many of them in a range.
function niceStep(range, most) {
  const power = 10 ** Math.floor(Math.log10(range / most));
  return power * [1, 2, 5, 10].find(factor => range / (factor * power) <= most);
}
function timeLabel(t, step) {
  const text = new Date(t).toISOString();
  if (t % DAY === 0 || step >= DAY) return text.slice(5, 10);
  return step < MINUTE ? text.slice(11, 19) : text.slice(11, 16);
}
export function drawChart(canvas, points, marks, bands, span) {
  const css = getComputedStyle(document.documentElement), colour = name => css.getPropertyValue(name);
  const scale = window.devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
  canvas.width = width * scale; canvas.height = height * scale;
  const pen = canvas.getContext("2d"), w = Math.max(1, width - LEFT - RIGHT), h = height - TOP - BOTTOM;
  pen.scale(scale, scale);
  pen.font = "12px system-ui, sans-serif";
  let low = Infinity, high = -Infinity;
  for (const [, v] of points) { if (v < low) low = v; if (v > high) high = v; }
  if (low === Infinity) { low = 0; high = 1; }
  const room = Math.max((high - low) * 0.08, Math.abs(high) * 0.002, 0.005);
  low -= room; high += room;
  const x = t => LEFT + (t - span[0]) / (span[1] - span[0]) * w, y = v => TOP + (high - v) / (high - low) * h;
  const rule = (x1, y1, x2, y2) => { pen.beginPath(); pen.moveTo(x1, y1); pen.lineTo(x2, y2); pen.stroke(); };

  pen.strokeStyle = colour("--mark"); pen.lineWidth = 1;
  for (const band of bands) {
    const from = Math.max(LEFT, x(band.from)), to = Math.min(LEFT + w, x(band.to));
    if (to <= LEFT || from >= LEFT + w) continue;
    pen.fillStyle = colour("--band"); pen.fillRect(from, TOP, to - from, h);
    pen.setLineDash([3, 3]); rule(from, TOP, from, TOP + h); if (band.to < span[1]) rule(to, TOP, to, TOP + h); pen.setLineDash([]);
  }
  pen.strokeStyle = colour("--line"); pen.fillStyle = colour("--soft");
  const step = niceStep(high - low, 4), decimals = Math.max(0, -Math.floor(Math.log10(step)));
  pen.textAlign = "right";
  for (let v = Math.ceil(low / step) * step; v <= high; v += step) { rule(LEFT, y(v), LEFT + w, y(v)); pen.fillText(v.toFixed(decimals), LEFT - 6, y(v) + 4); }
  const pace = TIME_STEPS.find(one => (span[1] - span[0]) / one <= Math.max(2, w / 80)) || 60 * DAY;
  pen.textAlign = "center";
  for (let t = Math.ceil(span[0] / pace) * pace; t <= span[1]; t += pace) {
    rule(x(t), TOP + h, x(t), TOP + h + 4);
    if (x(t) > LEFT + 16 && x(t) < LEFT + w - 16) pen.fillText(timeLabel(t, pace), x(t), height - 6);
  }
  const gap = Math.max(90e3, (span[1] - span[0]) / 400);
  pen.strokeStyle = colour("--ink"); pen.lineWidth = 1.2; pen.beginPath();
  let before = -Infinity;
  for (const [t, v] of points) {
    if (t - before > gap) pen.moveTo(x(t), y(v)); else pen.lineTo(x(t), y(v));
    before = t;
  }
  pen.stroke();
  for (const mark of marks) drawMark(pen, x(mark.t), TOP + h + 14, mark.shape, colour);
  const nearest = (list, at, px) => list.reduce((best, one) => Math.abs(at(one) - px) < Math.abs(at(best) - px) ? one : best, list[0]);
  return {
    pointAt: px => points.length && px >= LEFT && px <= LEFT + w ? nearest(points, point => x(point[0]), px) : null,
    markAt: px => { const mark = marks.length ? nearest(marks, one => x(one.t), px) : null; return mark && Math.abs(x(mark.t) - px) <= MARK_NEAR ? mark : null; },
  };
}
// Shapes tell the kinds apart, colour only helps.
function drawMark(pen, x, y, shape, colour) {
  pen.fillStyle = pen.strokeStyle = colour({ accepted: "--rest", qualified: "--watch", refused: "--urgent" }[shape] || "--mark");
  pen.lineWidth = 1.5; pen.beginPath();
  if (shape === "accepted") { pen.arc(x, y, 3.5, 0, 7); pen.fill(); }
  else if (shape === "qualified") { pen.arc(x, y, 4, 0, 7); pen.stroke(); }
  else if (shape === "refused") { pen.moveTo(x - 4, y - 4); pen.lineTo(x + 4, y + 4); pen.moveTo(x + 4, y - 4); pen.lineTo(x - 4, y + 4); pen.stroke(); }
  else if (shape === "episode") { pen.moveTo(x, y - 6); pen.lineTo(x + 6, y + 5); pen.lineTo(x - 6, y + 5); pen.closePath(); pen.fill(); }
  else if (shape === "calibration") { pen.moveTo(x, y - 6); pen.lineTo(x + 5, y); pen.lineTo(x, y + 6); pen.lineTo(x - 5, y); pen.closePath(); pen.fill(); }
  else pen.strokeRect(x - 3, y - 3, 6, 6);
}
