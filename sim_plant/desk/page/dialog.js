// One dialog for all questions and texts; the Escape key closes it with "no".

import { byId, html } from "./dom.js";

/** Shows text or elements; resolves to true when the person says yes. */
export function ask(title, body, yes = "") {
  const dialog = byId("dialog");
  byId("dialog-title").textContent = title;
  byId("dialog-body").replaceChildren(...[body].flat().map(paragraph));
  byId("dialog-yes").textContent = yes;
  byId("dialog-yes").hidden = !yes;
  byId("dialog-no").textContent = yes ? "Cancel" : "Close";
  dialog.returnValue = "no";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => resolve(dialog.returnValue === "yes"), { once: true });
  });
}

function paragraph(part) {
  return typeof part === "string" ? html("p", {}, part) : part;
}
