// Trends of the unit that is picked and of the bank, with limits, and the state strips of all units below them.

import { readHistory } from "./ask.js";
import { byId, clockText, html, setText } from "./dom.js";
import { csvOf, download, pngOf } from "./export.js";
import { drawStrips, stripHeight } from "./strips.js";

const PANELS = [
  { title: "Feed, bar", series: [["bank", "header_ma", "header"], ["unit", "suction_ma", "suction"]], limits: ["header_ma", "suction_ma"], height: 120 },
  { title: "Membrane, bar", series: [["unit", "membrane_ma", "membrane"]], limits: ["membrane_ma"], height: 120 },
  { title: "Permeate, uS/cm", series: [["unit", "permeate_cond_ma", "permeate"]], limits: ["permeate_cond_ma"], height: 120 },
  { title: "Flow, m³/h", series: [["unit", "permeate_flow_ma", "permeate"], ["unit", "concentrate_flow_ma", "concentrate"]], limits: [], height: 110 },
  { title: "Product tank, %", series: [["bank", "tank_level_ma", "level"]], limits: ["tank_level_ma"], height: 110 },
];
const PENS = [{ stroke: "#1d2422", width: 1.6 }, { stroke: "#6d7673", width: 1.4, dash: [7, 3] }];
const WINDOWS = { "5 min": 300, "15 min": 900, "1 h": 3600, "6 h": 21600, "a day": 86400 };
const REFRESH_MS = 1000;
const LEFT = 58;
const FOLLOWING = "drag to zoom; rows by the second";
const OF_RECORD = "drag to zoom; rows of the record, each scan when near enough";
const THINNED = "least, greatest and last of each stretch";

export class Trends {
  constructor(about, pickedUnit) {
    this.about = about;
    this.pickedUnit = pickedUnit;
    this.nowS = 0;
    this.range = null; // [from, to] in seconds while frozen or zoomed, null while it follows
    this.rows = { t_s: [], bank: {}, unit: {}, changes: [], marks: [] };
    this.readAt = 0;
    this.reading = null; // a promise while rows are on their way
    this.wanted = false;
    this.later = 0;
    this.dragging = false; // nothing is drawn anew under a pointer that draws a window
    this.shown = null; // the range that is drawn
    this.charts = [];
    this.head = html("h2", {}, "Trends");
    this.windowS = html("select", { id: "trend-window", "aria-label": "Window" }, ...Object.entries(WINDOWS).map(([words, s]) => html("option", { value: s }, words)));
    this.windowS.value = 900;
    this.freeze = html("button", { type: "button", id: "trend-freeze", "aria-pressed": false }, "Freeze");
    this.hint = html("span", { class: "quiet", id: "trend-hint" }, this.following());
    this.places = PANELS.map((panel) => html("div", { class: "chart", role: "img", "aria-label": panel.title }));
    this.stripPlace = html("div", { class: "chart", role: "img", "aria-label": "States of all units" });
    this.controls();
    byId("trends").append(...PANELS.flatMap((panel, i) => [html("h3", {}, this.panelTitle(panel)), this.places[i]]), html("h3", {}, "States"), this.stripPlace);
    this.build();
    byId("trends").addEventListener("pointerdown", (event) => this.pressed(event));
    for (const end of ["pointerup", "pointercancel"]) document.addEventListener(end, () => this.dropped());
    new ResizeObserver(() => this.resize()).observe(byId("trends"));
  }

  following() {
    return this.about.takes_wishes || this.about.live ? FOLLOWING : OF_RECORD;
  }

  panelTitle(panel) {
    const pens = ["solid", "dashed"];
    return panel.series.length < 2 ? panel.title : `${panel.title}: ${panel.series.map(([, , words], i) => `${words} ${pens[i]}`).join(", ")}`;
  }

  controls() {
    const button = (id, text, onclick, words) => html("button", { type: "button", id, onclick, "aria-label": words ?? text }, text);
    this.windowS.addEventListener("change", () => this.follow());
    this.freeze.addEventListener("click", () => (this.range ? this.follow() : this.stopAt(this.span())));
    byId("trends").append(
      html(
        "div",
        { class: "trend-head" },
        this.head,
        html("label", {}, "Window ", this.windowS),
        this.freeze,
        button("trend-in", "+", () => this.zoom(0.5), "Zoom in"),
        button("trend-out", "−", () => this.zoom(2), "Zoom out"),
        button("trend-earlier", "◀", () => this.shift(-0.5), "Earlier"),
        button("trend-later", "▶", () => this.shift(0.5), "Later"),
        button("trend-csv", "CSV", () => this.saveCsv(), "Export as CSV"),
        button("trend-png", "PNG", () => this.savePng(), "Export as PNG"),
        this.hint,
      ),
    );
  }

  build() {
    const width = this.width();
    for (const [i, panel] of PANELS.entries()) {
      const series = panel.series.map(([, , words], place) => ({ label: words, ...PENS[place], points: { show: false } }));
      this.charts.push(new uPlot(this.options(width, panel.height, series, () => this.limitLines(panel)), this.data(panel), this.places[i]));
    }
    const strip = this.options(width, stripHeight(this.about.units) + 34, [{ show: false }], () => [], true);
    this.strip = new uPlot(strip, [[], []], this.stripPlace);
    this.charts.push(this.strip);
  }

  options(width, height, series, limits, strip = false) {
    const grid = { stroke: "#c3c8c5", width: 1 };
    const axis = { stroke: "#3b4340", font: "12px system-ui", grid, ticks: grid };
    const units = this.about.units;
    return {
      width,
      height,
      legend: { show: false },
      cursor: { sync: { key: "desk", scales: ["x", null] }, drag: { x: true, y: false, setScale: true }, points: { size: 5 } },
      scales: { x: { time: false }, y: strip ? { range: [0, units] } : { range: (_u, lo, hi) => yRange(lo, hi, limits()) } },
      axes: [
        { ...axis, show: strip, size: 28, values: (_u, splits) => splits.map((s) => clockText(s)) },
        strip ? { ...axis, size: LEFT, show: true, splits: () => [], grid: { show: false } } : { ...axis, size: LEFT, space: 26 },
      ],
      series: [{}, ...series],
      padding: [6, 28, strip ? 0 : 6, 0],
      hooks: {
        draw: [(u) => (strip ? drawStrips(u, this.rows.changes, this.about.states, units, this.nowS) : this.drawLines(u, limits()))],
        setScale: [(u, key) => key === "x" && this.scaled(u)],
      },
    };
  }

  /** Limits across, and what was done down; its words stand in the first chart. */
  drawLines(u, limits) {
    drawLimits(u, limits);
    drawMarks(u, this.rows.marks, u === this.charts[0]);
  }

  limitLines(panel) {
    return panel.limits.flatMap((name) => this.about.limits[name] ?? []);
  }

  data(panel) {
    return [this.rows.t_s, ...panel.series.map(([where, name]) => this.rows[where][name] ?? [])];
  }

  width() {
    return Math.max(byId("trends").clientWidth - 2, 280);
  }

  resize() {
    const width = this.width();
    if (Math.abs(this.charts[0].width - width) > 2) for (const u of this.charts) u.setSize({ width, height: u.height });
  }

  span() {
    if (this.range) return this.range;
    const windowS = Number(this.windowS.value);
    return [Math.max(this.nowS - windowS, 0), Math.max(this.nowS, windowS > this.nowS ? Math.min(windowS, 60) : 0)];
  }

  follow() {
    this.range = null;
    this.showFreeze();
    this.read();
  }

  stopAt(range) {
    this.range = [Math.max(range[0], 0), range[1]];
    this.showFreeze();
    this.read();
  }

  showFreeze() {
    this.freeze.setAttribute("aria-pressed", Boolean(this.range));
    setText(this.freeze, this.range ? "Follow" : "Freeze");
  }

  zoom(factor) {
    const [from, to] = this.span();
    const half = Math.max(((to - from) / 2) * factor, 1);
    const middle = (from + to) / 2;
    this.stopAt([middle - half, middle + half]);
  }

  shift(share) {
    const [from, to] = this.span();
    const by = (to - from) * share;
    this.stopAt(from + by < 0 ? [0, to - from] : [from + by, to + by]);
  }

  /** A chart was zoomed with the pointer: all of them follow. */
  scaled(u) {
    const { min, max } = u.scales.x;
    if (!this.shown || min == null || !(max > min)) return;
    const [from, to] = this.shown;
    if (Math.abs(min - from) + Math.abs(max - to) > 1e-6) this.stopAt([min, max]);
  }

  /** The chart keeps the pointer until it is let go: a hand that drifts off a low chart goes on drawing the same window. */
  pressed(event) {
    const chart = event.target.closest(".u-over");
    this.dragging = Boolean(chart);
    chart?.setPointerCapture(event.pointerId);
  }

  dropped() {
    if (!this.dragging) return;
    this.dragging = false;
    this.read();
  }

  changeUnit() {
    this.read();
  }

  changeLimits() {
    this.read();
  }

  /** The plant has come to that time. */
  moved(nowS) {
    const back = nowS < this.nowS;
    const still = nowS === this.nowS;
    this.nowS = nowS;
    if (back && this.range && this.range[0] >= nowS) this.range = null;
    if (still && !back) return;
    const waitMs = REFRESH_MS - (performance.now() - this.readAt);
    if (back || (!this.range && waitMs <= 0)) this.read();
    else if (!this.range && !this.later) this.later = setTimeout(() => this.readLater(), waitMs);
  }

  /** The last second of a plant that stands still now. */
  readLater() {
    this.later = 0;
    if (!this.range) this.read();
  }

  /** Has the rows of the window read; while some are on their way, once more after them. */
  read() {
    this.wanted = this.reading !== null;
    this.reading ??= this.readOnce().finally(() => {
      this.reading = null;
      if (this.wanted) this.read();
    });
  }

  async readOnce() {
    this.readAt = performance.now();
    const [range, unit, [from, to]] = [this.range, this.pickedUnit(), this.span()];
    try {
      const rows = await readHistory(unit, from, to, Math.min(Math.max(this.width(), 300), 2000));
      if (this.dragging || range !== this.range || unit !== this.pickedUnit()) return; // something else by now
      this.rows = rows;
      this.draw(from, to);
    } catch (error) {
      setText(this.head, `Trends: ${error.message}`);
    }
  }

  /** What was asked for has come and is drawn. */
  async drawn() {
    while (this.reading) await this.reading;
  }

  /** A frozen window is whole before it is taken away. */
  async whole() {
    while (this.range && this.reading) await this.reading;
  }

  draw(from, to) {
    setText(this.head, `Trends: bank and unit ${this.pickedUnit()}`);
    this.shown = [from, to];
    setText(this.hint, [this.range ? `${clockText(from)} to ${clockText(to)}` : this.following(), ...(this.rows.thinned ? [THINNED] : [])].join("; "));
    for (const [i, panel] of PANELS.entries()) this.charts[i].setData(this.data(panel), false);
    const times = this.rows.t_s.length ? this.rows.t_s : [from, to];
    this.strip.setData([times, times.map(() => null)], false);
    for (const u of this.charts) u.setScale("x", { min: from, max: to });
  }

  async saveCsv() {
    await this.whole();
    const name = `${this.about.name}-unit${this.pickedUnit()}`;
    download(`${name}.csv`, new Blob([csvOf(this.rows, this.pickedUnit(), this.about)], { type: "text/csv" }));
  }

  async savePng() {
    await this.whole();
    const titles = [...PANELS.map((panel) => this.panelTitle(panel)), "States"];
    const head = `${this.about.title}: bank and unit ${this.pickedUnit()}, ${clockText(this.span()[0])} to ${clockText(this.span()[1])}. ${this.about.simulation}`;
    download(`${this.about.name}-unit${this.pickedUnit()}.png`, await pngOf(this.charts, titles, head));
  }
}

/** From zero, so that heights compare, and up to all that is drawn. */
function yRange(lo, hi, limits) {
  const top = Math.max(hi ?? 0, ...limits.filter((limit) => limit.value <= 2 * Math.max(hi ?? 0, 1)).map((limit) => limit.value), 1);
  return [Math.min(lo ?? 0, 0), top * 1.08];
}

function drawLimits(u, limits) {
  const { ctx, bbox } = u;
  const scale = window.devicePixelRatio || 1;
  const taken = []; // places of words, so that those of lines close together stand beside each other
  ctx.save();
  ctx.font = `${11 * scale}px system-ui`;
  ctx.textAlign = "right";
  const inside = limits
    .map((limit) => ({ ...limit, y: u.valToPos(limit.value, "y", true), colour: limit.trip ? "#7a1024" : "#4d5653" }))
    .filter(({ y }) => y >= bbox.top && y <= bbox.top + bbox.height);
  for (const limit of inside) {
    const { y } = limit;
    ctx.strokeStyle = limit.colour;
    ctx.setLineDash(limit.trip ? [] : [4 * scale, 4 * scale]);
    ctx.lineWidth = scale;
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
  }
  for (const limit of inside) {
    const { y } = limit;
    ctx.fillStyle = limit.colour;
    const text = `${limit.words} ${Number(limit.value.toPrecision(4))}`;
    let right = bbox.left + bbox.width - 4 * scale;
    for (const other of taken) if (Math.abs(other.y - y) < 13 * scale) right = Math.min(right, other.left - 12 * scale);
    taken.push({ y, left: right - ctx.measureText(text).width });
    writeOver(ctx, text, right, y - 3 * scale, scale);
  }
  ctx.restore();
}

/** Words with a rim of the ground's colour, so that lines below do not strike them out. */
function writeOver(ctx, text, x, y, scale) {
  ctx.save();
  ctx.setLineDash([]);
  ctx.lineJoin = "round";
  ctx.lineWidth = 3 * scale;
  ctx.strokeStyle = "#eaedea";
  ctx.strokeText(text, x, y);
  ctx.restore();
  ctx.fillText(text, x, y);
}

function drawMarks(u, marks, words) {
  const { ctx, bbox } = u;
  const scale = window.devicePixelRatio || 1;
  let free = bbox.left; // words that would stand on others are left out; the line stays
  ctx.save();
  ctx.font = `${10.5 * scale}px system-ui`;
  ctx.strokeStyle = ctx.fillStyle = "#1b4f9c";
  ctx.textAlign = "left";
  ctx.setLineDash([2 * scale, 3 * scale]);
  for (const [tMs, text] of marks) {
    const x = u.valToPos(tMs / 1000, "x", true);
    ctx.beginPath();
    ctx.moveTo(x, bbox.top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
    const width = ctx.measureText(text).width + 3 * scale;
    const left = x + width > bbox.left + bbox.width ? x - width : x + 3 * scale;
    if (!words || left < free) continue;
    writeOver(ctx, text, left, bbox.top + bbox.height - 5 * scale, scale);
    free = left + width + 5 * scale;
  }
  ctx.restore();
}
