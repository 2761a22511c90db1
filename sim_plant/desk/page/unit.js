// One unit: a card with its state in words, why it waits, and its flow diagram.

import { html, numberText, priorityMark, setText, svg } from "./dom.js";
import { flag, instrument, label, membrane, orifice, pipe, pump, valve } from "./symbols.js";

const PIPE = 86;
const DRAIN = 136;
const ABNORMAL = new Set(["LOCKOUT", "ESTOP"]);
const ODD = new Set(["RETRY_WAIT", "QUALITY_FLUSH"]);

/** How a state is marked: "abnormal" needs a person, "odd" is no ordinary course, "" is normal. */
export function severity(unit) {
  return ABNORMAL.has(unit.state) ? "abnormal" : ODD.has(unit.state) ? "odd" : "";
}

export class UnitCard {
  constructor(about, number, onPick) {
    this.number = number;
    this.row = Object.fromEntries(about.unit_signals.map((signal) => [signal.name, signal]));
    this.inputs = about.unit_signals.filter((signal) => signal.kind === "DI").map((signal) => signal.name);
    this.outputs = about.unit_signals.filter((signal) => signal.kind === "DO").map((signal) => signal.name);
    this.diverter = about.diverter;
    this.values = {};
    this.code = html("span", { class: "code" });
    this.words = html("span", { class: "words" });
    this.toGo = html("span", { class: "to-go" });
    this.why = html("p", { class: "why" });
    this.trouble = html("p", { class: "trouble" });
    this.pick = html("button", { type: "button", class: "pick" }, `Unit ${number}`); // a click on it is one on the card
    this.element = html(
      "article",
      { class: "unit", "aria-label": `Unit ${number}`, "data-unit": number, onclick: () => onPick(number) },
      html("h2", {}, this.pick, this.code, this.words, this.toGo),
      this.why,
      this.trouble,
      this.draw(),
    );
  }

  tag(name) {
    return this.row[name].tag.replace("x", this.number);
  }

  draw() {
    const bubble = (name, x, toY, shift = 0) => {
      this.values[name] = label(x + shift, 18, "", "value");
      return [instrument(x, 40, this.tag(name), toY), this.values[name]];
    };
    this.feed = valve(62, PIPE);
    this.feedState = label(62, PIPE + 22, "", "state");
    this.flush = valve(380, DRAIN);
    this.flushState = label(412, DRAIN + 25, "", "state", "start");
    this.pump = pump(150, PIPE, 16);
    this.pumpState = label(150, PIPE + 45, "", "state");
    this.toWhere = this.diverter ? label(421, PIPE - 23, "", "state") : null;
    this.values.concentrate_flow_ma = label(290, DRAIN + 4, "", "value", "end");
    const parts = [
      pipe(`40,${PIPE} 222,${PIPE}`),
      pipe(`282,${PIPE - 8} 390,${PIPE - 8}`),
      pipe(`282,${PIPE + 8} 298,${PIPE + 8} 298,${DRAIN} 404,${DRAIN}`),
      pipe(`352,${DRAIN} 352,${DRAIN + 20} 404,${DRAIN + 20} 404,${DRAIN}`),
      orifice(378, DRAIN + 20),
      flag(2, PIPE, 40, "feed"),
      flag(388, PIPE - 8, 66, "permeate", true),
      flag(404, DRAIN, 46, "drain", true),
      this.feed,
      label(62, PIPE - 30, this.tag("feed_valve")),
      this.feedState,
      ...bubble("suction_ma", 106, PIPE),
      this.pump,
      label(150, PIPE + 31, this.tag("pump")),
      this.pumpState,
      ...bubble("membrane_ma", 194, PIPE),
      membrane(222, PIPE - 18, 60, 36),
      ...bubble("permeate_flow_ma", 302, PIPE - 8),
      ...bubble("permeate_cond_ma", 378, PIPE - 8, 22),
      instrument(326, DRAIN - 24, this.tag("concentrate_flow_ma"), DRAIN),
      this.values.concentrate_flow_ma,
      this.flush,
      label(380, DRAIN - 27, this.tag("flush_valve")),
      this.flushState,
      this.toWhere,
    ];
    return svg(
      "svg",
      { viewBox: "0 0 456 168", class: "diagram", role: "img", "aria-label": `Flow diagram of unit ${this.number}` },
      ...parts.filter(Boolean),
    );
  }

  show(unit, picked) {
    const kind = severity(unit);
    this.element.className = `unit ${kind}${picked ? " picked" : ""}`;
    this.pick.setAttribute("aria-pressed", picked);
    setText(this.code, unit.code);
    setText(this.words, unit.target ? `${unit.words}, then ${unit.target}` : unit.words);
    setText(this.toGo, unit.to_go_s == null ? "" : `${unit.to_go_s} s`);
    setText(this.why, unit.to_go_s == null ? unit.why : `${unit.why}, ${unit.to_go_s} s to go`);
    const notes = [];
    if (unit.first_out) notes.push(`first out: ${unit.first_out}`);
    if (unit.stopped) notes.push("stopped by a person");
    if (unit.in_maintenance) notes.push("out for maintenance");
    if (unit.stale) notes.push("I/O image is old");
    setText(this.trouble, [priorityMark(unit.worst), notes.join("; ")].filter(Boolean).join(" "));
    this.trouble.dataset.worst = unit.worst;
    this.showDiagram(unit);
  }

  showDiagram(unit) {
    for (const [name, element] of Object.entries(this.values)) {
      const [value, quality] = unit.values[name];
      const row = this.row[name];
      setText(element, quality === "BAD" ? "BAD" : `${numberText(value, row.hi - row.lo)} ${row.unit.replace("m3", "m³")}`);
      element.classList.toggle("bad", quality === "BAD" || quality === "UNCERTAIN");
    }
    const coil = (name) => unit.out?.[this.outputs.indexOf(name)] === 1;
    const contact = (name) => unit.in[this.inputs.indexOf(name)] === 1;
    this.showValve(this.feed, this.feedState, coil("feed_valve"));
    this.showValve(this.flush, this.flushState, coil("flush_valve"));
    if (unit.in === null) return this.notKnown(unit.out === null);
    const runs = contact("pump_running");
    const tripped = !contact("motor_healthy");
    this.pump.classList.toggle("on", runs);
    this.pump.classList.toggle("fault", tripped || runs !== coil("pump"));
    const state = tripped ? "! tripped" : runs === coil("pump") ? (runs ? "runs" : "off") : runs ? "! runs, told off" : "! told to run";
    setText(this.pumpState, state);
    this.pumpState.classList.toggle("bad", state.startsWith("!"));
    if (this.toWhere) setText(this.toWhere, coil("divert") ? "to tank" : "to drain");
  }

  /** The contacts are not known, so whether the pump runs is not; the outputs may not be known either. */
  notKnown(outputs) {
    this.pump.classList.remove("on", "fault");
    setText(this.pumpState, "not known");
    this.pumpState.classList.remove("bad");
    if (!outputs) return;
    setText(this.feedState, "not known");
    setText(this.flushState, "?"); // no room for more
  }

  showValve(group, text, open) {
    group.classList.toggle("on", open);
    setText(text, open ? "open" : "shut");
  }
}
