// Breaking things: choose what, how, how badly and when; undo what is in force.

import { deed } from "./ask.js";
import { byId, html, setText } from "./dom.js";
import { button } from "./panel.js";

export class FaultPanel {
  constructor(about) {
    this.faults = about.faults;
    this.units = about.units;
    this.key = "";
    const targets = [...new Set(about.faults.map((fault) => fault.target))].sort();
    this.unit = select("fault-unit", []);
    for (let n = 1; n <= about.units; n += 1) this.unit.append(html("option", { value: n }, `unit ${n}`));
    this.target = select("fault-target", targets);
    this.kind = select("fault-kind", []);
    this.severity = html("select", { id: "fault-severity" });
    this.value = html("input", { id: "fault-value", type: "number", step: "any", size: 8 });
    this.valueUnit = html("span", { id: "fault-value-unit" });
    this.inS = html("input", { id: "fault-in", type: "number", min: 0, step: 1, value: 0, size: 6 });
    this.forS = html("input", { id: "fault-for", type: "number", min: 0, step: 1, placeholder: "stays", size: 6 });
    this.text = html("p", { class: "quiet", id: "fault-text" });
    this.active = html("ul", { class: "fault-list", "aria-label": "Faults in force" });
    this.coming = html("ul", { class: "fault-list", "aria-label": "Put off" });
    this.target.addEventListener("change", () => this.chooseTarget());
    this.kind.addEventListener("change", () => this.chooseKind());
    this.severity.addEventListener("change", () => this.chooseSeverity());
    byId("panel-faults").append(
      html("h2", {}, "Faults"),
      html(
        "div",
        { class: "fault-form" },
        field("Target", this.target),
        field("Kind", this.kind),
        field("Unit", this.unit),
        field("Severity", this.severity),
        field("Value", this.value, this.valueUnit),
        field("In (s)", this.inS),
        field("For (s)", this.forS),
        button("fault-inject", "Inject", () => this.inject()),
      ),
      this.text,
      html("h3", {}, "In force"),
      this.active,
      html("h3", {}, "Put off"),
      this.coming,
    );
    this.target.value = "suction";
    this.chooseTarget();
  }

  get chosen() {
    return this.faults.find((fault) => fault.target === this.target.value && fault.kind === this.kind.value);
  }

  pick(unit) {
    this.unit.value = unit;
  }

  chooseTarget() {
    const kinds = this.faults.filter((fault) => fault.target === this.target.value).map((fault) => fault.kind);
    this.kind.replaceChildren(...kinds.map((kind) => html("option", { value: kind }, kind.replaceAll("_", " "))));
    this.chooseKind();
  }

  chooseKind() {
    const fault = this.chosen;
    this.unit.disabled = !fault.per_unit;
    this.value.disabled = !fault.key;
    setText(this.valueUnit, fault.key ? ` ${fault.unit}, ${Number(fault.lo.toPrecision(4))} to ${Number(fault.hi.toPrecision(4))}` : " none");
    const named = fault.mild == null ? [] : ["mild", "middle", "severe"];
    this.severity.replaceChildren(...["own value", ...named].map((word) => html("option", { value: word }, word)));
    this.severity.disabled = !named.length;
    this.severity.value = named.length ? "severe" : "own value";
    this.value.value = fault.key ? ((fault.lo + fault.hi) / 2).toPrecision(3) : "";
    this.chooseSeverity();
    setText(this.text, `${fault.text}${fault.ids.length ? ` (${fault.ids.join(", ")})` : ""}`);
  }

  chooseSeverity() {
    const share = { mild: 0, middle: 0.5, severe: 1 }[this.severity.value];
    const { mild, severe } = this.chosen;
    if (share != null && mild != null) this.value.value = Number((mild + (severe - mild) * share).toPrecision(4));
  }

  inject() {
    const fault = this.chosen;
    const inject = { target: fault.target, kind: fault.kind };
    if (fault.key) inject[fault.key] = Number(this.value.value);
    const step = { inject };
    if (fault.per_unit) step.unit = Number(this.unit.value);
    if (Number(this.forS.value) > 0) step.for_s = Number(this.forS.value);
    deed(step, Number(this.inS.value) || 0);
  }

  show(picture) {
    for (const fault of picture.faults) {
      const left = this.active.querySelector(`[data-left="${fault.name}"]`);
      if (left && fault.left_s != null) setText(left, ` ${fault.left_s.toFixed(0)} s left`);
    }
    const key = JSON.stringify([picture.faults.map((fault) => [fault.name, fault.words]), picture.coming]);
    if (key === this.key) return;
    this.key = key;
    this.active.replaceChildren(...picture.faults.map((fault) => this.row(fault)));
    if (!picture.faults.length) this.active.append(html("li", { class: "quiet" }, "Nothing is broken."));
    this.coming.replaceChildren(
      ...picture.coming.map((entry) => html("li", {}, `at ${entry.due_s.toFixed(1)} s: ${entry.words}`)),
    );
    if (!picture.coming.length) this.coming.append(html("li", { class: "quiet" }, "Nothing."));
  }

  row(fault) {
    const where = fault.unit ? `unit ${fault.unit}` : "bank";
    return html(
      "li",
      { "data-fault": fault.name },
      html("span", {}, `${fault.words}, ${where}`),
      html("span", { class: "quiet", "data-left": fault.name }),
      html("button", { type: "button", "aria-label": `Mend ${fault.words}, ${where}`, onclick: () => deed({ clear: fault.name }) }, "Mend"),
    );
  }
}

function select(id, options) {
  return html("select", { id }, ...options.map((option) => html("option", { value: option }, option.replaceAll("_", " "))));
}

function field(text, ...parts) {
  return html("label", {}, html("span", {}, text), ...parts);
}
