"use strict";
// What changes come to: the table of drives, and the lists below it.

const COLUMNS = [["fuel", "fuel\u00a0g", 1, 2], ["gap", "cost over bound\u00a0%", 2, 2],
  ["starts", "starts", 0, 0], ["shifts", "shifts", 0, 0], ["soc", "SoC at the end\u00a0%", 2, 2, "plain"]];
const MOST_FAULTS = 60;  // in the list

function renderDrives() {
  const head = row("th", ["drive", ...COLUMNS.map((column) => column[1])]);
  const before = base().drives;
  const lines = state.drives.map((drive, i) => {
    const line = figures(drive, before[i]), label = document.createElement("label");
    const radio = Object.assign(document.createElement("input"), { type: "radio", name: "drive",
      value: drive.name, checked: drive.name === view.drive });
    radio.addEventListener("change", () => ask({ do: "state" }, 0, "", { drive: drive.name }));
    label.append(radio, ` ${drive.name}`);
    if (drive.lacking) label.append(` (lacked power for ${drive.lacking} s, no gap)`);
    const first = document.createElement("th");
    first.scope = "row";
    first.append(label);
    line.prepend(first);
    line.classList.toggle("shown", drive.name === view.drive);
    return line;
  });
  const both = state.drives.map((drive, i) => drive.gap !== null && before[i].gap !== null);
  const all = figures(together(state.drives, both), together(before, both));
  all.prepend(Object.assign(document.createElement("th"), { scope: "row",
    textContent: "all (sums; gap and SoC: means)" }));
  renderComfort(before);
  const focused = document.activeElement && document.activeElement.name === "drive";
  const parts = [["thead", [head]], ["tbody", lines], ["tfoot", lines.length > 1 ? [all] : []]];
  $("drives").replaceChildren(...parts.map(([tag, rows]) => {
    const part = document.createElement(tag);
    part.append(...rows);
    return part;
  }));
  if (focused) $("drives").querySelector("input:checked").focus();
}

// For how long limits of comfort bear on each drive, where the driveline sets any.
function renderComfort(before) {
  $("comfort").hidden = !known.comfort.length;
  if (!known.comfort.length) return;
  const columns = known.comfort.map(([key, words]) => [key, words, 0, 0, "plain"]);
  const lines = state.drives.map((drive, i) => {
    const line = figures(drive, before[i], columns);
    line.prepend(Object.assign(document.createElement("th"), { scope: "row",
      textContent: drive.name }));
    return line;
  });
  const head = document.createElement("thead"), body = document.createElement("tbody");
  head.append(row("th", ["drive", ...columns.map((column) => column[1])]));
  body.append(...lines);
  $("comfort").querySelector("table").replaceChildren(head, body);
}

// All drives as one; the gap is the mean of those `both` versions have one of.
function together(drives, both) {
  const sum = (key) => drives.reduce((total, drive) => total + drive[key], 0);
  const gaps = drives.filter((_, i) => both[i]).map((drive) => drive.gap);
  return { fuel: sum("fuel"), starts: sum("starts"), shifts: sum("shifts"),
    soc: sum("soc") / drives.length,
    gap: gaps.length ? gaps.reduce((a, b) => a + b, 0) / gaps.length : null };
}

function figures(now, before, columns = COLUMNS) {
  const line = document.createElement("tr");
  for (const [key, , digits, finer, plain] of columns) {
    const cell = document.createElement("td"), change = document.createElement("small");
    const known = now[key] !== null && before[key] !== null;
    cell.append(now[key] === null ? "\u2013" : fixed(now[key], digits), change);
    const by = known ? now[key] - before[key] : 0;
    change.textContent = known ? signed(by, finer) : "";
    const matters = !plain && Number(by.toFixed(finer)) !== 0;
    change.className = !matters ? "" : by < 0 ? "better" : "worse";
    line.append(cell);
  }
  return line;
}

function row(tag, texts) {
  const made = document.createElement("tr");
  made.append(...texts.map((text) => Object.assign(document.createElement(tag),
    { textContent: text, scope: "col" })));
  return made;
}

function item(parts) {
  const made = document.createElement("li");
  made.append(...parts);
  return made;
}

function button(text, action) {
  const made = Object.assign(document.createElement("button"), { type: "button", textContent: text });
  made.addEventListener("click", action);
  return made;
}

function jump(table, index) {
  view.table = table;
  view.layer = index[2] ?? view.layer;
  show();
  grid.go([index[0] ?? 0, index[1] ?? 0], false);
}

function renderLists() {
  for (const which of ["undo", "redo"]) {
    $(which).disabled = !state[which];
    $(which).title = state[which];
  }
  const shown = state.faults.slice(0, MOST_FAULTS), left = state.faults.length - shown.length;
  $("faults").replaceChildren(...shown.map(({ cells, text }) => item([
    cells.length ? button(text, () => jump(...cells[0])) : text])));
  if (!shown.length) $("faults").append(item(["none"]));
  if (left) $("faults").append(item([`and ${left} more; "!" marks their cells`]));
  const rows = worth && worth.rows ? worth.rows : [];
  $("ranked").replaceChildren(...rows.map((found) => item([
    button(`${TITLES[found.table]} at ${found.place}`, () => jump(found.table, found.cell)),
    `: ${signed(found.step, 1)} ${found.unit} saves ${(-found.cost).toFixed(2)} g`])));
  if (!rows.length) {
    $("ranked").append(button("work out what cells are worth", () => {
      $("view").value = "cost";
      beginWorth();
    }));
  }
  $("versions").replaceChildren(...state.versions.map((version) => item([version.name, " ",
    button("take it", (event) => ask({ do: "take", name: version.name }, event.timeStamp,
      `back to ${version.name}`))])));
  $("base").replaceChildren(...state.versions.map((version) =>
    new Option(version.name, version.name, false, version.name === view.base)));
  document.title = `${state.unsaved ? "* " : ""}${document.querySelector("h1").textContent}`;
}
