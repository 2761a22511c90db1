// The desk: puts the parts together, shows each picture, and listens to the keyboard.

import { AlarmList } from "./alarms.js";
import { follow, readAbout, readPicture } from "./ask.js";
import { ask } from "./dialog.js";
import { byId, html, priorityMark, setAttribute, setText } from "./dom.js";
import { FaultPanel } from "./faults.js";
import { Journal } from "./journal.js";
import { BankPanel, UnitPanel } from "./panel.js";
import { Shared } from "./plant.js";
import { Time } from "./time.js";
import { Trends } from "./trends.js";
import { severity, UnitCard } from "./unit.js";

const TABS = ["unit", "bank", "alarms", "faults", "journal"];
const COMMANDING = ["bank", "faults"]; // sides with nothing but what a record does not take
const MANY = 8; // more cards than that are drawn smaller
const FEW = 2; // up to so many leave room for the trends beside them
const KEYS = [
  ["p", "pause, go on"],
  ["s", "one scan"],
  ["[ and ]", "unit before, next unit"],
  ["u b a f j", "unit, bank, alarms, faults, journal"],
  ["t", "trends"],
  ["?", "these keys"],
];

class Desk {
  constructor(about) {
    this.about = about;
    this.picked = about.picked ?? 1; // a record opens with the unit that its run was about
    this.picture = null;
    this.drawn = true;
    byId("title").textContent = about.title;
    document.title = `${about.name}: skidproof desk`;
    byId("simulation-words").textContent = about.simulation;
    byId("units").classList.toggle("many", about.units > MANY);
    byId("units").classList.toggle("threes", [3, 5, 6].includes(about.units));
    document.querySelector("main").classList.toggle("few", about.units <= FEW);
    this.tabs = about.takes_wishes ? TABS : TABS.filter((tab) => !COMMANDING.includes(tab));
    for (const tab of TABS) byId(`tab-${tab}`).hidden = !this.tabs.includes(tab);
    this.shared = new Shared(about);
    this.cards = [];
    this.boxes = [];
    for (let unit = 1; unit <= about.units; unit += 1) this.addUnit(unit);
    this.unitPanel = new UnitPanel(about);
    this.bankPanel = about.takes_wishes ? new BankPanel(about) : null;
    this.alarms = new AlarmList(about);
    this.faults = about.takes_wishes ? new FaultPanel(about) : null;
    this.journal = new Journal(about);
    this.time = new Time(about, () => this.picked);
    this.waiting = null;
    this.trends = null; // made after the first picture, which need not wait for charts
    byId("cautions-open").addEventListener("click", () => ask("Cautions", about.cautions));
    byId("keys-open").addEventListener("click", () => this.showKeys());
    byId("alarm-count").addEventListener("click", () => this.openTab("alarms"));
    for (const tab of TABS) byId(`tab-${tab}`).addEventListener("click", () => this.openTab(tab));
    byId("tab-unit").parentElement.addEventListener("keydown", (event) => this.moveTab(event));
    document.addEventListener("keydown", (event) => this.key(event));
    this.openTab("unit");
  }

  addUnit(unit) {
    const card = new UnitCard(this.about, unit, (number) => this.pick(number));
    const code = html("span", {});
    const mark = html("span", { class: "box-mark" });
    const box = html("button", { type: "button", class: "box", onclick: () => this.pick(unit, true) }, html("small", {}, String(unit)), code, mark);
    this.cards.push(card);
    this.boxes.push({ box, code, mark });
    byId("units").append(card.element);
    byId("overview").append(box);
  }

  pick(unit, scroll = false) {
    this.picked = unit;
    this.faults?.pick(unit);
    this.trends?.changeUnit();
    if (scroll) this.cards[unit - 1].element.scrollIntoView({ block: "nearest" });
    if (this.picture) this.show();
  }

  /** Takes a picture; it is drawn once before the next frame, however many come. */
  take(picture) {
    this.picture = picture;
    if (!this.drawn) return;
    this.drawn = false;
    requestAnimationFrame(() => {
      this.drawn = true;
      this.show();
    });
  }

  show() {
    const picture = this.picture;
    this.time.show(picture);
    this.shared.show(picture.bank);
    picture.units.forEach((unit, place) => {
      const picked = unit.unit === this.picked;
      this.cards[place].show(unit, picked);
      this.showBox(this.boxes[place], unit, picked);
    });
    this.unitPanel.show(picture.units[this.picked - 1]);
    this.alarms.show(picture.alarms);
    this.faults?.show(picture);
    this.journal.show(picture);
    this.showTrends(picture.t_ms / 1000);
    if (picture.settings !== this.settings) this.readSettings(picture.settings);
    if (this.about.live) document.body.classList.toggle("old", Boolean(picture.broken));
    const trouble = picture.broken || picture.busy;
    setText(byId("line"), trouble || (picture.powered === false ? "! no power" : this.about.takes_wishes ? "live" : this.about.live ? "read only" : "record"));
    byId("line").classList.toggle("abnormal", Boolean(picture.broken) || picture.powered === false);
  }

  showTrends(nowS) {
    if (this.trends) this.trends.moved(nowS);
    else this.waiting ??= setTimeout(() => this.makeTrends());
  }

  makeTrends() {
    this.trends = new Trends(this.about, () => this.picked);
    this.trends.moved(this.picture.t_ms / 1000);
  }

  /** Of a still: the unit that is worst off is picked, and the alarms are open if there are any. */
  async standFor(picture) {
    this.picture = picture;
    this.makeTrends();
    const worst = picture.units.filter((unit) => unit.worst).sort((a, b) => a.worst - b.worst)[0];
    if (worst) this.pick(worst.unit);
    if (picture.alarms?.some((alarm) => alarm.shown)) this.openTab("alarms");
    this.show();
    await this.trends.drawn();
  }

  /** A setpoint has been changed: limits and values are read anew. */
  async readSettings(number) {
    const first = this.settings === undefined;
    this.settings = number;
    if (first && number === 0) return;
    const { limits, setpoints } = await readAbout();
    Object.assign(this.about, { limits, setpoints });
    this.trends?.changeLimits();
  }

  showBox({ box, code, mark }, unit, picked) {
    setText(code, unit.code);
    setText(mark, priorityMark(unit.worst));
    setAttribute(box, "class", `box ${severity(unit)}${picked ? " picked" : ""}`);
    const trouble = unit.worst ? `, alarm of priority ${unit.worst}` : "";
    setAttribute(box, "aria-label", `Unit ${unit.unit}: ${unit.words}${trouble}`);
    setAttribute(box, "title", `Unit ${unit.unit}: ${unit.words}, ${unit.why}`);
    setAttribute(box, "aria-pressed", picked);
  }

  openTab(name, focus = false) {
    if (!this.tabs.includes(name)) return;
    for (const tab of TABS) {
      const open = tab === name;
      byId(`panel-${tab}`).hidden = !open;
      setAttribute(byId(`tab-${tab}`), "aria-selected", open);
      setAttribute(byId(`tab-${tab}`), "tabindex", open ? 0 : -1);
      if (open && focus) byId(`tab-${tab}`).focus();
    }
    this.tab = name;
    if (this.picture) this.journal.show(this.picture);
  }

  moveTab(event) {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step) return;
    this.openTab(this.tabs.at((this.tabs.indexOf(this.tab) + step) % this.tabs.length), true);
    event.preventDefault();
  }

  key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || byId("dialog").open) return;
    if (/^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)) return;
    const n = this.about.units;
    const tab = { u: "unit", b: "bank", a: "alarms", f: "faults", j: "journal" }[event.key];
    if (tab) this.openTab(tab, true);
    else if (event.key === "p") this.time.togglePause();
    else if (event.key === "s") byId("one-scan").click();
    else if (event.key === "[") this.pick(((this.picked + n - 2) % n) + 1, true);
    else if (event.key === "]") this.pick((this.picked % n) + 1, true);
    else if (event.key === "t") byId("trends").scrollIntoView();
    else if (event.key === "?") this.showKeys();
    else return;
    event.preventDefault();
  }

  showKeys() {
    const rows = KEYS.map(([key, words]) => html("tr", {}, html("th", {}, key), html("td", {}, words)));
    ask("Keys", html("table", {}, ...rows));
  }
}

async function begin() {
  const desk = new Desk(await readAbout());
  follow(
    (picture) => desk.take(picture),
    (stands) => {
      if (!stands) setText(byId("line"), "! the line is cut; what you see is old");
      document.body.classList.toggle("old", !stands);
    },
  );
}

/** For a still. The browser that takes it has a time of its own, which stands while a line is open: until all is drawn. */
async function standStill() {
  const held = new EventSource("/events");
  const desk = new Desk(await readAbout());
  await desk.standFor(await readPicture());
  held.close();
}

try {
  if (new URLSearchParams(location.search).has("still")) await standStill();
  else await begin();
} catch (error) {
  byId("line").textContent = `! ${error.message}`;
}
