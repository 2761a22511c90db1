// Symbols of a flow diagram after ISO 10628, instruments as circles after ISA-5.1. Drawn by hand.

import { svg } from "./dom.js";

/** A pipe through points: "x,y x,y". */
export function pipe(points) {
  return svg("polyline", { points, class: "pipe" });
}

/** Text; anchor is start, middle or end. */
export function label(x, y, text, kind = "tag", anchor = "middle") {
  return svg("text", { x, y, class: kind, "text-anchor": anchor }, text);
}

/** A flag that leads to another drawing. */
export function flag(x, y, width, text, outward = false) {
  const points = `${x},${y - 10} ${x + width - 8},${y - 10} ${x + width},${y} ${x + width - 8},${y + 10} ${x},${y + 10}`;
  return svg("g", { class: outward ? "flag out" : "flag" }, svg("polygon", { points }), label(x + (width - 6) / 2, y + 4, text, "small"));
}

/** A valve with a solenoid; the group's class says open or shut. */
export function valve(x, y) {
  return svg(
    "g",
    { class: "valve" },
    svg("polygon", { points: `${x - 14},${y - 9} ${x - 14},${y + 9} ${x},${y}` }),
    svg("polygon", { points: `${x + 14},${y - 9} ${x + 14},${y + 9} ${x},${y}` }),
    svg("path", { d: `M${x} ${y}V${y - 13}`, class: "thin" }),
    svg("rect", { x: x - 6, y: y - 23, width: 12, height: 10, class: "actuator" }),
    label(x, y - 15, "S", "micro"),
  );
}

/** A pump: a circle with its outlet drawn in. */
export function pump(x, y, r = 15) {
  const h = r * 0.87;
  return svg(
    "g",
    { class: "pump" },
    svg("circle", { cx: x, cy: y, r }),
    svg("path", { d: `M${x - r * 0.5} ${y - h}L${x + r} ${y}L${x - r * 0.5} ${y + h}`, class: "vane" }),
  );
}

/** Membranes: a separator with its diagonal. */
export function membrane(x, y, width, height) {
  return svg(
    "g",
    { class: "membrane" },
    svg("rect", { x, y, width, height }),
    svg("path", { d: `M${x} ${y + height}L${x + width} ${y}`, class: "dash" }),
  );
}

/** A restriction orifice. */
export function orifice(x, y) {
  return svg("path", { d: `M${x - 2} ${y - 7}v5M${x + 2} ${y - 7}v5M${x - 2} ${y + 2}v5M${x + 2} ${y + 2}v5`, class: "thin" });
}

/** An instrument in the field with its tag in two lines, joined to the pipe at (x, toY). */
export function instrument(x, y, tag, toY) {
  const [letters, number] = tag.split("-");
  const edge = toY > y ? y + 14 : y - 14;
  return svg(
    "g",
    { class: "instrument" },
    svg("path", { d: `M${x} ${edge}V${toY}`, class: "thin" }),
    svg("circle", { cx: x, cy: y, r: 14 }),
    label(x, y - 1, letters, "tiny"),
    label(x, y + 9, number, "tiny"),
  );
}
