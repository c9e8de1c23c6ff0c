// Trips and replay: the list, one window with everything in it, what-if, notes, and what is taken along.
import { asked, language, pickers, prefer, units, why, word } from "./words.js";
import { by, make, press, quietly, sent, told, toldJson } from "./past.js";
import { clock, clockExact, inZone, setZone } from "./zone.js";
import { asPerson, showActor } from "./log_in.js";
import * as charts from "./charts.js";
import * as player from "./player.js";
import * as timeline from "./timeline.js";

const HOUR_MS = 3_600_000;
const LONGEST_MS = 26 * HOUR_MS;
const EVERY = [["", "every-scan"], ["1", "every-second"], ["60", "every-minute"]];

let outer = null, trip = null, trips = [], days = 3, rig = null, events = [], standing = [], commands = [], noting = {};

async function begin() {
  await prefer();
  for (const [value, name] of EVERY) by("every").append(Object.assign(make("option", word(name)), { value }));
  await Promise.all([charts.load(), quietly(showActor)()]);
  rig = await toldJson(`/api/past/rig?${asked()}`);
  pickers(rig.units, () => location.reload());
  setZone(rig.time_zone);
  await list();
}

async function list() {
  const spans = await toldJson("/api/past/spans");
  trips = await toldJson(`/api/past/trips?days=${days}&${asked()}`);
  const rows = trips.map((one) => entry(
    `${name(one)} · ${one.brake} · ${word(`way-${one.direction}`)}`,
    `${clock(begun(one))} · ${word("stands", { n: one.stands })} · ${one.figures.energy}`,
    () => open(one.from_ms, one.to_ms, one),
  ));
  if (!trips.length) rows.push(make("p", word("no-trip")));
  if (spans.length) {
    const last = spans.at(-1).last_ms + 1, first = Math.min(...spans.map((span) => span.from_ms));
    rows.push(entry(word("newest"), clock(last), () => open(Math.max(first, last - HOUR_MS), last, null, word("newest"))));
    rows.push(last - first <= LONGEST_MS
      ? entry(word("all-of-it"), clock(first), () => open(first, last, null, word("all-of-it")))
      : entry(word("newest-day"), clock(last - 24 * HOUR_MS), () => open(last - 24 * HOUR_MS, last, null, word("newest-day"))));
    by("older").hidden = last - first <= days * 24 * HOUR_MS;
  } else by("older").hidden = true;
  by("trip-list").replaceChildren(...rows);
}

// Its own begin: the window that its scans fall into begins earlier where the clock was set in it.
const begun = (one) => Date.parse(one.from);
const name = (one) => (one.trip === null ? word("trip-of", { time: clock(begun(one)).slice(5, 16) }) : word("trip", { n: one.trip }));

function entry(text, below, act) {
  const one = press(text, () => {
    for (const other of by("trip-list").querySelectorAll("button")) other.setAttribute("aria-pressed", String(other === one));
    quietly(act)();
  });
  one.append(make("small", below));
  return one;
}

async function open(from, to, of, title = null) {
  outer = { from, to };
  trip = of;
  by("choose-one").hidden = true;
  by("opened").hidden = false;
  by("shown").textContent = `${title ?? name(of)}: ${clock(from)} – ${clock(to)} (${inZone()})`;
  by("figures").hidden = true;
  by("beside").hidden = true;
  by("objections").textContent = "";
  by("compare").replaceChildren(...[null, ...trips.filter((one) => one !== of)].map((one, at) => Object.assign(make("option", one ? name(one) : word("nothing")), { value: one ? trips.indexOf(one) : "", selected: at === 0 })));
  by("compare").parentElement.hidden = of === null || trips.length < 2;
  by("taking").querySelector("[data-take=report]").hidden = of === null;
  player.begin(outer, rig, (ms) => { charts.mark(ms); timeline.show(charts.zoomed(), ms); });
  const window = `from_ms=${from}&to_ms=${to}`;
  const drawn = charts.show(from, to, of?.brake ?? null, zoomed);
  const [lines, held] = await Promise.all([told(`/api/past/events?${window}&${asked()}`), toldJson(`/api/past/standing?${window}&${asked()}`), readCommands()]);
  standing = held;
  events = lines.split("\n").filter(Boolean).map((line) => JSON.parse(line));
  timeline.take(events, commands, standing, outer, quietly(player.go));
  showEvents(events.map((event) => ({ event, beside: "" })), false);
  showSettings();
  await drawn;
  timeline.show(charts.zoomed(), player.position());
}

async function readCommands() {
  const all = await toldJson(`/api/past/commands?from_ms=${outer.from}&to_ms=${outer.to}`);
  commands = all.filter((one) => timeline.moment(one) >= outer.from && timeline.moment(one) <= outer.to);
}

function zoomed(brakes) {
  if (brakes !== null) {
    player.setBrake(charts.brakeShown());
    by("brakes").replaceChildren(...(brakes.length < 2 ? [] : brakes.map((one) => {
      const choice = press(one, () => quietly(charts.choose)(one));
      choice.setAttribute("aria-pressed", String(one === charts.brakeShown()));
      return choice;
    })));
    requestAnimationFrame(timeline.align); // charts made anew have their places then
  }
  timeline.show(charts.zoomed(), player.position());
}

function showEvents(rows, withBeside) {
  by("beside").hidden = !withBeside;
  const told = rows.map(({ event, beside }) => [Date.parse(event.t ?? 0), eventRow(event, beside, withBeside)]);
  if (!withBeside) told.push(...standing.map((one) => [Date.parse(one.t), standingRow(one)]));
  if (!withBeside) told.push(...commands.filter((one) => one.do === "note").map((one) => [timeline.moment(one), noteRow(one)]));
  told.sort(([one], [other]) => one - other);
  if (!told.length) { const row = make("tr"), cell = make("td", word("no-events")); cell.colSpan = 4; row.append(cell); told.push([0, row]); }
  by("events").replaceChildren(...told.map(([, row]) => row));
}

function when(ms, t) {
  const cell = make("td"), go = press(clockExact(ms), () => { quietly(player.go)(ms); by("player").scrollIntoView({ block: "nearest" }); }, "moment");
  go.title = `${t} ${word("go-there")}`;
  cell.append(go);
  return cell;
}

function eventRow(event, beside, withBeside) {
  const row = make("tr");
  if (event.damaged) { row.append(make("td"), make("td"), make("td", event.damaged)); return row; }
  row.dataset.first = String(event.came_first);
  row.dataset.beside = beside;
  row.append(when(Date.parse(event.t), event.t), make("td", word(`priority-${event.priority}`)), make("td", (row.dataset.first === "true" ? word("first") : "") + event.text));
  if (withBeside) row.append(make("td", word(beside)));
  return row;
}

function standingRow(one) {
  const row = make("tr"), since = make("td", clockExact(Date.parse(one.t)));
  since.title = one.t;
  row.append(since, make("td"), make("td", word("stood-already", { name: one.name })));
  return row;
}

function noteRow(one) {
  const row = make("tr", "", "note");
  row.append(when(timeline.moment(one), one.t), make("td", word("note")), make("td", timeline.said(one)));
  return row;
}

// ------------------------------------------------------------------ what-if

function showSettings() {
  const keys = [...new Set([...standing.map((one) => one.alarm), ...events.filter((event) => event.alarm).map((event) => `${event.brake ?? "rig"}.${event.alarm}`)])];
  const limits = (rig?.brakes ?? []).flatMap((one) => one.numbers.flatMap((number) => number.limits.map((limit) => `${one.name}.${limit.alarm}`)));
  const points = (rig?.brakes ?? []).flatMap((one) => one.numbers.filter((number) => !number.derived).map((number) => number.name));
  const fill = (id, names) => by(id).replaceChildren(...names.map((one) => Object.assign(make("option", one), { value: one })));
  fill("if-alarm", [...new Set([...keys, ...limits, ...points])]);
  by("if-alarm").onchange = () => fill("if-setting", points.includes(by("if-alarm").value) ? ["range"] : ["setpoint", "on-delay", "off-delay", "deadband"]);
  by("if-alarm").onchange();
}

by("if-add").onclick = () => {
  const line = `${by("if-alarm").value}.${by("if-setting").value}=${by("if-value").value}`;
  by("settings").value = [by("settings").value.trim(), line].filter(Boolean).join("\n");
  by("if-value").value = "";
};

const sameness = (event) => `${event.t} ${event.brake} ${event.alarm} ${event.to}`;

async function askWhatIf(submitted) {
  submitted.preventDefault();
  if (outer === null) return;
  const settings = by("settings").value.split("\n").map((line) => line.trim()).filter(Boolean);
  if (!settings.length) { by("objections").textContent = ""; showEvents(events.map((event) => ({ event, beside: "" })), false); return; }
  const query = settings.map((line) => `&set=${encodeURIComponent(line)}`).join("");
  const found = await toldJson(`/api/past/what-if?from_ms=${outer.from}&to_ms=${outer.to}&${asked()}${query}`);
  by("objections").textContent = [word("would-come", { did: risen(events), would: risen(found.events) }), word("read-as", { list: found.read.join(", ") }), ...found.objections.map((one) => why(one))].join("; ");
  const did = new Set(events.map(sameness)), would = new Set(found.events.map(sameness));
  showEvents([
    ...events.map((event) => ({ event, beside: would.has(sameness(event)) ? "both" : "only-did" })),
    ...found.events.filter((event) => !did.has(sameness(event))).map((event) => ({ event, beside: "only-would" })),
  ], true);
}

// Also what came again before anybody had seen that it was over; as the alarms' figures and a study count it.
const risen = (all) => all.filter((event) => event.to === "unacknowledged" && event.from !== "unacknowledged" && !["test", "re-alarm"].includes(event.why)).length;

// ------------------------------------------------------------------ two trips

async function compare() {
  const other = trips[by("compare").value] ?? null;
  by("figures").hidden = other === null;
  if (other !== null) {
    const row = (first, ...cells) => { const one = make("tr"); one.append(make("th", first), ...cells.map((cell) => make("td", cell))); return one; };
    by("figures").replaceChildren(row("", name(trip), name(other)), ...Object.keys(trip.figures).map((key) => row(word(`figure-${key}`), trip.figures[key], other.figures[key])));
  }
  await charts.compare(other?.from_ms ?? null, other?.to_ms ?? null);
}

// ------------------------------------------------------------------ notes, and what is taken along

async function keepNote(submitted) {
  submitted.preventDefault();
  const at = player.position() ?? charts.zoomed().from, text = by("note-text").value;
  if (noting.text !== text) noting = { text, id: `note-${crypto.getRandomValues(new Uint32Array(4)).join("-")}`, lost: false };
  let answer;
  try {
    answer = await asPerson(() => sent("/api/command", { do: "note", text, at: new Date(at).toISOString(), id: noting.id }));
  } catch (error) {
    noting.lost = true; // perhaps it was taken, and only the answer lost: sent again under this id it is noted once
    by("noting-says").textContent = error.message;
    return;
  }
  if (answer === null) return;
  const found = await answer.json();
  by("noting-says").textContent = answer.status === 503 ? word("no-watch") : word("refused", { says: why(found) });
  if (!answer.ok && !(noting.lost && answer.status === 409)) return;
  noting = {};
  by("noting").close();
  by("note-text").value = "";
  await again();
  by("says").textContent = word("noted");
}

// A note is in the record a moment after it was taken.
async function again(tries = 10) {
  const before = commands.length;
  await readCommands();
  if (commands.length === before && tries > 0) { await new Promise((resolve) => setTimeout(resolve, 300)); await again(tries - 1); return; }
  timeline.take(events, commands, standing, outer, quietly(player.go));
  timeline.show(charts.zoomed(), player.position());
  showEvents(events.map((event) => ({ event, beside: "" })), false);
}

async function take(kind) {
  const body = { kind, from_ms: outer.from, to_ms: outer.to, days, lang: language, units };
  if (by("every").value && (kind === "csv" || kind === "parquet")) body.every_s = Number(by("every").value);
  by("says").textContent = word("taking");
  const answer = await asPerson(() => sent("/api/past/take", body));
  if (answer === null) { by("says").textContent = ""; return; }
  if (!answer.ok) throw new Error(why(await answer.json()));
  const file = make("a");
  file.href = URL.createObjectURL(await answer.blob());
  file.download = /filename="?([^";]+)/.exec(answer.headers.get("content-disposition"))?.[1] ?? `brakewater.${kind}`;
  file.click();
  setTimeout(() => URL.revokeObjectURL(file.href), 60_000);
  by("says").textContent = word("taken", { file: file.download });
}

by("note").onclick = () => {
  if (outer === null) return;
  by("noting-at").textContent = clockExact(player.position() ?? charts.zoomed().from);
  by("noting-says").textContent = "";
  by("noting").showModal();
};
by("noting-leave").onclick = () => by("noting").close();
by("noting").querySelector("form").onsubmit = quietly(keepNote);
by("what-if").onsubmit = quietly(askWhatIf);
by("compare").onchange = quietly(compare);
by("older").onclick = quietly(async () => { days *= 4; await list(); });
by("whole").onclick = charts.whole;
by("earlier").onclick = () => charts.shift(-0.5);
by("later").onclick = () => charts.shift(0.5);
by("closer").onclick = () => charts.closer(0.5);
by("wider").onclick = () => charts.closer(2);
for (const one of by("taking").querySelectorAll("[data-take]")) one.onclick = () => quietly(take)(one.dataset.take);
await quietly(begin)();
