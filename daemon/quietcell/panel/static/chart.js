"use strict";
// One trace on a canvas: every point drawn, broken where readings were missing, marks below it.
function drawChart(canvas, points, marks, span, unit) {
  const css = getComputedStyle(document.documentElement);
  const ink = css.getPropertyValue("--ink"), line = css.getPropertyValue("--line"), soft = css.getPropertyValue("--soft");
  const scale = window.devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
  canvas.width = width * scale; canvas.height = height * scale;
  const pen = canvas.getContext("2d");
  pen.scale(scale, scale);
  pen.font = "12px system-ui, sans-serif";
  const left = 58, right = 8, top = 8, bottom = 34, w = width - left - right, h = height - top - bottom;
  const values = points.map(p => p[1]);
  let low = Infinity, high = -Infinity;
  for (const v of values) { if (v < low) low = v; if (v > high) high = v; }
  if (low === Infinity) { low = 0; high = 1; }
  const room = Math.max((high - low) * 0.08, Math.abs(high) * 0.002, 0.005);
  low -= room; high += room;
  const x = t => left + (t - span[0]) / (span[1] - span[0]) * w;
  const y = v => top + (high - v) / (high - low) * h;
  pen.strokeStyle = line; pen.fillStyle = soft; pen.lineWidth = 1;
  const decimals = Math.max(0, Math.min(4, 1 - Math.floor(Math.log10(high - low))));
  for (let i = 0; i <= 3; i++) {
    const v = low + (high - low) * i / 3;
    pen.beginPath(); pen.moveTo(left, y(v)); pen.lineTo(left + w, y(v)); pen.stroke();
    pen.textAlign = "right"; pen.fillText(v.toFixed(decimals), left - 6, y(v) + 4);
  }
  const ticks = Math.max(2, Math.floor(w / 150)), long = span[1] - span[0] > 2 * 86400e3;
  for (let i = 0; i <= ticks; i++) {
    const t = span[0] + (span[1] - span[0]) * i / ticks, text = new Date(t).toISOString();
    pen.textAlign = i === 0 ? "left" : i === ticks ? "right" : "center";
    pen.fillText(long ? text.slice(5, 10) : text.slice(11, 16), x(t), height - 4);
  }
  const gap = Math.max(90e3, (span[1] - span[0]) / 400);
  pen.strokeStyle = ink; pen.lineWidth = 1.2; pen.beginPath();
  let before = -Infinity;
  for (const [t, v] of points) {
    if (t - before > gap) pen.moveTo(x(t), y(v)); else pen.lineTo(x(t), y(v));
    before = t;
  }
  pen.stroke();
  for (const mark of marks) drawMark(pen, x(mark.t), top + h + 9, mark);
  return { left, w, x };
}
// Shapes tell the kinds apart, colour only helps.
function drawMark(pen, x, y, mark) {
  const css = getComputedStyle(document.documentElement);
  pen.fillStyle = pen.strokeStyle = css.getPropertyValue({ accepted: "--rest", qualified: "--watch", refused: "--urgent" }[mark.shape] || "--mark");
  pen.lineWidth = 1.5; pen.beginPath();
  if (mark.shape === "accepted") { pen.arc(x, y, 2.5, 0, 7); pen.fill(); }
  else if (mark.shape === "qualified") { pen.arc(x, y, 4, 0, 7); pen.stroke(); }
  else if (mark.shape === "refused") { pen.moveTo(x - 3, y - 3); pen.lineTo(x + 3, y + 3); pen.moveTo(x + 3, y - 3); pen.lineTo(x - 3, y + 3); pen.stroke(); }
  else if (mark.shape === "episode") { pen.moveTo(x, y - 6); pen.lineTo(x + 5, y + 4); pen.lineTo(x - 5, y + 4); pen.closePath(); pen.fill(); pen.setLineDash([3, 3]); pen.beginPath(); pen.moveTo(x, y - 6); pen.lineTo(x, 8); pen.stroke(); pen.setLineDash([]); }
  else { pen.strokeRect(x - 3, y - 3, 6, 6); }
}
