// State strips: a row for each unit on the time axis of the trends. Greys are normal, letters say which state.

const ROW = 15;
const FILLS = {
  OFF: "#f3f4f2", STANDBY: "#f3f4f2", WAIT_PERMIT: "#e6e9e7", BOOT: "#dfe2e0", MAINTENANCE: "#dfe2e0",
  START_FLUSH: "#c9cfcc", STOP_FLUSH: "#c9cfcc", DELAY: "#d6dbd8", STOPPING: "#d6dbd8",
  PUMP_START: "#7f8784", PRODUCE: "#9aa29f", PURGE: "#b4bbb8",
  QUALITY_FLUSH: "#f0d48a", RETRY_WAIT: "#f0c04a", LOCKOUT: "#b3122f", ESTOP: "#6b0f52",
};
const LIGHT_TEXT = new Set(["LOCKOUT", "ESTOP", "PUMP_START"]);

export function stripHeight(units) {
  return units * ROW;
}

/** Draws into a uPlot whose y scale goes from 0 to the number of units; unit 1 is at the top. */
export function drawStrips(u, changes, states, units, nowS) {
  const { ctx, bbox } = u;
  const scale = window.devicePixelRatio || 1;
  const row = bbox.height / units;
  const end = Math.min(u.valToPos(nowS, "x", true), bbox.left + bbox.width);
  ctx.save();
  ctx.font = `${10.5 * scale}px system-ui`;
  ctx.textBaseline = "middle";
  for (let unit = 1; unit <= units; unit += 1) {
    const top = bbox.top + (unit - 1) * row;
    ctx.fillStyle = "#3b4340";
    ctx.textAlign = "right";
    ctx.fillText(`unit ${unit}`, bbox.left - 6 * scale, top + row / 2);
    const own = changes.filter(([, whose]) => whose === unit);
    own.forEach(([tMs, , code], place) => {
      const next = own[place + 1];
      const left = Math.max(u.valToPos(tMs / 1000, "x", true), bbox.left);
      const right = Math.min(next ? u.valToPos(next[0] / 1000, "x", true) : end, end);
      if (right > left) segment(ctx, left, top + scale, right - left, row - 2 * scale, states[code], scale);
    });
  }
  ctx.restore();
}

function segment(ctx, x, y, width, height, state, scale) {
  ctx.fillStyle = FILLS[state?.name] ?? "#ffffff";
  ctx.fillRect(x, y, Math.max(width, scale), height);
  ctx.strokeStyle = "#8b9390";
  ctx.lineWidth = scale * 0.5;
  ctx.strokeRect(x, y, Math.max(width, scale), height);
  if (width < 18 * scale) return;
  ctx.fillStyle = state && LIGHT_TEXT.has(state.name) ? "#ffffff" : "#1d2422";
  ctx.textAlign = "center";
  ctx.fillText(state ? state.code : "no power", x + width / 2, y + height / 2, width);
}
