// What the units share: borehole, booster, dosing, header, product tank.

import { byId, html, numberText, setAttribute, setText, svg } from "./dom.js";
import { flag, instrument, label, pipe, pump } from "./symbols.js";

const HEADER = ["header_ma", "feed_flow_ma", "feed_temp_ma", "feed_cond_ma", "chlorine_ma"];
const TANK = { x: 868, y: 24, width: 76, height: 110 };

export class Shared {
  constructor(about) {
    this.signals = about.bank_signals;
    this.row = Object.fromEntries(this.signals.map((signal) => [signal.name, signal]));
    this.inputs = this.signals.filter((signal) => signal.kind === "DI").map((signal) => signal.name);
    this.outputs = this.signals.filter((signal) => signal.kind === "DO").map((signal) => signal.name);
    this.values = {};
    this.stage = html("p", { class: "stage" });
    byId("shared").append(this.draw(about.units), this.stage);
  }

  draw(units) {
    const y = 74;
    const parts = [pipe(`60,${y} 640,${y}`)];
    parts.push(svg("path", { d: "M12 52v60h48v-60M12 74q8-8 16 0t16 0t16 0", class: "vessel" }), label(36, 130, "borehole"));
    this.source = label(36, 145, "", "state");
    this.booster = pump(112, y, 18);
    this.boosterState = label(112, 122, "", "state");
    parts.push(this.source, this.booster, label(112, 108, "YC-020"), this.boosterState);
    this.values.booster_speed_ma = label(112, 137, "", "value");
    parts.push(this.values.booster_speed_ma);
    this.dosing = pump(186, 112, 11);
    this.dosingState = label(204, 131, "", "state", "start");
    parts.push(pipe(`186,101 186,${y}`), pipe("186,123 186,140"), this.dosing, label(204, 117, "YC-030", "tag", "start"), this.dosingState);
    parts.push(svg("rect", { x: 170, y: 140, width: 32, height: 20, class: "vessel" }), label(208, 155, "antiscalant", "small", "start"));
    HEADER.forEach((name, place) => {
      const x = 292 + place * 78;
      this.values[name] = label(x, 98, "", "value");
      parts.push(instrument(x, 34, this.row[name].tag, y), this.values[name], label(x, 112, this.row[name].unit, "small"));
    });
    parts.push(flag(640, y, 66, units > 1 ? `units 1-${units}` : "unit 1", true), flag(700, y + 46, 66, "permeate"));
    parts.push(pipe(`766,${y + 46} 780,${y + 46} 780,${y} 868,${y}`));
    parts.push(instrument(820, 34, this.row.product_cond_ma.tag, y), label(820, 112, this.row.product_cond_ma.unit, "small"));
    this.values.product_cond_ma = label(820, 98, "", "value");
    parts.push(this.values.product_cond_ma, ...this.drawTank());
    return svg(
      "svg",
      { viewBox: "0 0 1010 170", class: "diagram", role: "img", "aria-label": "Feed supply and product tank" },
      ...parts,
    );
  }

  drawTank() {
    const { x, y, width, height } = TANK;
    this.water = svg("rect", { x, y: y + height, width, height: 0, class: "water" });
    this.values.tank_level_ma = label(x + width / 2, y + 62, "", "value big");
    this.floats = label(x + width / 2, y + height + 26, "", "state");
    return [
      this.water,
      svg("rect", { x, y, width, height, class: "vessel" }),
      label(x + width / 2, y - 8, "product tank"),
      svg("path", { d: `M${x + width} ${y + 56}h20`, class: "thin" }),
      instrument(x + width + 34, y + 56, this.row.tank_level_ma.tag, y + 70),
      this.values.tank_level_ma,
      this.floats,
    ];
  }

  show(bank) {
    const contact = (name) => bank.in[this.inputs.indexOf(name)] === 1;
    const coil = (name) => bank.out[this.outputs.indexOf(name)] === 1;
    for (const [name, element] of Object.entries(this.values)) {
      const [value, quality] = bank.values[name];
      const row = this.row[name];
      const unit = name === "tank_level_ma" || name === "booster_speed_ma" ? ` ${row.unit}` : "";
      setText(element, quality === "BAD" ? "BAD" : `${numberText(value, row.hi - row.lo)}${unit}`);
      element.classList.toggle("bad", quality === "BAD" || quality === "UNCERTAIN");
    }
    if (bank.in === null) return this.notKnown(bank);
    const level = bank.values.tank_level_ma[0];
    const filled = (TANK.height * Math.min(Math.max(level ?? 0, 0), 100)) / 100;
    setAttribute(this.water, "y", (TANK.y + TANK.height - filled).toFixed(1));
    setAttribute(this.water, "height", filled.toFixed(1));
    this.showPump(this.booster, this.boosterState, contact("booster_running"), coil("booster_run"), !contact("drive_healthy"));
    this.showPump(this.dosing, this.dosingState, contact("dosing_running"), coil("dosing_run"), !contact("dosing_healthy"));
    this.showState(this.source, contact("source_wet") ? "" : "! dry", !contact("source_wet"));
    const tooFull = !contact("tank_not_overfull");
    this.showState(this.floats, tooFull ? "! high-high" : contact("tank_above_low") ? "" : "low float", tooFull);
    if (bank.stage === null) return this.ofRecord(contact);
    const causes = bank.latched.length ? ` Latched: ${bank.latched.join(", ")}; needs a reset at the bank.` : "";
    const run = contact("bank_run") ? "" : " Bank run selector at stop.";
    const estop = contact("estop_healthy") ? "" : " Emergency stop chain open.";
    setText(this.stage, `Feed supply: ${bank.stage}. The tank asks for ${bank.wanted} unit${bank.wanted === 1 ? "" : "s"}.${run}${estop}${causes}`);
    this.stage.classList.toggle("abnormal", Boolean(causes || estop));
  }

  /** While a target does not answer, or itself has no fresh image of the contacts. */
  notKnown(bank) {
    setAttribute(this.water, "height", 0);
    for (const part of [this.booster, this.dosing]) part.classList.remove("on", "fault");
    for (const text of [this.boosterState, this.dosingState, this.source, this.floats]) this.showState(text, "not known", false);
    const own = bank.stage === null ? "" : ` The controller has no fresh image of the shared contacts; its feed supply: ${bank.stage}.`;
    setText(this.stage, `The feed supply is not known.${own}`);
    this.stage.classList.remove("abnormal");
  }

  /** What the firmware made of it is not in a record; the contacts are. */
  ofRecord(contact) {
    const run = contact("bank_run") ? "run" : "stop";
    const open = !contact("estop_healthy");
    setText(this.stage, `The record tells no stage of the feed supply and no demand. Bank run selector at ${run}.${open ? " Emergency stop chain open." : ""}`);
    this.stage.classList.toggle("abnormal", open);
  }

  showPump(group, text, runs, wanted, fault) {
    group.classList.toggle("on", runs);
    group.classList.toggle("fault", fault);
    this.showState(text, fault ? "! fault" : runs ? "runs" : wanted ? "! asked, does not run" : "off", fault || (wanted && !runs));
  }

  showState(element, text, abnormal) {
    setText(element, text);
    element.classList.toggle("bad", abnormal);
  }
}
