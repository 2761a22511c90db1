// The clock, pace, the way back, and the case file.

import { wish } from "./ask.js";
import { ask } from "./dialog.js";
import { byId, clockText, html, setText } from "./dom.js";

export class Time {
  constructor(about, pickedUnit) {
    this.paused = false;
    this.pickedUnit = pickedUnit;
    byId("speed").addEventListener("change", (event) => {
      const value = event.target.value;
      wish({ kind: "pace", speed: value === "max" ? "max" : Number(value) });
    });
    byId("pause").addEventListener("click", () => this.togglePause());
    byId("one-scan").addEventListener("click", () => wish({ kind: "scans", count: 1 }));
    byId("back").addEventListener("click", () => this.back());
    byId("back-to").addEventListener("keydown", (event) => event.key === "Enter" && this.back());
    byId("save-open").addEventListener("click", () => this.save());
    if (about.live) this.ofTarget();
    else if (!about.takes_wishes) this.ofRecord(about);
  }

  /** Nobody lets the time of a real controller go: what is shown counts from when this page began to look. */
  ofTarget() {
    for (const id of ["pause", "one-scan", "back", "save-open", "real-speed"]) byId(id).hidden = true;
    for (const id of ["speed", "back-to"]) byId(id).parentElement.hidden = true;
    byId("plant-time").setAttribute("aria-label", "Time since this program began to look");
    byId("plant-time").title = "since this program began to look";
  }

  /** In a record there is a way in both directions, and nothing to save. */
  ofRecord(about) {
    byId("save-open").hidden = true;
    setText(byId("back"), "Go");
    byId("back-to").previousSibling.data = "Go to ";
    byId("back-to").title = `${about.first_s} to ${about.last_s} s`;
    byId("back-to").max = about.last_s;
    byId("speed").lastElementChild.textContent = "1000 x";
  }

  togglePause() {
    wish({ kind: "pause", on: !this.paused });
  }

  back() {
    if (byId("back-to").value !== "") wish({ kind: "back", to_s: Number(byId("back-to").value) });
  }

  show(picture) {
    const { pace } = picture;
    this.paused = pace.paused;
    setText(byId("plant-time"), `${clockText(picture.t_ms / 1000)}.${Math.floor(picture.t_ms / 100) % 10}`);
    byId("plant-time").dataset.ms = picture.t_ms;
    setText(byId("pause"), pace.paused ? "Go on" : "Pause");
    setText(byId("real-speed"), pace.paused ? "stands still" : `runs at ${pace.real.toFixed(pace.real < 10 ? 1 : 0)} x`);
    const speed = byId("speed");
    const value = String(pace.speed);
    if (![...speed.options].some((option) => option.value === value)) speed.append(html("option", { value }, `${value} x`));
    if (document.activeElement !== speed && speed.value !== value) speed.value = value;
    byId("back-to").placeholder = (picture.t_ms / 1000).toFixed(1);
  }

  async save() {
    const title = html("input", { id: "case-title", size: 50, maxlength: 120, placeholder: "What was done at the desk" });
    const text = html("textarea", { id: "case-words", rows: 4, maxlength: 2000 });
    const labels = [html("label", { class: "stacked" }, "Title", title), html("label", { class: "stacked" }, "What it is about, what must be seen", text)];
    if (!(await ask("Save what was done as a case", labels, "Save"))) return;
    const answer = await wish({ kind: "save", unit: this.pickedUnit(), title: title.value, text: text.value });
    if (!answer) return;
    const link = html("a", { id: "case-download", download: answer.name, href: URL.createObjectURL(new Blob([answer.text], { type: "application/toml" })) }, `Download ${answer.name}`);
    const left = answer.left_out ? `${answer.left_out} commands cannot be said in a case; they stand in its head.` : "Everything that was done is in it.";
    await ask("What was done, as a case file", [
      `It has been read by the case loader. ${left}`,
      html("p", {}, link),
      html("pre", { id: "case-text", tabindex: 0 }, answer.text),
      html("p", {}, html("code", {}, `skidproof prove SITE --case ${answer.name}`)),
    ]);
    URL.revokeObjectURL(link.href);
  }
}
