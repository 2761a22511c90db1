// Commands of one unit and of the bank. A command names the state that the person sees now.

import { deed, order, personName } from "./ask.js";
import { ask } from "./dialog.js";
import { byId, html, setText } from "./dom.js";

/** Buttons and facts of the unit that is picked. */
export class UnitPanel {
  constructor(about) {
    this.about = about;
    this.shown = null;
    this.head = html("h2", {});
    this.state = html("p", { class: "panel-state" });
    this.facts = html("dl", { class: "facts" });
    this.fact = {};
    for (const name of ["in this state for", "latched", "its cause has gone for", "start blocked by", "flush owed", "starts", "run hours"]) {
      this.fact[name] = html("dd", {});
      this.facts.append(html("dt", {}, name), this.fact[name]);
    }
    this.contacts = html("ul", { class: "contacts", "aria-label": "Contacts of the unit" });
    this.contact = about.unit_signals
      .filter((signal) => signal.kind === "DI" && (about.proofs || !signal.text.includes("(option)")))
      .map((signal) => this.contactRow(signal));
    byId("panel-unit").append(
      this.head,
      this.state,
      ...(about.takes_wishes ? this.hands() : []),
      this.facts,
      html("h3", {}, "Contacts"),
      this.contacts,
    );
  }

  contactRow(signal) {
    const tag = html("span", { class: "contact-tag" });
    const word = html("span", { class: "contact-word" });
    this.contacts.append(html("li", { title: signal.text }, tag, html("span", {}, signal.text.split(",")[0]), word));
    return { signal, tag, word };
  }

  /** What a person can do here. */
  hands() {
    return [
      html("div", { class: "buttons", role: "group", "aria-label": "Commands to the unit" }, ...this.commands()),
      html("div", { class: "buttons", role: "group", "aria-label": "Switches at the unit" }, ...this.switches()),
      person(),
    ];
  }

  commands() {
    const give = (verb, more) => () => order(verb, this.shown.unit, this.shown.state, more);
    return [
      button("start", "Start", give("start")),
      button("stop", "Stop", give("stop")),
      button("reset", "Reset", () => this.reset()),
      button("acknowledge", "Acknowledge all", give("acknowledge")),
      button("maintain", "To maintenance", () => this.afterCaution("Take out of service?", "To maintenance", give("maintain"))),
      button("return", "Return to service", give("return to service")),
    ];
  }

  switches() {
    const turn = (step) => () => deed({ ...step, unit: this.shown.unit });
    return [
      button("auto-off", "Selector OFF", turn({ operate: "selector_auto off" })),
      button("auto-on", "Selector AUTO", turn({ operate: "selector_auto on" })),
      button("isolate", "Isolator off", () => this.afterCaution("Turn the isolator off?", "Isolator off", turn({ operate: "isolator_on off" }))),
      button("isolator-on", "Isolator on", turn({ operate: "isolator_on on" })),
      button("hand-off", "Hand valve shut", turn({ operate: "feed_hand_valve off" })),
      button("hand-on", "Hand valve open", turn({ operate: "feed_hand_valve on" })),
    ];
  }

  /** What a program calls out of service is not isolated: say so before it is asked for. */
  async afterCaution(title, yes, act) {
    const text = `Unit ${this.shown.unit}. ${this.about.lock_out}`;
    if (await ask(title, [text, "This page turns a simulated switch; it isolates nothing."], yes)) act();
  }

  async reset() {
    const { unit, state } = this.shown;
    const reason = byId("reason").value.trim();
    await order("reset", unit, state, reason ? { reason } : {});
  }

  show(unit) {
    this.shown = unit;
    setText(this.head, `Unit ${unit.unit}`);
    setText(this.state, `${unit.code} ${unit.words}: ${unit.to_go_s == null ? unit.why : `${unit.why}, ${unit.to_go_s} s to go`}`);
    const fact = (name, value, words) => setText(this.fact[name], value === null ? (this.about.live ? "not known" : "not in the record") : words(value));
    fact("in this state for", unit.in_state_s, (s) => `${s.toFixed(0)} s`);
    fact("latched", unit.latched, (words) => words || "nothing");
    fact("its cause has gone for", unit.cause_gone_s, (s) => (unit.latched ? `${s.toFixed(0)} s` : "nothing is latched"));
    fact("start blocked by", unit.blocked, (words) => words || "nothing");
    fact("flush owed", unit.flush_owed, (owed) => (owed ? "yes" : "no"));
    fact("starts", unit.starts, String);
    fact("run hours", unit.run_h, (h) => h.toFixed(2));
    const names = this.about.unit_signals.filter((signal) => signal.kind === "DI").map((signal) => signal.name);
    for (const { signal, tag, word } of this.contact) {
      const closed = unit.in?.[names.indexOf(signal.name)] === 1;
      setText(tag, signal.tag.replace("x", unit.unit));
      setText(word, unit.in === null ? "not known" : closed ? "closed" : "open");
      word.parentElement.classList.toggle("abnormal", unit.in !== null && !closed && /healthy|discharge_ok|permeate_ok|_dry|isolator/.test(signal.name));
    }
  }
}

/** What belongs to all units. */
export class BankPanel {
  constructor(about) {
    const turn = (operate) => () => deed({ operate });
    const tank = html("input", { type: "number", id: "tank-pct", min: 0, max: 100, step: 1, value: 30 });
    const demand = html("input", { type: "number", id: "demand", min: 0, max: 1000, step: 0.5, value: 5 });
    byId("panel-bank").append(
      html("h2", {}, "Bank"),
      group("Run selector", button("bank-run", "Run", turn("bank_run on")), button("bank-stop", "Stop", turn("bank_run off"))),
      group("Reset", button("bank-reset", "Reset bank", () => order("reset", 0)), button("button-reset", "Press reset button", turn("reset_button on"))),
      group("Acknowledge", button("bank-acknowledge", "Acknowledge all of the bank", () => order("acknowledge", 0))),
      group(
        "Emergency stop",
        button("estop", "Open E-stop chain", turn("estop_healthy off")),
        button("estop-closed", "Close E-stop chain", turn("estop_healthy on")),
      ),
      group("Power", button("power-off", "Power off", () => deed({ power: "off" })), button("power-on", "Power on", () => deed({ power: "on" }))),
      group("Tank level", html("label", {}, tank, " %"), button("set-tank", "Set", () => deed({ tank_pct: Number(tank.value) }))),
      group("Demand", html("label", {}, demand, " m³/h"), button("set-demand", "Set", () => deed({ demand_m3h: Number(demand.value) }))),
      this.setpoint(about),
    );
  }

  /** A setpoint is changed at the firmware's data port, with a name and a reason. */
  setpoint(about) {
    const names = html("datalist", { id: "setpoint-names" }, ...Object.keys(about.setpoints).map((name) => html("option", { value: name })));
    const name = html("input", { id: "setpoint", list: "setpoint-names", size: 18, "aria-label": "Setpoint" });
    const value = html("input", { id: "setpoint-value", type: "number", step: "any", size: 8, "aria-label": "Value" });
    const why = html("input", { id: "setpoint-why", size: 16, placeholder: "why", "aria-label": "Reason" });
    name.addEventListener("change", () => (value.value = about.setpoints[name.value] ?? ""));
    const change = () =>
      deed({ setpoint: { name: name.value, value: Number(value.value), by: personName(), reason: why.value } });
    return group("Setpoint", names, name, value, why, button("set-setpoint", "Change", change));
  }
}

function person() {
  const name = html("input", { id: "person", size: 12, maxlength: 60, value: personName() });
  name.addEventListener("change", () => localStorage.setItem("desk-person", name.value.trim() || "desk"));
  return html(
    "p",
    { class: "person" },
    html("label", {}, "Your name ", name),
    html("label", {}, " Reason, for a repeated reset ", html("input", { id: "reason", size: 14, maxlength: 300 })),
  );
}

function group(title, ...parts) {
  return html("fieldset", {}, html("legend", {}, title), ...parts);
}

export function button(id, text, onclick) {
  return html("button", { type: "button", id, onclick }, text);
}
