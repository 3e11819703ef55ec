"use strict";
// The page: asks the program for every change, and shows what comes back.

const known = JSON.parse(document.getElementById("known").textContent);
const $ = (id) => document.getElementById(id);
const tables = Object.fromEntries(known.tables.map((table) => [table.name, table]));
const TITLES = { engine_start: "engine start", engine_stop: "engine stop",
  electric_limit: "electric limit", motor_torque: "motor torque", shift_up: "shift up",
  shift_down: "shift down" };
const PAIRS = { engine_start: "engine_stop", engine_stop: "engine_start", shift_up: "shift_down",
  shift_down: "shift_up" };
const view = { table: "engine_start", layer: 0, drive: known.drives[0], base: "as opened" };
const then = { values: {}, traces: {} };  // what versions hold, by name
let faults = new Map();  // sentences on broken limits, by table and cell
let state = null, worth = null, queue = Promise.resolve();

class Refused extends Error {}

// --- asking ---

async function send(asked) {
  let answer;
  try {
    answer = await fetch("/", { method: "POST", body: JSON.stringify(asked),
      headers: { "Content-Type": "application/json", "X-Edit-Token": known.token } });
  } catch {
    throw new Refused("The program no longer answers. If it has ended, what was not saved is lost.");
  }
  const message = await answer.json();
  if (answer.status === 409) return conflict(message.error);
  if (message.error) throw new Refused(message.error);
  return message;
}

// Ask one thing after another; what is shown is what came back last. `next` is another drive or
// version to look at, once what it needs is there.
function ask(asked, began, words, next = {}) {
  queue = queue.then(async () => {
    const wanted = { ...view, ...next };
    const message = await send({ revision: state && state.revision, drive: wanted.drive, ...asked });
    if (!message) return null;
    await fetchThen(wanted);
    Object.assign(view, next);
    take(message);
    render();
    if (began) requestAnimationFrame(() => told(words, (performance.now() - began) / 1000));
    else if (words) say(words);
    return message;
  }).catch((error) => {
    if (!(error instanceof Refused)) throw error;
    say(error.message, true);
    return null;
  });
  return queue;
}

function take(message) {
  if (message.worth) worth = message.worth;
  state = message;
  faults = new Map();
  for (const { cells, text } of state.faults) {
    for (const [table, cell] of cells) {
      const at = `${table} ${cell}`;
      if (!faults.has(at)) faults.set(at, []);
      faults.get(at).push(text);
    }
  }
}

// Fetch what the version compared with holds, once.
async function fetchThen({ base, drive }) {
  if (!(base in then.values)) {
    then.values[base] = (await send({ do: "version", name: base })).then;
  }
  const name = `${base}\n${drive}`;
  if (!(name in then.traces)) {
    const got = await send({ do: "trace", drive, version: base });
    then.traces[name] = { asked: got.asked, then: got.then };
  }
}

function say(words, wrong = false) {
  $("said").textContent = words;
  $("said").classList.toggle("wrong", wrong);
}

function told(words, seconds) {
  const total = (drives) => drives.reduce((sum, drive) => sum + drive.cost, 0);
  const cost = total(state.drives), change = cost - total(base().drives);
  say(`${words}: cost at equal SoC ${cost.toFixed(1)} g, ${signed(change, 2)} g against ${view.base}; `
    + `${known.drives.length} drives in ${seconds.toFixed(2)} s`);
  $("said").dataset.seconds = seconds.toFixed(4);
}

const signed = (v, digits) => {
  const text = v.toFixed(digits);
  return Number(text) === 0 ? "0" : minus(v > 0 ? `+${text}` : text);
};
const base = () => state.versions.find((version) => version.name === view.base);

function question(words, answers) {
  const box = $("question"), row = box.querySelector(".row");
  $("asked").textContent = words;
  return new Promise((resolve) => {
    row.replaceChildren(...answers.map((answer, i) => {
      const button = document.createElement("button");
      button.textContent = answer;
      button.addEventListener("click", () => { box.close(); resolve(i); });
      return button;
    }));
    box.oncancel = () => resolve(answers.length - 1);
    box.showModal();
  });
}

async function conflict(words) {
  if (await question(words, ["load them again", "leave this page as it is"]) === 0) {
    take(await send({ do: "state", drive: view.drive }));
    render();
    say("The tables are shown as they are now.");
  }
  return null;
}

// --- changes ---

function act(operation, amount, began) {
  if (operation === "layer") {
    const layers = tables[view.table].axes[2];
    if (layers) view.layer = clamp(view.layer + amount, 0, layers.values.length - 1);
    show();
    return;
  }
  if (operation === "undo" || operation === "redo") {
    const what = state[operation];
    if (what) ask({ do: operation }, began, `${operation} (${what})`);
    else say(`There is nothing to ${operation}.`);
    return;
  }
  if (!Number.isFinite(amount)) { say("That is no number; write one with a point.", true); return; }
  const layered = tables[view.table].axes.length > 2;
  const { rows, columns } = grid.region;
  const count = (rows[1] - rows[0] + 1) * (columns[1] - columns[0] + 1);
  const unit = tables[view.table].unit;
  const words = { set: `set to ${minus(`${amount}`)} ${unit}`, add: `${minus(amount < 0 ? `${amount}` : `+${amount}`)} ${unit}`,
    scale: `scaled to ${amount} %`, back: `as in ${view.base}` }[operation] || operation;
  ask({ do: "edit", table: view.table, rows, columns, operation, version: view.base,
    layer: layered && !$("through").checked ? view.layer : null,
    amount: operation === "scale" ? amount / 100 : amount },
  began, `${TITLES[view.table]}, ${count} ${count > 1 ? "cells" : "cell"} ${words}`);
}

const grid = new Grid($("grid"), act, () => { renderPlace(); renderPicture(); });
grid.value = (row, column) => `${Number(cellOf(state.values[view.table], row, column).toFixed(6))}`;

// --- showing ---

const cellOf = (values, row, column, layer = view.layer) => {
  const across = tables[view.table].axes.length;
  if (across === 1) return values[row];
  return across === 2 ? values[row][column] : values[row][column][layer];
};

// Show another table, layer, view, version or drive.
function show(focus = false) {
  const layers = tables[view.table].axes[2];
  view.layer = layers ? Math.min(view.layer, layers.values.length - 1) : 0;
  grid.build(tables[view.table]);
  $("layers").hidden = $("all").hidden = !layers;
  if (layers) {
    $("layer").replaceChildren(...layers.values.map((v, i) =>
      new Option(WORDS[layers.name](v), i, false, i === view.layer)));
  }
  $("meaning").textContent = `${tables[view.table].meaning} (${tables[view.table].unit})`;
  for (const input of $("tables").querySelectorAll("input")) {
    input.checked = input.value === view.table;
  }
  renderCells();
  grid.go(grid.at, true, focus);
}

function render() {
  renderCells();
  renderDrives();
  renderLists();
  renderPlace();
  renderPicture();
  renderTraces();
}

function renderTraces() {
  const traces = then.traces[`${view.base}\n${view.drive}`];
  drawTraces($("traces"), traces.asked, traces.then, state.now);
  $("tracecaption").textContent = `${view.drive}: as driven now, and broken or grey as with the `
    + `tables ${view.base}. Bands above the speed: engine on, now and then.`;
}

// What a cell shows in the chosen view; the deeper its colour, the larger the value.
function look(row, column) {
  const table = tables[view.table], now = state.values[view.table];
  const value = cellOf(now, row, column), old = cellOf(then.values[view.base][view.table], row, column);
  const changed = Math.abs(value - old) > 1e-9;
  const broken = faultsAt(row, column).length > 0;
  const label = [`${short(value)} ${table.unit} at ${grid.words(row, column, view.layer)}`];
  if (changed) label.push(`${signed(value - old, 3)} against ${view.base}`);
  let text = cellText(value), deep = 0, hue = "tone", unread = false;
  const kind = $("view").value, known = worth && worth.tables ? worth.tables[view.table] : null;
  if (kind === "value") deep = 46 * clamp((value - range[0]) / (range[1] - range[0]), 0, 1);
  else if (kind === "difference") {
    text = changed ? signed(value - old, 1) : "\u00b7";
    hue = value > old ? "more" : "less";
    deep = changed ? 12 + 40 * Math.abs(value - old) / range[1] : 0;
  } else if (known) {
    const found = cellOf(known[kind], row, column);
    unread = cellOf(known.share, row, column) === 0;
    text = unread ? "\u2013" : kind === "share" ? found.toFixed(1) : found === null ? "?"
      : signed(found, clamp(1 - Math.floor(Math.log10(range[1])), 1, 4));
    hue = kind === "share" ? "tone" : found > 0 ? "more" : "less";
    deep = unread ? 0 : 48 * Math.min(Math.abs(found) / range[1], 1);
    label.push(unread ? "no drive reaches it" : `${text} ${kind === "share" ? "% of the time"
      : `g per ${table.unit}`}`);
  }
  if (broken) label.push("breaks a limit");
  const marks = [changed && "changed", broken && "broken", unread && "unread"];
  return { text, label: label.join("; "), deep, hue, marks: marks.filter(Boolean).join(" ") };
}

const cellText = (v) => fixed(v, Math.abs(v) >= 1000 ? 0 : 1);
const faultsAt = (row, column) => {
  const place = [row, column, view.layer].slice(0, tables[view.table].axes.length);
  return faults.get(`${view.table} ${place}`) || [];
};
let range = [0, 1];

function renderCells() {
  if (!state) return;
  const kind = $("view").value, now = state.values[view.table].flat(3);
  const old = then.values[view.base][view.table].flat(3);
  const sizes = { value: () => middle(now), share: () => [0, most("share")],
    difference: () => [0, Math.max(...now.map((v, i) => Math.abs(v - old[i])), 1e-9)],
    cost: () => [0, most("cost")] };
  range = sizes[kind]();
  grid.fill(look);
  for (const label of $("tables").children) {
    const name = label.firstChild.value;
    const before = then.values[view.base][name].flat(3);
    const changed = state.values[name].flat(3).some((v, i) => Math.abs(v - before[i]) > 1e-9);
    label.classList.toggle("changed", changed);
    const broken = state.faults.some(({ cells }) => cells.some(([table]) => table === name));
    label.classList.toggle("broken", broken);
    label.title = [changed && `changed against ${view.base}`, broken && "breaks a limit"]
      .filter(Boolean).join("; ");
  }
  const asks = kind === "cost" || kind === "share";
  $("worthline").hidden = !asks;
  $("worthline").firstElementChild.textContent = worthWords();
  $("worthline").querySelector("button").hidden = worth && !worth.fault
    && (worth.of === state.revision || worth.done < 1 && !worth.tables);
  $("key").textContent = { value: "The deeper the colour, the larger the value.",
    difference: `Difference to ${view.base} in ${tables[view.table].unit}.`,
    cost: `Cost at equal SoC of all drives, g per ${tables[view.table].unit}; below 0 raise the `
      + "cell to save, above 0 lower it. Hatched: no drive reaches the cell.",
    share: "Share of the time of all drives in which the cell is read, %. Hatched: never.",
  }[kind] + " Underlined: changed; !: breaks a limit.";
}

// Between which values colours change: all but the outermost, which would hide the others.
function middle(values) {
  const sorted = [...values].sort((a, b) => a - b), last = sorted.length - 1;
  const low = sorted[Math.round(0.04 * last)], high = sorted[Math.round(0.96 * last)];
  return [low, Math.max(high, low + 1e-9)];
}

function most(kind) {
  if (!worth || !worth.tables) return 1;
  const found = worth.tables[view.table][kind].flat(3).filter((v) => v !== null).map(Math.abs);
  found.sort((a, b) => a - b);
  return found[Math.floor(0.98 * (found.length - 1))] || Math.max(...found, 1e-9);
}

function worthWords() {
  if (!worth) return "Every cell that a drive reads is moved by a step and driven again.";
  if (worth.fault) return `What cells are worth is not known: ${worth.fault}.`;
  if (!worth.tables) return `Working out what cells are worth: ${Math.round(100 * worth.done)} %`;
  const step = `Steps of ${tables[view.table].step} ${tables[view.table].unit}.`;
  return worth.of === state.revision ? step : `${step} Of the tables before the last changes.`;
}

function renderPlace() {
  if (!state) return;
  const [row, column] = grid.at, { rows, columns } = grid.region;
  const count = (rows[1] - rows[0] + 1) * (columns[1] - columns[0] + 1);
  const value = cellOf(state.values[view.table], row, column);
  $("place").textContent = `${grid.words(row, column, view.layer)}: ${minus(value.toFixed(3))} `
    + `${tables[view.table].unit}${count > 1 ? `; ${count} cells are selected` : ""}`;
  const [first, ...more] = faultsAt(row, column);
  $("fault").textContent = first ? `! ${first}${more.length ? `; and ${more.length} more` : ""}` : "";
}

function renderPicture() {
  if (!state) return;
  const asked = then.traces[`${view.base}\n${view.drive}`].asked;
  const picture = view.table.startsWith("shift") ? shiftPicture(asked)
    : view.table.startsWith("engine") ? powerPicture(asked) : rowPicture();
  drawLines($("picture"), picture, (cell) => {
    if (cell.table !== view.table) { view.table = cell.table; show(); }
    if (cell.layer !== undefined && cell.layer !== view.layer) { view.layer = cell.layer; show(); }
    grid.go([cell.row, cell.column], false);
  });
  $("caption").textContent = picture.text;
}

// --- worth ---

async function beginWorth(begin = true) {
  await ask({ do: "worth", begin });
  if (worth && !worth.tables && !worth.fault) setTimeout(() => beginWorth(false), 500);
  else if (worth && worth.tables) say("What cells are worth is shown.");
}

// --- the page's own parts ---

function begin() {
  $("tables").append(...known.tables.map((table) => {
    const label = document.createElement("label");
    const radio = Object.assign(document.createElement("input"),
      { type: "radio", name: "table", value: table.name });
    radio.addEventListener("change", () => { view.table = table.name; show(); });
    label.append(radio, TITLES[table.name]);
    return label;
  }));
  $("layer").addEventListener("change", () => { view.layer = Number($("layer").value); show(); });
  $("view").addEventListener("change", () => {
    const asks = $("view").value === "cost" || $("view").value === "share";
    if (asks && !(worth && worth.tables)) beginWorth();
    renderCells();
  });
  $("base").addEventListener("change", () => {
    ask({ do: "state" }, 0, "", { base: $("base").value });
  });
  $("worthline").querySelector("button").addEventListener("click", () => beginWorth());
  for (const made of document.querySelectorAll("button[data-do]")) {
    made.addEventListener("click", (event) => {
      const needs = ["set", "add", "scale"].includes(made.dataset.do);
      const text = $("amount").value.trim().replace(",", ".");
      if (needs && text === "") { say("Write an amount first.", true); $("amount").focus(); return; }
      act(made.dataset.do, needs ? Number(text) : 0, event.timeStamp);
    });
  }
  $("amount").addEventListener("keydown", (event) => {
    if (event.key === "Enter") document.querySelector("button[data-do=set]").click();
  });
  for (const which of ["undo", "redo"]) {
    $(which).addEventListener("click", (event) => act(which, 0, event.timeStamp));
  }
  addEventListener("keydown", (event) => {
    if (event.target.tagName === "INPUT" || $("grid").contains(event.target)) return;
    const letter = event.key.toLowerCase();
    if (!(event.ctrlKey || event.metaKey) || !["z", "y"].includes(letter)) return;
    act(letter === "y" || event.shiftKey ? "redo" : "undo", 0, event.timeStamp);
    event.preventDefault();
  });
  $("keep").addEventListener("submit", (event) => {
    event.preventDefault();
    const input = $("keep").querySelector("input");
    ask({ do: "keep", name: input.value }, 0, `Kept as ${input.value}.`).then((done) => {
      if (done) input.value = "";
    });
  });
  addEventListener("resize", () => { if (state) { renderPicture(); renderTraces(); } });
  $("save").addEventListener("submit", (event) => { event.preventDefault(); save(false); });
  addEventListener("beforeunload", (event) => {
    if (state && state.unsaved) event.preventDefault();
  });
}

async function save(replace) {
  const [input, select] = [$("save").querySelector("input"), $("save").querySelector("select")];
  const done = await ask({ do: "save", name: input.value, kind: select.value, replace });
  if (!done) return;
  if (done.saved) say(`Saved as ${done.saved}.`);
  else if (await question(`${done.exists} is there already.`, ["replace it", "leave it"]) === 0) {
    save(true);
  }
}

begin();
show();
say("Driving the drives once ...");
ask({ do: "state" }).then(() => {
  if (!state) return;
  say("Choose a cell and write a value; every drive is driven again at once.");
});
