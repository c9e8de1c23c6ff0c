// The setpoints in force on a chart. A chart's library comes with the caller: a report has it in its own page.
const REACH = 1; // a setpoint so many heights away or nearer is drawn in; one beyond is named at the edge
const ROW = 13; // CSS pixels of a setpoint's name

// While a setpoint was in force within sight: from, to, at what, and in words.
function stretchesOf(limit, x) {
  const when = limit.steps.map(([ms]) => ms / 1000).concat(Infinity);
  return limit.steps.map(([, value, text], n) => ({ from: Math.max(x.min, when[n]), to: Math.min(x.max, when[n + 1]), value, text }))
    .filter((one) => one.value !== null && one.from < one.to);
}

// As high as what was measured, and as the setpoints near it: one far away must not flatten it.
export function reach(uPlot, limits, x, least, most) {
  if (least === null) return [null, null];
  const [low, high] = uPlot.rangeNum(least, most, 0.1, true), far = REACH * (high - low), edge = 0.05 * (high - low);
  const near = limits.flatMap((limit) => stretchesOf(limit, x)).map((one) => one.value).filter((value) => value >= low - far && value <= high + far);
  return [Math.min(low, ...near.map((value) => value - edge)), Math.max(high, ...near.map((value) => value + edge))];
}

// On a narrow chart the name is cut short, never the value and its unit.
function named(pen, alarm, value, most) {
  let name = `${alarm} ${value}`;
  for (let n = alarm.length - 1; n > 0 && pen.measureText(name).width > most; n -= 1) name = `${alarm.slice(0, n).trimEnd()}\u2026 ${value}`;
  return name;
}

// What alarms judge by: a thin line with its name, stepping where it was changed; out of sight its name at the edge.
export function setpoints(uPlot, plot, limits, [stroke, ink]) {
  const { left, top, width, height } = plot.bbox, { x, y } = plot.scales, pen = plot.ctx, ratio = uPlot.pxRatio;
  if (y.min == null) return;
  const across = width / (x.max - x.min), up = height / (y.max - y.min), row = ROW * ratio, taken = [];
  pen.save();
  pen.beginPath();
  pen.rect(left, top, width, height);
  pen.clip();
  pen.strokeStyle = stroke;
  pen.fillStyle = ink;
  pen.lineWidth = ratio;
  pen.font = `${11 * ratio}px system-ui, "DejaVu Sans", sans-serif`;
  pen.textAlign = "left";
  pen.textBaseline = "alphabetic";
  for (const limit of limits) {
    const line = new Path2D();
    let before = null;
    for (const one of stretchesOf(limit, x)) {
      const from = left + (one.from - x.min) * across, to = left + (one.to - x.min) * across, at = Math.round(top + (y.max - one.value) * up) + 0.5;
      if (before === one.from) line.lineTo(from, at); else line.moveTo(from, at);
      line.lineTo(to, at);
      before = one.to;
      const arrow = at < top ? "\u2191 " : at > top + height ? "\u2193 " : "";
      const name = named(pen, `${arrow}${limit.alarm}`, one.text, width - 8 * ratio), wide = pen.measureText(name).width + 8 * ratio;
      if (wide > to - from && one.to < x.max) continue; // no room between two steps
      const begin = Math.max(left, Math.min(from, left + width - wide));
      const above = at - 3 * ratio, fits = above >= top + row - ratio;
      let base = Math.min(fits ? above : Math.max(at, top) + row, top + height - 3 * ratio);
      const meets = () => taken.some((other) => Math.abs(other.base - base) < row && begin < other.end && other.begin < begin + wide);
      const step = base > top + height / 2 ? -row : row;
      while (meets() && base > top && base < top + height) base += step;
      taken.push({ base, begin, end: begin + wide });
      pen.fillText(name, begin + 4 * ratio, base);
    }
    pen.stroke(line);
  }
  pen.restore();
}
