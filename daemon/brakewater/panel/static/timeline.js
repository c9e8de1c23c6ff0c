// Each alarm of the window on a line of its own: while its condition held; and who asked for what, and notes.
// Its rows are made once for a window; what moves is only painted again.
import { by, make, whenSeen } from "./past.js";
import { clockExact } from "./zone.js";
import { word } from "./words.js";

const HELD = ["unacknowledged", "acknowledged"];
let outer = null, lines = [], zoom = null, now = null, inks = null, go = () => {};

export const moment = (command) => Date.parse(command.do === "note" && command.args.at ? command.args.at : command.t);

export function take(events, commands, standing, window, act) {
  outer = window;
  go = act;
  build(rowsOf(events, commands, standing));
}

function rowsOf(events, commands, standing) {
  const rows = new Map(standing.map((one) => [one.alarm, { name: one.name, spans: [], marks: [], since: outer.from }]));
  for (const event of events) {
    if (!event.alarm) continue;
    const key = `${event.brake ?? "rig"}.${event.alarm}`;
    const row = rows.get(key) ?? rows.set(key, { name: event.name, spans: [], marks: [], since: null }).get(key);
    const at = Date.parse(event.t);
    if (row.since === null && HELD.includes(event.from)) row.since = outer.from;
    if (HELD.includes(event.to)) row.since ??= at;
    else if (row.since !== null) { row.spans.push([row.since, at]); row.since = null; }
    if (event.actor) row.marks.push([at, event.actor]);
  }
  for (const row of rows.values()) if (row.since !== null) row.spans.push([row.since, outer.to]);
  for (const [name, wanted] of [["notes", (one) => one.do === "note"], ["commands", (one) => one.do !== "note"]]) {
    const marks = commands.filter(wanted).map((one) => [moment(one), said(one)]);
    if (marks.length) rows.set(name, { name: word(name), spans: [], marks });
  }
  return rows;
}

export const said = (one) => `${one.actor}: ${one.do === "note" ? one.args.text : [word(`do-${one.do}`), one.args.alarm ?? one.args.setting ?? one.args.point ?? one.args.round ?? ""].join(" ")}`;

// The lines lie exactly under one another with the charts: a bar begins where its curve passes the limit.
export function align() {
  const over = document.querySelector(".chart .u-over")?.getBoundingClientRect(), own = by("spans").getBoundingClientRect();
  const there = over && over.width > 0 && own.width > over.width;
  by("spans").style.paddingLeft = there ? `${Math.max(0, over.left - own.left)}px` : "0";
  by("spans").style.paddingRight = there ? `${Math.max(0, own.right - over.right)}px` : "0";
}

function build(rows) {
  for (const one of lines) { one.unseen(); sizes.unobserve(one.canvas); }
  lines = [...rows].map(([key, row]) => line(key, row));
  by("spans").replaceChildren(...lines.map((one) => one.line));
}

function line(key, row) {
  const made = { row, line: make("div", "", "span"), canvas: make("canvas"), seen: true, width: 0, height: 0 }, { canvas } = made;
  made.line.append(Object.assign(make("span", row.name), { title: key }), canvas);
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", [row.name, ...row.spans.map(([from, to]) => `${clockExact(from)} – ${clockExact(to)}`), ...row.marks.map(([at, what]) => `${clockExact(at)} ${what}`)].join("; "));
  const per = () => (zoom.to - zoom.from) / canvas.clientWidth;
  canvas.onclick = (event) => { if (zoom) go(zoom.from + event.offsetX * per()); };
  canvas.onmousemove = (event) => {
    if (!zoom) return;
    const at = zoom.from + event.offsetX * per(), near = 4 * per();
    const mark = row.marks.find(([ms]) => Math.abs(ms - at) <= near), span = row.spans.find(([from, to]) => from <= at && at <= to);
    canvas.title = mark ? `${clockExact(mark[0])} ${mark[1]}` : span ? `${clockExact(span[0])} – ${clockExact(span[1])}` : "";
  };
  made.unseen = whenSeen(made.line, (seen) => { made.seen = seen; if (seen) paint(made); });
  canvas.made = made;
  sizes.observe(canvas);
  return made;
}

const sizes = new ResizeObserver((entries) => {
  for (const { target, contentRect } of entries) {
    const ratio = devicePixelRatio || 1, one = target.made;
    target.width = one.width = Math.round(contentRect.width * ratio);
    target.height = one.height = Math.round(contentRect.height * ratio);
    paint(one);
  }
});
document.addEventListener("light", () => { inks = null; lines.forEach(paint); });

export function show(zoom_, now_) {
  [zoom, now] = [zoom_, now_];
  for (const one of lines) if (one.seen) paint(one);
}

function paint({ canvas, row, width, height }) {
  if (!zoom || !width) return;
  if (inks === null) {
    const style = getComputedStyle(document.documentElement);
    inks = Object.fromEntries(["red", "text", "mark"].map((name) => [name, style.getPropertyValue(`--${name}`)]));
  }
  const pen = canvas.getContext("2d"), ratio = devicePixelRatio || 1, x = (ms) => ((ms - zoom.from) / (zoom.to - zoom.from)) * width;
  pen.clearRect(0, 0, width, height);
  pen.fillStyle = inks.red;
  for (const [from, to] of row.spans) if (to >= zoom.from && from <= zoom.to) pen.fillRect(x(from), 3 * ratio, Math.max(2 * ratio, x(to) - x(from)), height - 6 * ratio);
  pen.fillStyle = inks.text;
  for (const [at] of row.marks) if (at >= zoom.from && at <= zoom.to) pen.fillRect(x(at) - ratio, 0, 3 * ratio, height);
  pen.fillStyle = inks.mark;
  if (now !== null) pen.fillRect(x(now) - ratio, 0, 2 * ratio, height);
}
