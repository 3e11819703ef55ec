"use strict";
// The grid of cells: what is selected, the keys, and writing a value into cells.

const WORDS = {
  speed: (v) => `${v} km/h`, soc: (v) => `SoC ${v} %`, input_speed: (v) => `${v} rpm`,
  input_torque: (v) => `${v} N m`, wheel_torque: (v) => `${v} N m`, gear: (v) => `gear ${v}`,
  engine_on: (v) => Number(v) ? "engine on" : "engine off",
};
const AXES = { speed: "speed km/h", soc: "SoC %", input_speed: "input speed rpm",
  input_torque: "input torque N m", wheel_torque: "wheel torque N m", gear: "gear",
  engine_on: "engine" };
const short = (v) => minus(Math.abs(v) >= 100 ? v.toFixed(0) : `${Number(v.toPrecision(3))}`);
const clamp = (v, low, high) => Math.min(Math.max(v, low), high);

class Grid {
  // `act` is told what the user wants: act(operation, amount, began), act("undo"), ...
  constructor(table, act, moved) {
    Object.assign(this, { table, act, moved, shown: null, at: [0, 0], from: [0, 0], cells: [] });
    table.addEventListener("keydown", (event) => this.key(event));
    table.addEventListener("mousedown", (event) => this.press(event));
    table.addEventListener("mouseover", (event) => {
      const cell = event.target.closest("td");
      if (event.buttons === 1 && this.dragging && cell) this.go(this.placeOf(cell), true);
    });
    addEventListener("mouseup", () => { this.dragging = false; });
    table.addEventListener("dblclick", (event) => {
      if (event.target.closest("td")) this.write("set", null);
    });
  }

  get region() {
    const [a, b] = [this.from, this.at];
    return { rows: [Math.min(a[0], b[0]), Math.max(a[0], b[0])],
      columns: [Math.min(a[1], b[1]), Math.max(a[1], b[1])] };
  }

  holds(row, column) {
    const { rows, columns } = this.region;
    return row >= rows[0] && row <= rows[1] && column >= columns[0] && column <= columns[1];
  }

  placeOf(cell) { return [Number(cell.dataset.row), Number(cell.dataset.column)]; }

  // Build the cells of a table; what they show comes with `fill`.
  build(shown) {
    const [rows, columns] = [shown.axes[0], shown.axes[1]];
    const same = this.shown && this.shown.name === shown.name;
    this.shown = shown;
    if (!same) { this.at = [0, 0]; this.from = [0, 0]; }
    const element = (tag, text, attributes) => {
      const made = document.createElement(tag);
      made.textContent = text;
      for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
      return made;
    };
    const head = document.createElement("thead"), body = document.createElement("tbody");
    const caption = element("caption", `Down: ${AXES[rows.name]}`
      + (columns ? `; across: ${AXES[columns.name]}` : "") + `; cells: ${shown.unit}`, {});
    const top = element("tr", "", { role: "row" });
    top.append(element("th", rows.unit === "1" ? "" : rows.unit,
      { scope: "col", role: "columnheader", "aria-label": "all cells" }));
    const across = columns ? columns.values : [null];
    across.forEach((v, c) => top.append(element("th", v === null ? shown.unit : short(v),
      { scope: "col", role: "columnheader", "data-column": c })));
    head.append(top);
    this.cells = rows.values.map((v, r) => {
      const row = element("tr", "", { role: "row" });
      row.append(element("th", short(v), { scope: "row", role: "rowheader", "data-row": r }));
      const cells = across.map((_, c) => element("td", "", { role: "gridcell", tabindex: -1,
        "data-row": r, "data-column": c }));
      row.append(...cells);
      body.append(row);
      return cells;
    });
    this.table.replaceChildren(caption, head, body);
    this.table.setAttribute("aria-rowcount", rows.values.length + 1);
    this.table.setAttribute("aria-colcount", across.length + 1);
  }

  words(row, column, layer) {
    const axes = this.shown.axes, at = [row, column, layer];
    return axes.map((axis, i) => WORDS[axis.name](short(axis.values[at[i]]))).join(", ");
  }

  // Show text, colour and marks of every cell: look(row, column) gives them.
  fill(look) {
    this.cells.forEach((cells, r) => cells.forEach((cell, c) => {
      const { text, label, deep, hue, marks } = look(r, c);
      if (!cell.firstElementChild) cell.textContent = text;
      cell.setAttribute("aria-label", label);
      cell.className = marks;
      cell.style.setProperty("--deep", deep.toFixed(1));
      cell.style.setProperty("--hue", `var(--${hue})`);
      cell.toggleAttribute("aria-invalid", marks.includes("broken"));
    }));
    this.mark();
  }

  mark() {
    this.cells.forEach((cells, r) => cells.forEach((cell, c) => {
      cell.setAttribute("aria-selected", this.holds(r, c));
      cell.tabIndex = r === this.at[0] && c === this.at[1] ? 0 : -1;
    }));
  }

  go(place, extend, focus = true) {
    this.at = [clamp(place[0], 0, this.cells.length - 1),
      clamp(place[1], 0, this.cells[0].length - 1)];
    if (!extend) this.from = [...this.at];
    this.mark();
    if (focus) this.focus();
    this.moved();
  }

  focus() { this.cells[this.at[0]][this.at[1]].focus(); }

  select(from, to) { this.from = from; this.go(to, true); }

  press(event) {
    if (event.target.tagName === "INPUT") return;
    const cell = event.target.closest("td"), head = event.target.closest("th");
    const last = [this.cells.length - 1, this.cells[0].length - 1];
    if (cell) {
      this.dragging = true;
      this.go(this.placeOf(cell), event.shiftKey);
    } else if (head && head.dataset.row) {
      this.select([Number(head.dataset.row), 0], [Number(head.dataset.row), last[1]]);
    } else if (head && head.dataset.column) {
      this.select([0, Number(head.dataset.column)], [last[0], Number(head.dataset.column)]);
    } else if (head) this.select([0, 0], last);
    event.preventDefault();
  }

  // Write a value into the active cell; Enter has it taken for all that is selected.
  write(operation, first) {
    const cell = this.cells[this.at[0]][this.at[1]], shows = cell.textContent;
    const input = document.createElement("input");
    const hints = { set: "value", add: "added", scale: "%" };
    input.setAttribute("aria-label", `${hints[operation]} in ${this.shown.unit}`);
    input.placeholder = hints[operation];
    input.value = first !== null ? first : this.value(this.at[0], this.at[1]);
    cell.replaceChildren(input);
    input.focus();
    if (first === null) input.select();
    let open = true;
    const close = (take, event) => {
      if (!open) return;
      open = false;
      const text = input.value.trim().replace("\u2212", "-").replace(",", ".");
      cell.textContent = shows;
      this.focus();
      if (take && text !== "") this.act(operation, Number(text), event.timeStamp);
    };
    input.addEventListener("keydown", (event) => {
      event.stopPropagation();
      if (event.key === "Enter" || event.key === "Tab") { event.preventDefault(); close(true, event); }
      if (event.key === "Escape") close(false, event);
    });
    input.addEventListener("blur", (event) => close(false, event));
  }

  key(event) {
    if (event.target.tagName === "INPUT") return;
    const [r, c] = this.at, last = [this.cells.length - 1, this.cells[0].length - 1];
    const moves = { ArrowUp: [r - 1, c], ArrowDown: [r + 1, c], ArrowLeft: [r, c - 1],
      ArrowRight: [r, c + 1], Home: [event.ctrlKey ? 0 : r, 0],
      End: [event.ctrlKey ? last[0] : r, last[1]] };
    const began = event.timeStamp, step = this.shown.step, letter = event.key.toLowerCase();
    const control = event.ctrlKey || event.metaKey;
    const acts = { s: ["smooth"], i: ["interpolate"], delete: ["back"], pageup: ["add", step],
      pagedown: ["add", -step], "[": ["layer", -1], "]": ["layer", 1] };
    if (event.key in moves) this.go(moves[event.key], event.shiftKey);
    else if (control && letter === "a") this.select([0, 0], last);
    else if (control && letter === "z") this.act(event.shiftKey ? "redo" : "undo", 0, began);
    else if (control && letter === "y") this.act("redo", 0, began);
    else if (event.key === " " && event.shiftKey) this.select([r, 0], [r, last[1]]);
    else if (event.key === " " && control) this.select([0, c], [last[0], c]);
    else if (control || event.altKey) return;
    else if (/^[0-9.,-]$/.test(event.key)) this.write("set", event.key);
    else if (event.key === "Enter" || event.key === "F2") this.write("set", null);
    else if (letter === "a") this.write("add", "");
    else if (letter === "p") this.write("scale", "");
    else if (letter in acts) this.act(...acts[letter].concat(acts[letter].length < 2 ? [0] : []),
      began);
    else return;
    event.preventDefault();
  }
}
