// Small help with the document: elements are made once and changed only where something changed.

const SVG = "http://www.w3.org/2000/svg";

/** An HTML element with attributes, then text or children. A key "on..." is a listener. */
export function html(name, attributes = {}, ...children) {
  return fill(document.createElement(name), attributes, children);
}

/** An SVG element, likewise. */
export function svg(name, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, name), attributes, children);
}

function fill(element, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (value !== false && value != null) element.setAttribute(key, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child != null));
  return element;
}

/** Sets text only when it is another one, so that nothing is laid out anew for nothing. */
export function setText(element, text) {
  if (element.firstChild?.nodeType === Node.TEXT_NODE && element.firstChild.data === text) return;
  if (element.textContent !== text) element.textContent = text;
}

/** Sets an attribute only when it is another one. */
export function setAttribute(element, name, value) {
  if (element.getAttribute(name) !== String(value)) element.setAttribute(name, value);
}

export function byId(id) {
  return document.getElementById(id);
}

/** Seconds as h:mm:ss. */
export function clockText(seconds) {
  const whole = Math.floor(seconds);
  const two = (n) => String(n).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
}

/** A reading with as many digits as its range deserves. */
export function numberText(value, range) {
  if (value == null) return "---";
  const digits = range >= 500 ? 0 : range >= 20 ? 1 : 2;
  return value.toFixed(digits).replace(/^-(0(\.0+)?)$/, "$1"); // no minus before nothing
}

const SHAPES = { 1: "▲", 2: "◆", 3: "●" };

/** The mark of a priority: a shape and its number, never colour alone. */
export function priorityMark(priority) {
  return priority ? `${SHAPES[priority]}${priority}` : "";
}
