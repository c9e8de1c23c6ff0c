// Each alarm of the window on a line of its own: while its condition held; and who asked for what, and notes.
import { by, clockExact, make } from "./past.js";
import { word } from "./words.js";

const HELD = ["unacknowledged", "acknowledged"];
let rows = new Map(), outer = null;

export const moment = (command) => Date.parse(command.do === "note" && command.args.at ? command.args.at : command.t);

export function take(events, commands, window) {
  outer = window;
  rows = new Map();
  for (const event of events) {
    if (!event.alarm) continue;
    const key = `${event.brake ?? "rig"}.${event.alarm}`;
    const row = rows.get(key) ?? rows.set(key, { spans: [], marks: [], since: null }).get(key);
    const at = Date.parse(event.t);
    if (row.since === null && HELD.includes(event.from)) row.since = outer.from;
    if (HELD.includes(event.to)) row.since ??= at;
    else if (row.since !== null) { row.spans.push([row.since, at]); row.since = null; }
    if (event.actor) row.marks.push([at, event.actor]);
  }
  for (const row of rows.values()) if (row.since !== null) row.spans.push([row.since, outer.to]);
  for (const [name, wanted] of [["notes", (one) => one.do === "note"], ["commands", (one) => one.do !== "note"]]) {
    const marks = commands.filter(wanted).map((one) => [moment(one), said(one)]);
    if (marks.length) rows.set(word(name), { spans: [], marks });
  }
}

export const said = (one) => `${one.actor}: ${one.do === "note" ? one.args.text : [word(one.do), one.args.alarm ?? one.args.setting ?? one.args.point ?? one.args.round ?? ""].join(" ")}`;

// The lines lie exactly under one another with the charts: a bar begins where its curve passes the limit.
function align() {
  const over = document.querySelector(".chart .u-over")?.getBoundingClientRect(), own = by("spans").getBoundingClientRect();
  by("spans").style.paddingLeft = over ? `${Math.max(0, over.left - own.left)}px` : "0";
  by("spans").style.paddingRight = over ? `${Math.max(0, own.right - over.right)}px` : "0";
}

export function show(zoom, now, go) {
  align();
  by("spans").replaceChildren(...[...rows].map(([key, row]) => {
    const line = make("div", "", "span"), canvas = make("canvas");
    line.append(make("span", key), canvas);
    canvas.setAttribute("role", "img");
    canvas.setAttribute("aria-label", [key, ...row.spans.map(([from, to]) => `${clockExact(from)} – ${clockExact(to)}`), ...row.marks.map(([at, what]) => `${clockExact(at)} ${what}`)].join("; "));
    canvas.onclick = (event) => go(zoom.from + (event.offsetX / canvas.clientWidth) * (zoom.to - zoom.from));
    canvas.onmousemove = (event) => {
      const at = zoom.from + (event.offsetX / canvas.clientWidth) * (zoom.to - zoom.from), near = (4 / canvas.clientWidth) * (zoom.to - zoom.from);
      const mark = row.marks.find(([ms]) => Math.abs(ms - at) <= near), span = row.spans.find(([from, to]) => from <= at && at <= to);
      canvas.title = mark ? `${clockExact(mark[0])} ${mark[1]}` : span ? `${clockExact(span[0])} – ${clockExact(span[1])}` : "";
    };
    requestAnimationFrame(() => paint(canvas, row, zoom, now));
    return line;
  }));
}

function paint(canvas, row, zoom, now) {
  canvas.width = canvas.clientWidth;
  canvas.height = canvas.clientHeight;
  const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
  const x = (ms) => ((ms - zoom.from) / (zoom.to - zoom.from)) * canvas.width;
  pen.fillStyle = style.getPropertyValue("--red");
  for (const [from, to] of row.spans) pen.fillRect(x(from), 3, Math.max(2, x(to) - x(from)), canvas.height - 6);
  pen.fillStyle = style.getPropertyValue("--text");
  for (const [at] of row.marks) pen.fillRect(x(at) - 1, 0, 3, canvas.height);
  pen.fillStyle = style.getPropertyValue("--mark");
  if (now !== null) pen.fillRect(x(now) - 1, 0, 2, canvas.height);
}
