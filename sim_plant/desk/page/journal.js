// The firmware's journal and what became of wishes.

import { wish } from "./ask.js";
import { byId, clockText, html } from "./dom.js";

export class Journal {
  constructor(about) {
    this.key = "";
    this.receipts = html("ol", { class: "journal", reversed: true });
    this.lines = html("ol", { class: "journal", reversed: true });
    const done = about.live ? [] : [html("h2", {}, about.takes_wishes ? "Wishes" : "What the bench did"), this.receipts];
    byId("panel-journal").append(...done, html("h2", {}, about.live ? "What was seen of the target" : "Journal"), this.lines);
  }

  show(picture) {
    const told = picture.journal ?? [];
    const key = JSON.stringify([picture.journal?.length, told.at(-1), picture.receipts]);
    if (key === this.key || byId("panel-journal").hidden) return;
    this.key = key;
    this.receipts.replaceChildren(
      ...picture.receipts.toReversed().map((r) => {
        const row = line(r.t_s, r.text, r.outcome || "waits for the next scan", r.ok || !r.outcome ? "" : "refused");
        const before = () => wish({ kind: "back", to_s: r.t_s });
        row.append(html("button", { type: "button", class: "link", onclick: before, "aria-label": `Wind back to before ${r.text}` }, "back to before"));
        return row;
      }),
    );
    this.lines.replaceChildren(
      ...told.toReversed().map(([tS, unit, kind, text]) => line(tS, unit ? `unit ${unit}` : "bank", `${kind}: ${text}`, kind)),
    );
    if (!picture.journal) this.lines.append(html("li", {}, "The record holds no journal."));
  }
}

function line(tS, who, text, kind) {
  return html("li", { class: kind }, html("time", {}, clockText(tS)), html("b", {}, ` ${who} `), text);
}
