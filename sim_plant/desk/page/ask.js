// The way to the server: facts once, pictures as they come, wishes one by one.

import { byId, setText } from "./dom.js";

/** What does not change. */
export async function readAbout() {
  return readJson("/about");
}

/** Rows for trends. */
export async function readHistory(unit, fromS, toS, points) {
  const query = new URLSearchParams({ unit, from_s: Math.max(fromS, 0), to_s: Math.max(toS, 0), points });
  return readJson(`/history?${query}`);
}

async function readJson(path) {
  const response = await fetch(path);
  const answer = await response.json();
  if (!response.ok) throw new Error(answer.error);
  return answer;
}

/** Hands a wish in and says what became of it; null when it was refused. */
export async function wish(body) {
  try {
    const response = await fetch("/wish", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
    });
    const answer = await response.json();
    if (!response.ok) return say(answer.error, false);
    if (answer.text && body.kind !== "save") say(answer.text, answer.ok);
    return answer;
  } catch {
    return say("the program does not answer", false);
  }
}

function say(text, ok) {
  const said = byId("said");
  said.className = ok ? "said" : "said refused";
  setText(said, `${ok ? "" : "✕ "}${text}`);
  return null;
}

/** A command of the person who sits here. */
export function order(verb, unit, against = "", more = {}) {
  return wish({ kind: "order", verb, unit, against, by: personName(), ...more });
}

/** Something done to the plant. */
export function deed(step, inS = 0) {
  return wish({ kind: "deed", step, in_s: inS });
}

export function personName() {
  return localStorage.getItem("desk-person") || "desk";
}

/** The latest picture alone. */
export async function readPicture() {
  return readJson("/picture");
}

/** Calls back with every picture, and with whether the line stands. */
export function follow(onPicture, onLine) {
  const events = new EventSource("/events");
  events.onmessage = (event) => onPicture(JSON.parse(event.data));
  events.onopen = () => onLine(true);
  events.onerror = () => onLine(false);
}
