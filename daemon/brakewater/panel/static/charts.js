// Charts of one window that zoom, move and point together. Each shows the least and the most of every stretch.
import { by, clock, clockExact, inZone, make, quietly, toldJson } from "./past.js";
import { word } from "./words.js";

const SIDE = 1; // widths asked for beyond each edge, so that moving shows something at once
const MOST = 5000;

let uPlot = null, outer = null, zoom = null, beside = null, brake = null, plots = [], asked = 0, waiting = 0, onZoom = () => {}, now = null;

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
  return `/api/past/charts?from_ms=${window.from}&to_ms=${window.to}&zoom_from_ms=${Math.floor(from)}&zoom_to_ms=${Math.ceil(to)}&count=${count}`;
}

export async function draw(anew = false) {
  const mine = ++asked, wide = by("charts").clientWidth, width = zoom.to - zoom.from;
  const from = Math.max(outer.from, zoom.from - SIDE * width), to = Math.min(outer.to, zoom.to + SIDE * width);
  const count = Math.min(MOST, Math.round(Math.max(100, wide) * ((to - from) / width)));
  const found = await toldJson(path(outer, from, to, count));
  let other = null;
  if (beside !== null) {
    const move = beside.from - outer.from;
    other = await toldJson(path(beside, Math.max(0, from + move), Math.max(1, to + move), count));
    other.utc_ms = other.utc_ms.map((ms) => ms - move);
  }
  if (mine !== asked) return; // a newer zoom is under way
  const brakes = [...new Set(found.lines.map((line) => line.brake))];
  brake = brakes.includes(brake) ? brake : brakes[0];
  onZoom(brakes);
  if (uPlot === null) return;
  const lines = found.lines.filter((line) => line.brake === brake && line.most.some((value) => value !== null));
  const data = lines.map((line) => joined(found, line, other));
  if (anew || plots.length !== lines.length) {
    for (const plot of plots) plot.destroy();
    by("charts").replaceChildren();
    plots = lines.map((line, at) => chart(line, data[at], wide));
  } else plots.forEach((plot, at) => { plot.setData(data[at], false); });
  scale();
}

function joined(found, line, other) {
  const mine = [found.utc_ms.map((ms) => ms / 1000), line.least, line.most];
  const twin = other?.lines.find((one) => one.quantity === line.quantity);
  if (!twin) return mine;
  return uPlot.join([mine, [other.utc_ms.map((ms) => ms / 1000), twin.least, twin.most]]);
}

function scale() {
  for (const plot of plots) {
    plot.batch(() => {
      plot.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
      plot.setScale("x", { min: zoom.from / 1000, max: zoom.to / 1000 });
    });
  }
  mark(now);
}

function chart(line, data, wide) {
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name).trim();
  const axis = { stroke: colour("--text"), grid: { stroke: colour("--off"), width: 1 }, ticks: { stroke: colour("--line"), width: 1 } };
  const times = (_, splits, __, ___, step) => splits.map((s) => clock(s * 1000).slice(11) + (step < 1 ? (s % 1).toFixed(1).slice(1) : ""));
  const place = make("div", "", "chart");
  by("charts").append(place);
  const side = (name, stroke, dash) => ({ label: word(name), stroke, width: 1, spanGaps: false, dash });
  const pair = [side("least-of", colour("--mark")), side("most-of", colour("--text"))];
  const others = data.length > 3 ? [side("least-beside", colour("--red"), [4, 3]), side("most-beside", colour("--red"), [4, 3])] : [];
  const plot = new uPlot({
    title: `${word(line.quantity)}${line.unit === "1" ? "" : `, ${line.unit}`}`,
    width: wide - 2, height: 150,
    tzDate: (s) => uPlot.tzDate(new Date(s * 1000), inZone()),
    cursor: { sync: { key: "window" }, drag: { x: true, y: false, setScale: false } },
    scales: { x: { time: true, auto: false, min: zoom.from / 1000, max: zoom.to / 1000 } },
    axes: [{ ...axis, size: 30, space: 84, values: times }, { ...axis, size: 64 }],
    series: [{ label: word("time"), value: (_, s) => (s === null ? "--" : clockExact(s * 1000)) }, ...pair, ...others],
    bands: [{ series: [2, 1], fill: `${colour("--mark")}55` }],
    hooks: {
      setSelect: [(one) => {
        const { left, width } = one.select;
        if (width > 2) zoomTo(one.posToVal(left, "x") * 1000, one.posToVal(left + width, "x") * 1000);
      }],
    },
  }, data, place);
  plot.now = make("div", "", "now");
  plot.over.append(plot.now);
  movable(plot);
  return plot;
}

// With the shift key held a pull moves the window instead of zooming: what is there moves at once, the rest is asked for after.
function movable(plot) {
  plot.over.addEventListener("mousedown", (down) => {
    if (!down.shiftKey) return;
    down.stopImmediatePropagation();
    down.preventDefault();
    const begun = { ...zoom }, per = (zoom.to - zoom.from) / plot.over.clientWidth;
    const move = (event) => { zoomTo(begun.from - (event.clientX - down.clientX) * per, begun.to - (event.clientX - down.clientX) * per); };
    const up = () => { removeEventListener("mousemove", move); removeEventListener("mouseup", up); };
    addEventListener("mousemove", move);
    addEventListener("mouseup", up);
  }, true);
}

export function zoomTo(from, to) {
  if (outer === null) return;
  const width = Math.max(1000, Math.round(to - from));
  const begin = Math.min(Math.max(outer.from, Math.floor(from)), Math.max(outer.from, outer.to - width));
  zoom = { from: begin, to: Math.min(outer.to, begin + width) };
  scale();
  onZoom(null);
  clearTimeout(waiting);
  waiting = setTimeout(quietly(draw), 60, false); // the same pull reaches every chart
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
  for (const plot of plots) {
    const inside = ms !== null && ms >= zoom.from && ms <= zoom.to;
    plot.now.hidden = !inside;
    if (inside) plot.now.style.transform = `translateX(${plot.valToPos(ms / 1000, "x")}px)`;
  }
}

by("charts").addEventListener("keydown", (event) => {
  const does = { ArrowLeft: () => shift(-0.25), ArrowRight: () => shift(0.25), "+": () => closer(0.5), "-": () => closer(2), Home: whole }[event.key];
  if (!does) return;
  event.preventDefault();
  does();
});
let resized = 0;
addEventListener("resize", () => { clearTimeout(resized); resized = setTimeout(() => { if (outer) quietly(draw)(true); }, 200); });
