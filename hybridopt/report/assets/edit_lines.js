"use strict";
// What is drawn under the grid: the lines that belong together, over what the drive asks for.

const isChosen = (cell) => cell.table === view.table && grid.holds(cell.row, cell.column);

function shiftPicture(asked) {
  const lines = [], up = tables.shift_up.axes, gears = up[0].values;
  for (const [table, broken, skip] of [["shift_up", false, gears.length - 1],
    ["shift_down", true, 0]]) {
    tables[table].axes[0].values.forEach((gear, row) => {
      if (row === skip && gears.length > 1) return;
      const points = tables[table].axes[1].values.map((torque, column) =>
        [state.values[table][row][column][view.layer], torque, { table, row, column }]);
      const to = broken ? gear - 1 : gear + 1;
      lines.push({ points, broken, colour: Math.min(gear, to) - 1,
        name: `${TITLES[table]}, ${gear} to ${to}` });
    });
  }
  const dots = asked.speed.map((v, i) => [v, asked.torque[i]]).filter((p) => p[0] > 0);
  const key = gears.slice(0, -1).map((gear, i) => [`${gear} \u2194 ${gear + 1}`, gear - 1]);
  return { lines, dots, key, chosen: isChosen, x: "speed (km/h)", y: "torque at the wheels (N m)",
    xs: [0, limits(asked.speed, 5)[1] * 1.15],
    text: `Lines up (full) and down (broken) of each pair of gears, ${
      WORDS.engine_on(up[2].values[view.layer])}; dots: ${view.drive}. A click selects a cell.` };
}

function powerPicture(asked) {
  const column = grid.at[1], lines = ["engine_start", "engine_stop"].map((table, i) => ({
    points: tables[table].axes[0].values.map((speed, row) =>
      [speed, state.values[table][row][Math.min(column, tables[table].axes[1].values.length - 1)],
        { table, row, column }]),
    broken: i === 1, colour: 1 + i, name: TITLES[table] }));
  const dots = asked.speed.map((v, i) => [v, asked.power[i]]).filter((p) => p[0] > 0);
  const soc = short(tables[view.table].axes[1].values[column]);
  return { lines, dots, key: [["start", 1], ["stop", 2]], chosen: isChosen, x: "speed (km/h)",
    y: "power at the wheels (kW)",
    text: `Power at which the engine starts (full) and below which it stops (broken) at SoC ${
      soc} %; dots: ${view.drive}. A click selects a cell.` };
}

function rowPicture() {
  const table = view.table, axes = tables[table].axes, one = axes.length === 1;
  const rows = one ? [0] : axes[0].values.map((_, r) => r);
  const near = rows.filter((r) => one || Math.abs(r - grid.at[0]) <= 1);
  const lines = near.map((row) => ({
    points: axes[one ? 0 : 1].values.map((v, i) => [v,
      cellOf(state.values[table], one ? i : row, i),
      { table, row: one ? i : row, column: one ? 0 : i }]),
    broken: !one && row !== grid.at[0], colour: one ? 2 : 1 + (row - grid.at[0] + 1),
    name: one ? TITLES[table] : WORDS[axes[0].name](short(axes[0].values[row])) }));
  const key = lines.map((line) => [line.name, line.colour]);
  return { lines, key, chosen: isChosen, x: AXES[axes[one ? 0 : 1].name], y: tables[table].unit,
    text: `${TITLES[table]}${one ? "" : ", the row of the cell and its neighbours (broken)"}.` };
}
