"use strict";
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const LEFT = 58, RIGHT = 20, TOP = 20, GAP = 8, AXIS = 34;
  const page = JSON.parse(document.getElementById("runs").textContent);
  const groups = [];

  const make = (name, attributes, parent, text) => {
    const node = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    if (text !== undefined) node.textContent = text;
    if (parent) parent.appendChild(node);
    return node;
  };

  const ticks = (low, high, count) => {
    const raw = (high - low) / Math.max(count, 1);
    const scale = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((m) => m * scale).find((s) => s >= raw * 0.999);
    const found = [];
    for (let i = Math.ceil(low / step - 1e-9); i * step <= high + 1e-9 * step; i++)
      found.push(+(i * step).toPrecision(12));
    return found;
  };

  class Group {
    constructor(box, run) {
      this.box = box; this.run = run;
      this.from = run.time[0]; this.to = run.time[run.time.length - 1];
      this.view = [this.from, this.to];
      this.at = null; this.drag = null; this.spot = null;
      this.readout = box.querySelector(".readout");
      this.spoken = box.querySelector(".silent");
      this.holder = box.querySelector(".plots");
      for (const button of box.querySelectorAll("button"))
        button.addEventListener("click", () => this.press(button.dataset.do));
      box.addEventListener("keydown", (event) => this.key(event));
      this.draw();
      new ResizeObserver(() => {
        if (Math.abs(this.holder.clientWidth - this.width) > 2) this.draw();
      }).observe(this.holder);
    }

    x(time) {
      const [a, b] = this.view;
      return LEFT + (time - a) / (b - a) * (this.width - LEFT - RIGHT);
    }

    time(event) {
      const box = this.svg.getBoundingClientRect();
      const x = (event.clientX - box.left) * this.width / box.width;
      const share = (x - LEFT) / (this.width - LEFT - RIGHT);
      const [a, b] = this.view;
      return Math.min(Math.max(a + share * (b - a), a), b);
    }

    step(time) {
      const edges = this.run.time;
      let low = 0, high = edges.length - 2;
      while (low < high) {
        const middle = (low + high + 1) >> 1;
        if (edges[middle] <= time) low = middle; else high = middle - 1;
      }
      return low;
    }

    draw() {
      this.width = Math.max(this.holder.clientWidth, 280);
      const heights = this.run.panels.map((panel) => panel.height);
      const height = heights.reduce((sum, h) => sum + h + TOP + GAP, 0) + AXIS;
      const svg = make("svg", { viewBox: `0 0 ${this.width} ${height}`, role: "img",
        "aria-label": this.run.label });
      this.svg = svg;
      let y = 0;
      this.run.panels.forEach((panel, i) => {
        this.panel(svg, panel, y + TOP, heights[i]);
        y += heights[i] + TOP + GAP;
      });
      const count = Math.max(3, Math.floor(this.width / 90));
      for (const t of ticks(...this.view, count))
        make("text", { x: this.x(t), y: y + 8, "text-anchor": "middle" }, svg, String(t));
      make("text", { x: (LEFT + this.width - RIGHT) / 2, y: y + 26, "text-anchor": "middle" },
        svg, "time (s)");
      this.shade = make("rect", { y: 0, height: y - GAP, width: 0, fill: "#12306e",
        opacity: 0.15 }, svg);
      this.line = make("line", { y1: TOP - 4, y2: y - GAP, stroke: "#22262c",
        "stroke-width": 1.2, visibility: "hidden", class: "cursor" }, svg);
      svg.addEventListener("pointerdown", (event) => this.down(event));
      svg.addEventListener("pointermove", (event) => this.move(event));
      svg.addEventListener("pointerup", (event) => this.up(event));
      svg.addEventListener("pointercancel", () => this.drop());
      svg.addEventListener("dblclick", () => this.press("whole"));
      this.holder.replaceChildren(svg);
      this.show();
    }

    panel(svg, panel, top, height) {
      const right = this.width - RIGHT;
      const id = `${this.run.id}-${panel.name}`;
      const clip = make("clipPath", { id }, svg);
      make("rect", { x: LEFT, y: top - 1, width: right - LEFT, height: height + 2 }, clip);
      make("text", { x: 0, y: top - 6 }, svg, panel.title);
      const [low, high] = panel.range;
      const place = (value) => top + height - (value - low) / (high - low) * height;
      const marks = panel.lanes ? [] : panel.marks || ticks(low, high, Math.floor(height / 24));
      for (const t of ticks(...this.view, Math.max(3, Math.floor(this.width / 90))))
        make("line", { x1: this.x(t), x2: this.x(t), y1: top, y2: top + height,
          stroke: "#dfe2e6" }, svg);
      for (const value of marks) {
        make("line", { x1: LEFT, x2: right, y1: place(value), y2: place(value),
          stroke: "#dfe2e6" }, svg);
        make("text", { x: LEFT - 6, y: place(value) + 4, "text-anchor": "end" }, svg,
          String(value));
      }
      const content = make("g", { "clip-path": `url(#${id})` }, svg);
      if (panel.lanes) this.lanes(content, panel, top, height);
      else for (const series of panel.series) this.series(content, series, place, top + height);
      make("path", { d: `M${LEFT},${top}V${top + height}H${right}`, fill: "none",
        stroke: "#5c6470" }, svg);
    }

    lanes(content, panel, top, height) {
      const codes = this.run.data.mode, edges = this.run.time, lane = height / panel.lanes.length;
      for (let i = 0, j; i < codes.length; i = j) {
        for (j = i + 1; j < codes.length && codes[j] === codes[i];) j++;
        if (edges[j] < this.view[0] || edges[i] > this.view[1]) continue;
        const x = this.x(edges[i]);
        make("rect", { x, y: top + codes[i] * lane + 1, height: lane - 2,
          width: Math.max(this.x(edges[j]) - x, 0.8), fill: panel.lanes[codes[i]].colour,
          stroke: "#5c6470", "stroke-width": 0.3 }, content);
      }
    }

    series(content, series, place, bottom) {
      const values = this.run.data[series.name], edges = this.run.time;
      const zero = Math.min(Math.max(place(0), 0), bottom);
      let path = "", open = false;
      const points = values.length === edges.length;
      for (let i = 0; i < values.length; i++) {
        if (values[i] === null) { open = false; continue; }
        const y = place(values[i]).toFixed(1), x = this.x(edges[i]).toFixed(1);
        if (series.fill && !open) path += `M${x},${zero}`;
        path += open || series.fill ? `L${x},${y}` : `M${x},${y}`;
        if (!points) path += `H${this.x(edges[i + 1]).toFixed(1)}`;
        open = true;
      }
      if (series.fill) path += `V${zero}Z`;
      make("path", { d: path, fill: series.fill ? series.colour : "none",
        stroke: series.colour, "stroke-width": series.fill ? 0.4 : 1.4,
        "stroke-dasharray": series.dash || "none" }, content);
    }

    down(event) {
      if (event.button !== 0 || event.pointerType === "touch") { this.share(this.time(event)); return; }
      this.drag = this.time(event);
      this.svg.setPointerCapture(event.pointerId);
    }

    move(event) {
      const time = this.time(event);
      this.share(time);
      if (this.drag === null) return;
      const a = this.x(Math.min(this.drag, time)), b = this.x(Math.max(this.drag, time));
      this.shade.setAttribute("x", a);
      this.shade.setAttribute("width", b - a);
    }

    up(event) {
      if (this.drag === null) return;
      const a = Math.min(this.drag, this.time(event)), b = Math.max(this.drag, this.time(event));
      this.drop();
      if (this.x(b) - this.x(a) > 8) this.zoom(a, b);
    }

    drop() {
      this.drag = null;
      this.shade.setAttribute("width", 0);
    }

    zoom(a, b) {
      const least = 4 * (this.to - this.from) / (this.run.time.length - 1);
      const middle = (a + b) / 2, half = Math.max(b - a, least) / 2;
      const from = Math.max(middle - half, this.from), to = Math.min(middle + half, this.to);
      for (const group of groups) if (group.run.cycle === this.run.cycle) {
        group.view = [from, to];
        group.draw();
      }
    }

    press(what) {
      const [a, b] = this.view, middle = this.at === null ? (a + b) / 2 : this.at;
      if (what === "whole") this.zoom(this.from, this.to);
      if (what === "in") this.zoom(middle - (b - a) / 4, middle + (b - a) / 4);
      if (what === "out") this.zoom(middle - (b - a), middle + (b - a));
    }

    key(event) {
      if (event.target !== this.box) return;
      const edges = this.run.time, now = this.at === null ? -1 : this.step(this.at);
      const far = event.shiftKey ? 10 : 1;
      const moves = { ArrowRight: now + far, ArrowLeft: now - far, Home: 0, End: edges.length - 2 };
      const acts = { "+": "in", "=": "in", "-": "out", "0": "whole", Escape: "whole" };
      if (event.key in moves) {
        const i = Math.min(Math.max(moves[event.key], 0), edges.length - 2);
        this.share((edges[i] + edges[i + 1]) / 2);
        const [a, b] = this.view;
        if (this.at < a || this.at > b) this.zoom(this.at - (b - a) / 2, this.at + (b - a) / 2);
        this.spoken.textContent = this.readout.textContent;
      } else if (event.key in acts) this.press(acts[event.key]);
      else return;
      event.preventDefault();
    }

    share(time) {
      for (const group of groups) if (group.run.cycle === this.run.cycle) {
        group.at = time;
        group.show();
      }
    }

    show() {
      const hidden = this.at === null || this.at < this.view[0] || this.at > this.view[1];
      this.line.setAttribute("visibility", hidden ? "hidden" : "visible");
      if (this.at === null) return;
      if (!hidden) for (const end of ["x1", "x2"]) this.line.setAttribute(end, this.x(this.at));
      const i = this.step(this.at), parts = [["time", `${this.run.time[i]} s`]];
      for (const [label, name, unit] of this.run.values) {
        const value = this.run.data[name][i];
        const text = name === "mode" ? this.run.modes[value] : value === null ? "none" : value;
        parts.push([label, unit ? `${text} ${unit}` : `${text}`]);
      }
      this.readout.replaceChildren(...parts.map(([label, value]) => {
        const span = document.createElement("span"), bold = document.createElement("b");
        bold.textContent = value;
        span.append(`${label} `, bold, " ");
        return span;
      }));
    }
  }

  page.forEach((run) => {
    const box = document.getElementById(run.id);
    if (box) groups.push(new Group(box, run));
  });
  addEventListener("beforeprint", () => {
    for (const details of document.querySelectorAll("details:not(.long)")) details.open = true;
  });
})();
