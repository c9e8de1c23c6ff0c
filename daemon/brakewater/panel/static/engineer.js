import { choose, word } from "./words.js";

const HOUR_MS = 3_600_000;
const LONGEST_MS = 26 * HOUR_MS;
const HELD = ["unacknowledged", "acknowledged"];
const by = (id) => document.getElementById(id);
const make = (tag, text = "", name = "") => {
  const one = document.createElement(tag);
  one.className = name;
  one.textContent = text;
  return one;
};

let uPlot = null, zone = "UTC", outer = null, zoom = null, brake = null, events = [], plots = [], asked = 0, waiting = 0;

async function told(path) {
  by("says").textContent = word("reading");
  const answer = await fetch(path);
  if (!answer.ok) {
    const says = answer.status === 401 ? word("log-in-at-driller") : (await answer.json()).says;
    by("says").textContent = says;
    throw new Error(says);
  }
  const text = await answer.text();
  by("says").textContent = "";
  return text;
}

// What went wrong stands on the page already, or is said there now.
const quietly = (act) => (...given) => act(...given).catch((error) => { by("says").textContent = error.message; });
const clock = (ms) => new Date(ms).toLocaleString("sv", { timeZone: zone }); // year first, which nobody misreads
const clockExact = (t) => `${clock(Date.parse(t))}.${t.slice(20, 21)}`;

async function begin() {
  await choose(localStorage.getItem("language") ?? "en");
  document.documentElement.dataset.light = localStorage.getItem("light") ?? "day";
  try { uPlot = (await import("/static/vendor/uPlot.esm.js")).default; } catch { by("no-charts").hidden = false; }
  try { zone = JSON.parse(await told("/api/rig")).time_zone; } catch { /* the watch is away; the record is there */ }
  const [trips, spans] = [JSON.parse(await told("/api/past/trips")), JSON.parse(await told("/api/past/spans"))];
  showTrips(trips, spans);
}

function showTrips(trips, spans) {
  const rows = trips.map((trip) => button(
    `${trip.trip} · ${trip.brake} · ${word(`way-${trip.direction}`)}`,
    `${clock(trip.from_ms)} · ${word("stands", { n: trip.stands })} · ${Math.round(trip.energy_j / 1e6)} ± ${Math.round(2 * trip.energy_std_j / 1e6)} MJ`,
    () => open(trip.from_ms, trip.to_ms, trip.brake, word("trip", { n: trip.trip })),
  ));
  if (!trips.length) rows.push(make("p", word("no-trip")));
  if (spans.length) {
    const last = Math.max(...spans.map((span) => span.to_ms)) + 1, first = Math.min(...spans.map((span) => span.from_ms));
    rows.push(button(word("newest"), clock(last), () => open(Math.max(first, last - HOUR_MS), last, null, word("newest"))));
    if (last - first <= LONGEST_MS) rows.push(button(word("all-of-it"), clock(first), () => open(first, last, null, word("all-of-it"))));
  }
  by("trip-list").replaceChildren(...rows);
}

function button(text, below, act) {
  const one = make("button", text);
  one.type = "button";
  one.append(make("small", below));
  one.onclick = () => {
    for (const other of by("trip-list").querySelectorAll("button")) other.setAttribute("aria-pressed", String(other === one));
    quietly(act)();
  };
  return one;
}

async function open(from, to, of, name) {
  outer = zoom = { from, to };
  brake = of;
  by("shown").textContent = `${name}: ${clock(from)} – ${clock(to)}`;
  const lines = (await told(`/api/past/events?from_ms=${from}&to_ms=${to}`)).split("\n").filter(Boolean);
  events = lines.map((line) => JSON.parse(line));
  showEvents(events.map((event) => ({ event, beside: "" })), false);
  await draw(true);
}

async function draw(anew = false) {
  const mine = ++asked;
  const wide = by("charts").clientWidth;
  const window = `from_ms=${outer.from}&to_ms=${outer.to}&zoom_from_ms=${zoom.from}&zoom_to_ms=${zoom.to}`;
  const found = JSON.parse(await told(`/api/past/charts?${window}&count=${Math.max(100, Math.min(2000, wide))}`));
  if (mine !== asked) return; // a newer zoom is under way
  const brakes = [...new Set(found.lines.map((line) => line.brake))];
  brake = brakes.includes(brake) ? brake : brakes[0];
  showBrakes(brakes);
  showSpans();
  if (uPlot === null) return;
  const lines = found.lines.filter((line) => line.brake === brake && line.most.some((value) => value !== null));
  const times = found.utc_ms.map((ms) => ms / 1000);
  if (anew || plots.length !== lines.length) {
    for (const plot of plots) plot.destroy();
    by("charts").replaceChildren();
    plots = lines.map((line) => chart(line, times, wide));
  } else {
    plots.forEach((plot, at) => {
      plot.setData([times, lines[at].least, lines[at].most], false);
      plot.batch(() => {
        plot.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
        plot.setScale("x", { min: zoom.from / 1000, max: zoom.to / 1000 });
      });
    });
  }
}

function chart(line, times, wide) {
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name).trim();
  const axis = { stroke: colour("--soft"), grid: { stroke: colour("--off") } };
  const times_of = (_, splits, __, ___, step) => splits.map((s) => clock(s * 1000).slice(11) + (step < 1 ? (s % 1).toFixed(1).slice(1) : ""));
  const place = make("div", "", "chart");
  by("charts").append(place);
  return new uPlot({
    title: `${word(line.quantity)}${line.unit === "1" ? "" : `, ${line.unit}`}`,
    width: wide - 2, height: 150,
    tzDate: (s) => uPlot.tzDate(new Date(s * 1000), zone),
    cursor: { sync: { key: "window" }, drag: { x: true, y: false, setScale: false } },
    scales: { x: { time: true, auto: false, min: zoom.from / 1000, max: zoom.to / 1000 } },
    axes: [{ ...axis, size: 30, values: times_of }, { ...axis, size: 64 }],
    series: [
      { label: word("time"), value: (_, s) => (s === null ? "--" : clockExact(new Date(s * 1000).toISOString())) },
      { label: word("least-of"), stroke: colour("--mark"), width: 1, spanGaps: false },
      { label: word("most-of"), stroke: colour("--text"), width: 1, spanGaps: false },
    ],
    bands: [{ series: [2, 1], fill: `${colour("--mark")}55` }],
    hooks: {
      setSelect: [(plot) => {
        const { left, width } = plot.select;
        if (width > 2) zoomTo(plot.posToVal(left, "x") * 1000, plot.posToVal(left + width, "x") * 1000);
      }],
    },
  }, [times, line.least, line.most], place);
}

function zoomTo(from, to) {
  const width = Math.max(1000, Math.round(to - from));
  const begin = Math.min(Math.max(outer.from, Math.floor(from)), Math.max(outer.from, outer.to - width));
  zoom = { from: begin, to: Math.min(outer.to, begin + width) };
  clearTimeout(waiting);
  waiting = setTimeout(quietly(draw), 30, false); // the same pull reaches every chart
}

function showBrakes(brakes) {
  by("brakes").replaceChildren(...(brakes.length < 2 ? [] : brakes.map((name) => {
    const one = make("button", name);
    one.type = "button";
    one.setAttribute("aria-pressed", String(name === brake));
    one.onclick = () => { brake = name; quietly(draw)(true); };
    return one;
  })));
}

// Each alarm of the window on a line of its own: while its condition held, and when somebody did something about it.
function showSpans() {
  const rows = new Map();
  for (const event of events) {
    if (!event.alarm) continue;
    const key = `${event.brake ?? "rig"}.${event.alarm}`;
    const row = rows.get(key) ?? rows.set(key, { spans: [], marks: [], since: null }).get(key);
    const at = Date.parse(event.t);
    if (HELD.includes(event.to) && row.since === null) row.since = HELD.includes(event.from) ? outer.from : at;
    if (!HELD.includes(event.to)) {
      if (row.since !== null || HELD.includes(event.from)) row.spans.push([row.since ?? outer.from, at]);
      row.since = null;
    }
    if (event.actor) row.marks.push(at);
  }
  by("spans").replaceChildren(...[...rows].map(([key, row]) => {
    if (row.since !== null) row.spans.push([row.since, outer.to]);
    const line = make("div", "", "span"), canvas = make("canvas");
    line.append(make("span", key), canvas);
    requestAnimationFrame(() => paint(canvas, row));
    return line;
  }));
}

function paint(canvas, row) {
  canvas.width = canvas.clientWidth;
  canvas.height = canvas.clientHeight;
  const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
  const x = (ms) => ((ms - zoom.from) / (zoom.to - zoom.from)) * canvas.width;
  pen.fillStyle = style.getPropertyValue("--red");
  for (const [from, to] of row.spans) pen.fillRect(x(from), 3, Math.max(2, x(to) - x(from)), canvas.height - 6);
  pen.fillStyle = style.getPropertyValue("--text");
  for (const at of row.marks) pen.fillRect(x(at), 0, 2, canvas.height);
}

function showEvents(rows, withBeside) {
  by("beside").hidden = !withBeside;
  by("events").replaceChildren(...rows.map(({ event, beside }) => {
    const row = make("tr");
    if (event.damaged) { row.append(make("td"), make("td"), make("td", event.damaged)); return row; }
    row.dataset.first = String(Boolean(event.first_out && event.to === "unacknowledged"));
    row.dataset.beside = beside;
    const text = (row.dataset.first === "true" ? word("first") : "") + event.text;
    const time = make("td", clockExact(event.t));
    time.title = event.t;
    row.append(time, make("td", event.priority), make("td", text));
    if (withBeside) row.append(make("td", word(beside)));
    return row;
  }));
}

const sameness = (event) => `${event.t} ${event.brake} ${event.alarm} ${event.to}`;

async function askWhatIf(submitted) {
  submitted.preventDefault();
  if (outer === null) return;
  const settings = by("settings").value.split("\n").map((line) => line.trim()).filter(Boolean);
  if (!settings.length) { by("objections").textContent = ""; showEvents(events.map((event) => ({ event, beside: "" })), false); return; }
  const query = settings.map((line) => `&set=${encodeURIComponent(line)}`).join("");
  const found = JSON.parse(await told(`/api/past/what-if?from_ms=${outer.from}&to_ms=${outer.to}${query}`));
  by("objections").textContent = found.objections.join("; ");
  const did = new Set(events.map(sameness)), would = new Set(found.events.map(sameness));
  const rows = [
    ...events.map((event) => ({ event, beside: would.has(sameness(event)) ? "both" : "only-did" })),
    ...found.events.filter((event) => !did.has(sameness(event))).map((event) => ({ event, beside: "only-would" })),
  ];
  rows.sort((one, other) => (one.event.t < other.event.t ? -1 : one.event.t > other.event.t ? 1 : 0));
  showEvents(rows, true);
}

by("what-if").onsubmit = quietly(askWhatIf);
by("whole").onclick = () => { if (outer) zoomTo(outer.from, outer.to); };
by("earlier").onclick = () => { if (outer) zoomTo(zoom.from - (zoom.to - zoom.from) / 2, zoom.to - (zoom.to - zoom.from) / 2); };
by("later").onclick = () => { if (outer) zoomTo(zoom.from + (zoom.to - zoom.from) / 2, zoom.to + (zoom.to - zoom.from) / 2); };
await quietly(begin)();
