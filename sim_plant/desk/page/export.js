// Trends as files: CSV of the rows that are drawn, PNG of what is drawn.

/** Readings with their units, and the state of the unit at each row. */
export function csvOf(rows, unit, about) {
  const table = [["t_s", ...columns(rows.bank, about.bank_signals, ""), ...columns(rows.unit, about.unit_signals, `unit${unit}_`), `unit${unit}_state`]];
  const own = rows.changes.filter(([, whose]) => whose === unit);
  let place = -1;
  rows.t_s.forEach((tS, i) => {
    while (place + 1 < own.length && own[place + 1][0] <= tS * 1000) place += 1;
    const state = place >= 0 ? (about.states[own[place][2]]?.name ?? "") : "";
    const values = [...Object.values(rows.bank), ...Object.values(rows.unit)].map((column) => column[i] ?? "");
    table.push([tS, ...values, state]);
  });
  return table.map((line) => line.join(",")).join("\r\n") + "\r\n";
}

function columns(values, signals, prefix) {
  return Object.keys(values).map((name) => {
    const row = signals.find((signal) => signal.name === name);
    return `${prefix}${name.replace("_ma", "")} (${row.unit})`;
  });
}

/** All charts below each other, on white, with their titles. */
export function pngOf(charts, titles, head) {
  const scale = window.devicePixelRatio || 1;
  const line = 20 * scale;
  const width = Math.max(...charts.map((u) => u.ctx.canvas.width));
  const canvas = document.createElement("canvas");
  canvas.width = width;
  canvas.height = line * 1.5 + charts.reduce((sum, u) => sum + u.ctx.canvas.height + line, 0);
  const ctx = canvas.getContext("2d");
  ctx.fillStyle = "#ffffff";
  ctx.fillRect(0, 0, canvas.width, canvas.height);
  ctx.fillStyle = "#1d2422";
  ctx.font = `${11 * scale}px system-ui`;
  ctx.fillText(head, 8 * scale, line * 0.8, width - 16 * scale);
  let y = line * 1.5;
  charts.forEach((u, i) => {
    ctx.fillText(titles[i], 8 * scale, y + line * 0.6);
    ctx.drawImage(u.ctx.canvas, 0, y + line * 0.8);
    y += u.ctx.canvas.height + line;
  });
  return new Promise((resolve) => canvas.toBlob(resolve, "image/png"));
}

export function download(name, blob) {
  const link = document.createElement("a");
  link.download = name;
  link.href = URL.createObjectURL(blob);
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}
