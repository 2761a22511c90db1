// The alarm list: what is active or unseen, first-out, acknowledge, shelve. And the count in the head.

import { order } from "./ask.js";
import { ask } from "./dialog.js";
import { byId, clockText, html, priorityMark, setText } from "./dom.js";

const SHELVE_H = 1;

export class AlarmList {
  constructor(about) {
    this.about = about;
    this.key = "";
    this.list = html("ul", { class: "alarm-list" });
    this.hidden = html("p", { class: "quiet" });
    byId("panel-alarms").append(html("h2", {}, "Alarms"), this.list, this.hidden);
  }

  show(alarms) {
    if (alarms === null) return this.about.live ? this.notKnown() : this.notTold();
    this.count(alarms);
    const shown = alarms.filter((alarm) => alarm.shown || alarm.state === "SHLVD");
    shown.sort((a, b) => Number(b.unseen) - Number(a.unseen) || a.priority - b.priority || b.since_s - a.since_s);
    const key = JSON.stringify(shown.map((a) => [a.unit, a.id, a.state, a.first_out, a.since_s, a.shelf]));
    if (key === this.key) return; // buttons stay where they are while nothing changes
    this.key = key;
    const focused = document.activeElement?.dataset?.focus;
    this.list.replaceChildren(...shown.map((alarm) => this.row(alarm)));
    if (focused) this.list.querySelector(`[data-focus="${CSS.escape(focused)}"]`)?.focus();
    if (!shown.length) this.list.append(html("li", { class: "quiet" }, "No alarms."));
    const covered = alarms.length - shown.length;
    setText(this.hidden, covered ? `${covered} more suppressed by design or out of service.` : "");
  }

  /** While a target does not answer. */
  notKnown() {
    this.key = null;
    this.list.replaceChildren();
    setText(this.hidden, "Alarms are not known.");
    setText(byId("alarm-count"), "alarms: not known");
    byId("alarm-count").className = "alarm-count";
  }

  /** A record holds no alarms. */
  notTold() {
    setText(this.hidden, "The record holds no list of alarms; its journal tells when one came and went.");
    setText(byId("alarm-count"), "alarms: not in the record");
  }

  row(alarm) {
    const where = alarm.unit ? `unit ${alarm.unit}` : "bank";
    const name = `${where} ${alarm.id}`;
    const act = (verb, more) => () => order(verb, alarm.unit, "", { alarm: alarm.id, ...more });
    const buttons = [];
    if (alarm.unseen) buttons.push(this.button(`ack ${name}`, "Acknowledge", act("acknowledge")));
    if (alarm.state === "SHLVD") buttons.push(this.button(`unshelve ${name}`, "Unshelve", act("unshelve")));
    else if (alarm.priority > 1 && !alarm.state.startsWith("LAT")) buttons.push(this.button(`shelve ${name}`, "Shelve", () => this.shelve(alarm)));
    return html(
      "li",
      { class: `alarm p${alarm.priority}${alarm.unseen ? " unseen" : ""}`, "data-alarm": alarm.id, "data-unit": alarm.unit },
      html("span", { class: "mark" }, priorityMark(alarm.priority)),
      html("strong", {}, `${alarm.tag} ${alarm.id}`),
      html("span", {}, ` ${where}, ${alarm.since_s === null ? "since when is not known" : `since ${clockText(alarm.since_s)}`}`),
      alarm.first_out ? html("span", { class: "first-out" }, "first out") : null,
      html("div", {}, alarm.text),
      html("div", { class: "quiet" }, alarm.state_words, alarm.because_of ? `; follows ${alarm.because_of}` : "", alarm.shelf ? ` (${alarm.shelf})` : ""),
      html("div", { class: "action" }, alarm.action),
      this.about.takes_wishes ? html("div", { class: "buttons" }, ...buttons) : null,
    );
  }

  button(focus, text, onclick) {
    return html("button", { type: "button", "data-focus": focus, "aria-label": `${text}: ${focus}`, onclick }, text);
  }

  async shelve(alarm) {
    const hours = html("input", { type: "number", id: "shelve-hours", min: 0.25, max: this.about.shelve_max_h, step: 0.25, value: SHELVE_H });
    const reason = html("input", { id: "shelve-reason", size: 30, maxlength: 300 });
    const body = [
      `${alarm.tag} ${alarm.id}: ${alarm.text}. Shelving hides it; the cause goes on.`,
      html("p", {}, html("label", {}, "Hours ", hours), html("label", {}, " Reason ", reason)),
    ];
    if (await ask("Shelve this alarm?", body, "Shelve")) {
      order("shelve", alarm.unit, "", { alarm: alarm.id, hours: Number(hours.value), reason: reason.value });
    }
  }

  count(alarms) {
    const shown = alarms.filter((alarm) => alarm.shown);
    const marks = [1, 2, 3].map((p) => [p, shown.filter((alarm) => alarm.priority === p).length]).filter(([, n]) => n);
    const unseen = shown.filter((alarm) => alarm.unseen).length;
    const text = marks.map(([p, n]) => `${priorityMark(p)} × ${n}`).join("  ");
    const button = byId("alarm-count");
    setText(button, shown.length ? `${text}, ${unseen} not acknowledged` : "no alarms");
    button.className = `alarm-count${marks.length ? ` p${marks[0][0]}` : ""}${unseen ? " unseen" : ""}`;
  }
}
