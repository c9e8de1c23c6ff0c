// Charts of one window that zoom, move and point together. Each shows the least and the most of every stretch.
// What moves them (a pull, a key, the player) only says where to; once a frame those that can be seen are drawn there.
import { by, make, quietly, toldJson, whenSeen } from "./past.js";
import { reach, setpoints } from "./setpoints.js";
import { asked as chosen, word } from "./words.js";
import { clockExact, clockOfDay, inZone, wallDate } from "./zone.js";

const SIDE = 1; // widths asked for beyond each edge, so that moving shows something at once
const MOST = 5000;
const APART = 8; // CSS pixels between two scans from which on each has a dot
const SCANS_S = 2; // nothing scanned for so long is open
const STEPS_S = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600]; // between two times written below
const LATER_MS = 60; // the same pull reaches every chart

let uPlot = null, outer = null, zoom = null, beside = null, brake = null, plots = [], asked = 0, waiting = 0, onZoom = () => {}, now = null;
let there = null, step = 0, framed = 0, pulling = false, reading = false; // what was read, a frame to come, a hand that moves, a request on its way

export async function load() {
  try { uPlot = (await import("/static/vendor/uPlot.esm.js")).default; } catch { by("no-charts").hidden = false; }
}

export const zoomed = () => zoom;
export const brakeShown = () => brake;

export async function show(from, to, of, told) {
  outer = zoom = { from, to };
  brake = of;
  beside = null;
  onZoom = told;
  await draw(true);
}

// The other window is laid over this one, both from their begin on.
export async function compare(from, to) {
  beside = from === null ? null : { from, to };
  await draw(true);
}

export async function choose(name) {
  brake = name;
  await draw(true);
}

function path(window, from, to, count) {
  return `/api/past/charts?from_ms=${window.from}&to_ms=${window.to}&zoom_from_ms=${Math.floor(from)}&zoom_to_ms=${Math.ceil(to)}&count=${count}&${chosen()}`;
}

export async function draw(anew = false) {
  const mine = ++asked, wide = by("charts").clientWidth, width = zoom.to - zoom.from;
  const from = Math.max(outer.from, zoom.from - SIDE * width), to = Math.min(outer.to, zoom.to + SIDE * width);
  const count = Math.min(MOST, Math.round(Math.max(100, wide) * ((to - from) / width)));
  reading = true;
  let found = null, other = null;
  try {
    found = await toldJson(path(outer, from, to, count));
    if (beside !== null) {
      const move = beside.from - outer.from;
      other = await toldJson(path(beside, Math.max(0, from + move), Math.max(1, to + move), count));
      other.utc_ms = other.utc_ms.map((ms) => ms - move);
    }
  } finally { if (mine === asked) reading = false; }
  if (mine !== asked) return; // a newer zoom is under way
  there = { from, to };
  step = (to - from) / count / 1000;
  const brakes = [...new Set(found.lines.map((line) => line.brake))];
  brake = brakes.includes(brake) ? brake : brakes[0];
  const lines = found.lines.filter((line) => line.brake === brake && line.most.some((value) => value !== null));
  if (uPlot !== null) {
    const data = lines.map((line) => joined(found, line, other));
    if (anew || plots.length !== lines.length) {
      for (const plot of plots) { plot.unseen(); plot.destroy(); }
      by("charts").replaceChildren();
      plots = lines.map((line, at) => chart(line, data[at], wide));
    } else plots.forEach((plot, at) => { plot.limits.splice(0, Infinity, ...lines[at].limits); plot.setData(data[at], false); });
  }
  onZoom(brakes);
  soon();
}

function joined(found, line, other) {
  const mine = [found.utc_ms.map((ms) => ms / 1000), line.least, line.most];
  const twin = other?.lines.find((one) => one.quantity === line.quantity);
  if (!twin) return mine;
  return uPlot.join([mine, [other.utc_ms.map((ms) => ms / 1000), twin.least, twin.most]]);
}

// However often something moves, what can be seen is drawn once a frame; the rest when it comes into sight.
function soon() { framed ||= requestAnimationFrame(frame); }

function frame() {
  framed = 0;
  for (const plot of plots) if (plot.seen) place(plot); else plot.behind = true;
  onZoom(null);
}

function place(plot) {
  plot.behind = false;
  plot.batch(() => plot.setScale("x", { min: zoom.from / 1000, max: zoom.to / 1000 }));
  markOn(plot);
}

const NOTHING = { left: 0, width: 0, top: 0, height: 0 };

function chart(line, data, wide) {
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name).trim();
  const axis = { stroke: colour("--text"), grid: { stroke: colour("--off"), width: 1 }, ticks: { stroke: colour("--line"), width: 1 } };
  const times = (_, splits, __, ___, step) => splits.map((s) => clockOfDay(s * 1000) + (step < 1 ? (s % 1).toFixed(1).slice(1) : ""));
  const place_ = make("div", "", "chart");
  by("charts").append(place_);
  const side = (name, stroke, dash) => ({ label: word(name), stroke, width: 1, spanGaps: false, dash, paths: () => null, points: { show: false } });
  const pair = [side("least-of", colour("--mark")), side("most-of", colour("--text"))];
  const others = data.length > 3 ? [side("least-beside", colour("--other"), [4, 3]), side("most-beside", colour("--other"), [4, 3])] : [];
  const fill = `${colour("--mark")}55`, limits = [...line.limits], limit = [colour("--red"), colour("--text")];
  const plot = new uPlot({
    title: `${word(line.quantity)}${line.unit === "1" ? "" : `, ${line.unit}`}`,
    width: wide - 2, height: 150,
    tzDate: (s) => wallDate(s * 1000, inZone()),
    cursor: { sync: { key: "window" }, drag: { x: true, y: false, setScale: false }, points: { show: false } },
    scales: {
      x: { time: true, auto: false, min: zoom.from / 1000, max: zoom.to / 1000 },
      y: { range: (one, least, most) => reach(uPlot, limits, one.scales.x, least, most) },
    },
    axes: [{ ...axis, size: 30, space: 72, incrs: STEPS_S, values: times }, { ...axis, size: 64, space: 24 }],
    series: [{ label: word("time"), value: (_, s) => (s === null ? "--" : clockExact(s * 1000)) }, ...pair, ...others],
    hooks: {
      draw: [(one) => {
        band(one, 1, fill, [pair[0].stroke, pair[1].stroke], []);
        if (others.length) band(one, 3, null, [others[0].stroke, others[1].stroke], others[0].dash);
        setpoints(uPlot, one, limits, limit);
      }],
      setSelect: [(one) => {
        const { left, width } = one.select;
        if (width > 0) one.setSelect(NOTHING, false);
        if (width > 2) zoomTo(one.posToVal(left, "x") * 1000, one.posToVal(left + width, "x") * 1000);
      }],
    },
  }, data, place_);
  plot.limits = limits;
  plot.now = make("div", "", "now");
  plot.over.append(plot.now);
  plot.seen = true;
  plot.unseen = whenSeen(place_, (seen) => {
    plot.seen = seen;
    if (seen && plot.behind) place(plot);
  });
  movable(plot);
  return plot;
}

// Least and most of each stretch: two lines, what lies between them filled, and a dot a scan where they lie far enough apart.
// The library's own way fills through a clip of as many corners, which costs several frames where there is no graphics
// card; bars of whole pixels cost twice what this does.
function band(plot, first, fill, strokes, dash) {
  const { left, top, width, height } = plot.bbox, { x, y } = plot.scales, pen = plot.ctx, ratio = uPlot.pxRatio;
  if (y.min == null) return;
  const [times, least, most] = [plot.data[0], plot.data[first], plot.data[first + 1]], [from, to] = within(times, x.min, x.max);
  const across = width / (x.max - x.min), up = height / (y.max - y.min), far = (to - from) * APART * ratio < across * (times[to] - times[from]);
  const sides = [new Path2D(), new Path2D()], area = new Path2D(), dots = [];
  let back = [], ends = null, alone = 0;
  const close = () => {
    for (let n = back.length - 2; n >= 0; n -= 2) area.lineTo(back[n], back[n + 1]);
    if (back.length) area.closePath();
    if (back.length === 2) dots.push(...back, back[0], alone); // one between two holes makes no line
    back = [];
  };
  for (let n = from; n <= to; n += 1) {
    if (least[n] === undefined) continue; // a time of the other trip
    if (least[n] === null) { close(); continue; }
    if (times[n] - ends > 2 * Math.max(step, SCANS_S)) close(); // nothing was scanned between them
    const place_ = left + (times[n] - x.min) * across, low = top + (y.max - least[n]) * up, high = top + (y.max - most[n]) * up;
    const begun = back.length > 0;
    for (const [path_, value] of [[sides[0], low], [sides[1], high], [area, high]]) if (begun) path_.lineTo(place_, value); else path_.moveTo(place_, value);
    back.push(place_, low);
    alone = high;
    if (far) dots.push(place_, low, place_, high);
    ends = times[n];
  }
  close();
  pen.save();
  pen.beginPath();
  pen.rect(left, top, width, height);
  pen.clip();
  if (fill) { pen.fillStyle = fill; pen.fill(area); }
  pen.lineWidth = ratio;
  pen.setLineDash(dash.map((one) => one * ratio));
  sides.forEach((one, n) => { pen.strokeStyle = strokes[n]; pen.stroke(one); });
  pen.fillStyle = strokes[1];
  for (let n = 0; n < dots.length; n += 2) pen.fillRect(dots[n] - 2 * ratio, dots[n + 1] - 2 * ratio, 4 * ratio, 4 * ratio);
  pen.restore();
}

// The first and last index that matter for what lies between two times: one beyond each edge, so that lines go on to it.
function within(times, min, max) {
  const before = (wanted) => {
    let low = 0, high = times.length;
    while (low < high) { const middle = (low + high) >> 1; if (times[middle] < wanted) low = middle + 1; else high = middle; }
    return low;
  };
  return [Math.max(0, before(min) - 1), Math.min(times.length - 1, before(max))];
}

// With the shift key held a pull moves the window instead of zooming, a finger always does. While it lasts only what is
// there is moved, and read on where that ends; nothing else is asked for or rebuilt.
function movable(plot) {
  plot.over.addEventListener("mousedown", (down) => { if (down.shiftKey) pull(plot, down, "mousemove", ["mouseup"]); }, true);
  plot.over.addEventListener("pointerdown", (down) => { if (down.pointerType === "touch") pull(plot, down, "pointermove", ["pointerup", "pointercancel"]); }, true);
}

function pull(plot, down, moves, ends) {
  down.stopImmediatePropagation();
  down.preventDefault();
  const begun = { ...zoom }, per = (zoom.to - zoom.from) / plot.over.clientWidth;
  pulling = true;
  for (const one of plots) one.setCursor({ left: -10, top: -10 }, false);
  const move = (event) => {
    event.stopPropagation(); // no chart follows the pointer meanwhile
    zoomTo(begun.from - (event.clientX - down.clientX) * per, begun.to - (event.clientX - down.clientX) * per);
  };
  const end = () => {
    removeEventListener(moves, move, true);
    for (const name of ends) removeEventListener(name, end);
    pulling = false;
    later();
  };
  addEventListener(moves, move, true);
  for (const name of ends) addEventListener(name, end);
}

function later() {
  clearTimeout(waiting);
  waiting = setTimeout(quietly(draw), LATER_MS, false);
}

export function zoomTo(from, to) {
  if (outer === null) return;
  const width = Math.max(1000, Math.round(to - from));
  const begin = Math.min(Math.max(outer.from, Math.floor(from)), Math.max(outer.from, outer.to - width));
  zoom = { from: begin, to: Math.min(outer.to, begin + width) };
  soon();
  if (!pulling) later();
  else if (!reading && there && (zoom.from < there.from || zoom.to > there.to)) quietly(draw)();
}

export const whole = () => { if (outer) zoomTo(outer.from, outer.to); };
export function shift(share) {
  if (outer) zoomTo(zoom.from + share * (zoom.to - zoom.from), zoom.to + share * (zoom.to - zoom.from));
}
export function closer(factor) {
  if (!outer) return;
  const middle = now !== null && now > zoom.from && now < zoom.to ? now : (zoom.from + zoom.to) / 2;
  const half = (factor * (zoom.to - zoom.from)) / 2;
  zoomTo(middle - half, middle + half);
}

// The moment that is played: a line in every chart.
export function mark(ms) {
  now = ms;
  for (const plot of plots) if (plot.seen && !plot.behind) markOn(plot); else plot.behind = true;
}

function markOn(plot) {
  const inside = now !== null && now >= zoom.from && now <= zoom.to;
  plot.now.hidden = !inside;
  if (inside) plot.now.style.transform = `translateX(${plot.valToPos(now / 1000, "x")}px)`;
}

by("charts").addEventListener("keydown", (event) => {
  const does = { ArrowLeft: () => shift(-0.25), ArrowRight: () => shift(0.25), "+": () => closer(0.5), "-": () => closer(2), Home: whole }[event.key];
  if (!does) return;
  event.preventDefault();
  does();
});
let resized = 0;
const anew = () => { clearTimeout(resized); resized = setTimeout(() => { if (outer) quietly(draw)(true); }, 200); };
addEventListener("resize", anew);
document.addEventListener("light", anew); // charts keep the colours they were made with
