"use strict";
// Pictures of the page: lines of a table over what drives ask for, and traces of a drive.

const SVG = "http://www.w3.org/2000/svg";
const minus = (text) => text.replace("-", "\u2212");
const fixed = (v, digits) => minus((Number(v.toFixed(digits)) + 0).toFixed(digits));

function make(tag, attributes, parent, text) {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (text !== undefined) made.textContent = text;
  parent.append(made);
  return made;
}

function ticks(low, high, count) {
  const rough = Math.max(high - low, 1e-9) / count, power = 10 ** Math.floor(Math.log10(rough));
  const step = power * [1, 2, 5, 10].find((m) => m * power >= rough);
  const found = [];
  for (let x = Math.ceil(low / step) * step; x <= high + 1e-9 * step; x += step) found.push(x);
  return found.map((x) => Number(x.toPrecision(6)));
}

// As wide as there is room for, so that letters keep their size.
const widthOf = (box) => Math.min(Math.max(box.clientWidth, 300), 900);

// An empty chart with axes; returns the drawing and where values lie.
function chart(box, width, height, xs, ys, labels) {
  const pad = { left: 52, right: 10, top: 20, bottom: 32 };
  const svg = make("svg", { viewBox: `0 0 ${width} ${height}`, role: "img",
    "aria-label": labels.text }, box);
  const x = (v) => pad.left + (v - xs[0]) / (xs[1] - xs[0]) * (width - pad.left - pad.right);
  const y = (v) => height - pad.bottom
    - (v - ys[0]) / (ys[1] - ys[0]) * (height - pad.top - pad.bottom);
  for (const v of ticks(xs[0], xs[1], width / 90)) {
    make("path", { class: "axis", d: `M${x(v)},${pad.top}V${height - pad.bottom}` }, svg);
    make("text", { x: x(v), y: height - pad.bottom + 14, "text-anchor": "middle" }, svg,
      minus(`${v}`));
  }
  for (const v of ticks(ys[0], ys[1], height / 55)) {
    make("path", { class: "axis", d: `M${pad.left},${y(v)}H${width - pad.right}` }, svg);
    make("text", { x: pad.left - 5, y: y(v) + 4, "text-anchor": "end" }, svg, minus(`${v}`));
  }
  make("text", { x: pad.left, y: 13 }, svg, labels.y);
  make("text", { x: width - pad.right, y: height - 4, "text-anchor": "end" }, svg, labels.x);
  const inside = make("svg", { x: pad.left - 6, y: pad.top - 6,
    width: width - pad.left - pad.right + 12, height: height - pad.top - pad.bottom + 12,
    viewBox: `${pad.left - 6} ${pad.top - 6} ${width - pad.left - pad.right + 12} ${
      height - pad.top - pad.bottom + 12}` }, svg);
  return { svg: inside, x, y };
}

function limits(values, least) {
  let low = Infinity, high = -Infinity;
  for (const v of values) if (v !== null) { low = Math.min(low, v); high = Math.max(high, v); }
  const room = Math.max(0.06 * (high - low), least);
  return [low - room, high + room];
}

// Lines of a table: each has points [x, y, cell], a colour by number, and may be broken.
function drawLines(box, picture, choose) {
  const key = document.createElement("p");
  key.className = "legend";
  for (const [words, colour] of picture.key) {
    const entry = document.createElement("span");
    entry.textContent = words;
    entry.style.setProperty("--line", `var(--s${colour % 8})`);
    key.append(entry, " ");
  }
  box.replaceChildren(key);
  const all = picture.lines.flatMap((line) => line.points);
  const dots = picture.dots || [];
  const { svg, x, y } = chart(box, widthOf(box), 330,
    picture.xs || limits([...all.map((p) => p[0]), ...dots.map((p) => p[0])], 0.5),
    limits([...all.map((p) => p[1]), ...dots.map((p) => p[1])], 0.5),
    { x: picture.x, y: picture.y, text: picture.text });
  for (const [a, b] of dots) make("circle", { class: "dot", cx: x(a), cy: y(b), r: 1.6 }, svg);
  for (const line of picture.lines) {
    const style = `stroke: var(--s${line.colour % 8}); fill: none`;
    const d = "M" + line.points.map(([a, b]) => `${x(a).toFixed(1)},${y(b).toFixed(1)}`).join("L");
    make("path", { d, style, "stroke-width": 1.7,
      "stroke-dasharray": line.broken ? "6 4" : "none" }, svg);
    for (const [a, b, cell] of line.points) {
      const chosen = picture.chosen(cell);
      const point = make("circle", { class: chosen ? "point chosen" : "point", cx: x(a), cy: y(b),
        r: chosen ? 5 : 3, style: `stroke: var(--s${line.colour % 8})` }, svg);
      make("title", {}, point, line.name);
      point.addEventListener("click", () => choose(cell));
    }
  }
}

// Traces of a drive: as the version compared with drives it (broken), and as it is driven now.
function drawTraces(box, asked, then, now) {
  box.replaceChildren();
  const time = asked.time, ends = [time[0], time[time.length - 1]], width = widthOf(box);
  const gears = Math.max(...now.gear, ...then.gear);
  const panels = [
    ["speed (km/h)", 90, asked.speed, null],
    ["gear", 90, now.gear, then.gear, [0.5, gears + 0.5]],
    ["motor torque (N m)", 100, now.motor, then.motor],
    ["state of charge (%)", 110, now.soc, then.soc],
  ];
  for (const [words, height, values, old, range] of panels) {
    const drawn = chart(box, width, height + 50, ends,
      range || limits([...values, ...(old || [])], 0.5), { x: "time (s)", y: words,
        text: `${words} over time` });
    if (words.startsWith("speed")) band(drawn, time, now.on, then.on, height);
    const path = (list) => list.map((v, i) => list.length === time.length
      ? `${i ? "L" : "M"}${drawn.x(time[i]).toFixed(1)},${drawn.y(v).toFixed(1)}`
      : `${i ? "V" : "M" + drawn.x(time[0]).toFixed(1) + ","}${drawn.y(v).toFixed(1)}`
        + `H${drawn.x(time[i + 1]).toFixed(1)}`).join("");
    if (old) make("path", { class: "old", d: path(old) }, drawn.svg);
    make("path", { class: "new", d: path(values) }, drawn.svg);
  }
}

// When the engine runs: now (upper band) and in the version compared with (lower band).
function band(drawn, time, now, then, height) {
  for (const [on, kind, top] of [[now, "band", 20], [then, "oldband", 26]]) {
    let from = null;
    for (let i = 0; i <= on.length; i++) {
      if (on[i] && from === null) from = i;
      if (!on[i] && from !== null) {
        make("rect", { class: kind, x: drawn.x(time[from]), y: top, height: 5,
          width: drawn.x(time[i]) - drawn.x(time[from]) }, drawn.svg);
        from = null;
      }
    }
  }
}
