import { asked, known, pickers, prefer, why, word } from "./words.js";
import { follow } from "./live.js";
import { draw } from "./trend.js";
import { clockOfDay, setZone } from "./zone.js";
import { isOn, sound, switchOff, switchOn } from "./sound.js";

const TREND_POINTS = 600;
const TREND_MS = 1000; // between two of them, by the watch's steady clock: the wall clock may be set
const PAUSE_MS = 3000; // without a picture: what happened meanwhile the panel may know
const CARRIED = { heat_w: "heat_limit_w" }; // a limit that moves: what this flow and inlet can carry
const ANSWER_MS = 15_000;
const COMMAND_MS = 8_000; // the watch answers the panel within five seconds, or not at all
const TWICE_MS = 700; // a tap that bounced
const SEEN_MS = 500; // what has stood on the screen for less nobody has seen yet: an assumption
const LATELY_MS = 10_000; // so long it is told who acknowledged before
const PRIORITIES = ["critical", "high", "medium", "low"];
const URGENT = PRIORITIES.slice(0, 2);
const by = (id) => document.getElementById(id);
const make = (tag, name, text = "") => {
  const one = document.createElement(tag);
  one.className = name;
  one.textContent = text;
  return one;
};

let standing = []; // every alarm of the picture by its key
const waits = new Map(); // alarms that wait for acknowledgement on this screen, by key: name, since when, until when
let horn = "off", rig = null, brake = null, cards = {}, tiles = {}, trend = {}, lastTrend = null, pushed = {}, heardAt = null, answering = 0, calling = [], stop = () => {}, run = null;

async function told(path) {
  for (;;) {
    try {
      const answer = await fetch(path);
      if (answer.ok) return await answer.json();
      if (answer.status === 401) await logIn();
    } catch { /* the panel is away; ask again */ }
    dead();
    await new Promise((resolve) => setTimeout(resolve, 1000));
  }
}

// Two may be under way, where units or the rig file change in the middle of one: the later one counts, whoever ends last.
let begun = 0;
async function begin() {
  const mine = ++begun, found = await told(`/api/rig?${asked()}`);
  if (mine !== begun) return;
  rig = found;
  setZone(rig.time_zone);
  put("zone", word("times-in", { zone: rig.time_zone }));
  brake = rig.brakes.some((one) => one.name === brake) ? brake : rig.brakes[0].name;
  by("rig").textContent = `${rig.rig} · ${rig.pad}`;
  pickers(rig.units, begin);
  showBrakes();
  build();
  stop();
  lastTrend = null;
  stop = follow(asked(), show, dead, again);
  showSound();
  await Promise.all([fillTrend(), showActor()]);
}

function showBrakes() {
  by("brakes").replaceChildren(...(rig.brakes.length < 2 ? [] : rig.brakes.map((one) => {
    const button = make("button", "", short(one.name));
    button.type = "button";
    button.dataset.brake = button.title = one.name;
    button.setAttribute("aria-label", one.name);
    button.setAttribute("aria-pressed", String(one.name === brake));
    button.onclick = () => { brake = one.name; showBrakes(); build(); };
    return button;
  })));
}

// Long names differ at their ends.
const short = (name) => (name.length > 22 ? `${name.slice(0, 12)}\u2026${name.slice(-8)}` : name);

// The numbers are those of one brake; that another one has an alarm stands on its button.
function markBrakes(alarms) {
  for (const button of by("brakes").children) {
    const mine = alarms.filter((alarm) => alarm.brake === button.dataset.brake && alarm.respond && !alarm.masks.length);
    const says = mine.length ? word("brake-alarms", { brake: button.dataset.brake, n: mine.length }) : button.dataset.brake;
    button.dataset.alarm = String(mine.length > 0);
    if (button.title !== says) { button.title = says; button.setAttribute("aria-label", says); }
  }
}

function build() {
  tiles = {};
  by("windows").replaceChildren(...rig.windows.map((window) => {
    const tile = make("div", "window");
    tile.append(make("span", "name", known(`window-${window.name}`) ? word(`window-${window.name}`) : window.name));
    tile.append(make("span", "what"), make("span", "sign"));
    tile.dataset.aspect = "off";
    tiles[window.name] = { tile, window };
    return tile;
  }));
  cards = {};
  const numbers = rig.brakes.find((one) => one.name === brake).numbers;
  by("numbers").replaceChildren(...numbers.map((number) => {
    const card = make("div", "number");
    const parts = {
      name: make("span", "name", word(number.quantity)), limit: make("span", "limit"), value: make("span", "value"),
      trend: make("canvas", "trend"), quality: make("span", "quality"),
    };
    parts.limit.textContent = nearest(number.limits).map(limit_text).join(", ");
    parts.limit.title = number.limits.map((limit) => `${limit.alarm} ${with_unit(limit)}`).join(", ");
    parts.trend.setAttribute("aria-hidden", "true");
    const head = make("div", "head");
    head.append(parts.name, parts.limit);
    card.append(head, parts.value, parts.quality, parts.trend);
    cards[number.name] = { card, parts, number };
    return card;
  }));
}

const limit_text = (limit) => word(`limit-${limit.side}`, { value: with_unit(limit) });
const with_unit = ({ value, unit, converted }) => `${converted ? "~" : ""}${value}${unit === "1" ? "" : ` ${unit}`}`; // set in another unit

// Of several limits on one side the one that is reached first.
function nearest(limits) {
  const of = (side, first) => limits.filter((limit) => limit.side === side).sort((one, other) => first * (one.exact - other.exact)).slice(0, 1);
  return [...of("low", -1), ...of("high", 1)];
}

// Who the panel takes this browser for: what is pressed stands in the record under that name.
async function showActor() {
  const me = await told("/api/me");
  by("log-out").hidden = me.kind !== "person";
  by("log-in-open").hidden = me.kind === "person";
  by("who").textContent = me.actor === null ? word("nobody") : word("who", { who: me.actor });
}

// A panel that began anew knows nobody any more who had logged in; where it asks for that it has to be said here.
let asking = null;
function again() {
  asking ??= showActor().finally(() => { asking = null; });
}

async function fillTrend() {
  const mine = begun, past = await told(`/api/trend?${asked()}`);
  if (mine === begun) trend = past.values;
}

// Whether a trend gets a point; after a pause they begin anew, for the line must not join what lies far apart.
function grows(picture) {
  const since = lastTrend === null ? TREND_MS : picture.steady_ms - lastTrend;
  if (since >= 0 && since < TREND_MS) return false;
  lastTrend = picture.steady_ms;
  if (since > PAUSE_MS) { trend = {}; fillTrend(); }
  return true;
}

function show(picture) {
  if (run !== null && picture.run !== run) { run = picture.run; begin(); return; }
  run = picture.run;
  by("dead").hidden = true;
  heardAt = picture.utc_ms;
  by("clock").textContent = time(picture.utc_ms);
  by("clock").title = picture.t;
  const lit = picture.windows.watching?.aspect !== "off";
  by("watching").dataset.on = String(lit);
  by("watching").lastElementChild.textContent = word(lit ? "watching" : "not-watching");
  showReady(picture);
  showWindows(picture);
  markBrakes(picture.alarms);
  showNumbers(picture);
  showFirst(picture);
  standing = picture.alarms.map(keyOf);
  noteWaiting(picture.alarms.filter((alarm) => alarm.state.endsWith("unacknowledged")));
  clearFor(picture.alarms.filter((alarm) => alarm.state === "unacknowledged").map((alarm) => `${alarm.brake} ${alarm.alarm}`));
  horn = picture.horn.sound;
  sound(horn);
  showSound();
}

const keyOf = (alarm) => `${alarm.brake ?? "rig"}.${alarm.alarm}`;

// What is acknowledged or silenced from here is what this screen has shown, to whoever could look at it.
function noteWaiting(alarms) {
  if (document.hidden) waits.clear();
  const now = performance.now(), waiting = new Map(alarms.map((alarm) => [keyOf(alarm), alarm.name]));
  for (const [key, one] of waits) {
    if (!waiting.has(key)) one.gone ??= now;
    if (now - one.gone > LATELY_MS) waits.delete(key);
  }
  for (const [key, name] of waiting) {
    const one = waits.get(key);
    if (one && one.gone === null) one.name = name;
    else waits.set(key, { name, since: now, gone: null });
  }
}

function onScreen() {
  const now = performance.now(), all = [...waits], stand = all.filter(([, one]) => one.gone === null);
  const keys = (some) => some.map(([key]) => key), unseen = stand.filter(([, one]) => now - one.since < SEEN_MS), fresh = unseen.map(([, one]) => one.name);
  const says = fresh.length ? word("just-came", { names: fresh.slice(0, 2).join(" · ") + (fresh.length > 2 ? ` +${fresh.length - 2}` : "") }) : "";
  return {
    acknowledge: { says, asked: { alarms: keys(stand.filter((one) => !unseen.includes(one))), lately: keys(all.filter(([, one]) => one.gone !== null)) } },
    silence: { says, asked: { alarms: standing.filter((key) => !keys(unseen).includes(key)) } }, // the horn goes on for the others
  };
}

// Nothing lies over an alarm that comes, and nothing that was said before looks like its answer.
function clearFor(unseen) {
  if (unseen.some((alarm) => !calling.includes(alarm))) {
    by("menu").open = false;
    by("log-in").close();
    put("answer", "");
  }
  calling = unseen;
}

// Times in what the watch says are the record's, in UTC; people on a rig read those of its own clock.
const local = (text) => text.replace(/\d{4}-\d\d-\d\dT[\d:.]+Z/g, (utc) => time(Date.parse(utc)));
const time = clockOfDay;

function showReady(picture) {
  by("ready").hidden = picture.ready === null; // with the brake in service the alarms speak
  if (picture.ready === null) { put("not-ready", ""); return; }
  const why = picture.ready.obstacles.map((one) => word(`obstacle-${one.what}`, { ...one, name: shown_name(one.name), why: known(`why-${one.why}`) ? word(`why-${one.why}`) : one.why }));
  by("ready").dataset.go = String(why.length === 0);
  put("ready", word(why.length === 0 ? "ready" : "not-ready"));
  put("not-ready", why.length === 0 ? "" : word("not-ready-for", { why: why.join("; ") }));
}

const shown_name = (name) => (known(`round-${name}`) ? word(`round-${name}`) : name);

function showWindows(picture) {
  for (const { tile, window } of Object.values(tiles)) {
    const seen = picture.windows[window.name];
    const aspect = seen?.aspect ?? "off";
    tile.dataset.aspect = aspect;
    if (aspect === "off") delete tile.dataset.lit; else tile.dataset.lit = seen.colour;
    tile.dataset.test = String(Boolean(seen?.test));
    const mine = picture.alarms.filter((alarm) => window.alarms.some((name) => alarm.alarm === name || alarm.alarm.split(":")[0] === name));
    const names = [...new Set(mine.map((alarm) => alarm.name))];
    tile.children[1].textContent = names.slice(0, 2).join(" · ") + (names.length > 2 ? ` +${names.length - 2}` : "");
    tile.children[2].textContent = seen?.test ? word("test") : sign(aspect, mine);
  }
}

// In words, for whoever sees no colour and no motion. Slow flashing: over and waiting for a reset, or the first one, seen.
function sign(aspect, alarms) {
  if (aspect === "slow-flash") return word(alarms.some((alarm) => alarm.active) ? "first-seen" : "over");
  return { off: "", steady: word("seen"), flash: word("new"), "first-flash": word("first-sign") }[aspect];
}

function showNumbers(picture) {
  const seen = picture.brakes[brake];
  const grow = grows(picture);
  for (const [name, { card, parts, number }] of Object.entries(cards)) {
    const one = seen[number.derived ? "derived" : "readings"][name];
    if (!one) continue;
    const value = one.shown.value, limits = limitsNow(number, seen, parts);
    card.dataset.quality = one.quality;
    card.dataset.past = String(value !== null && limits.some((limit) => (limit.side === "high" ? value > limit.exact : value < limit.exact)));
    parts.value.textContent = value === null ? "--" : number_text(value, one.shown.unit);
    if (one.shown.unit !== "1") parts.value.append(make("span", "unit", ` ${one.shown.unit}`));
    put_in(parts.quality, one.quality === "good" ? "" : one.quality === "bad" ? word(`reason-${one.reason}`) : word("not-good", { quality: word(one.quality), reason: word(`reason-${one.reason}`) }));
    if (grow) {
      const points = (trend[`${brake}/${name}`] ??= []);
      points.push(value);
      if (points.length > TREND_POINTS) points.shift();
      drawTrend(name);
    }
  }
}

// Those of the rig file, or the one that moves with flow and inlet; that is written beside the number as it stands now.
function limitsNow(number, seen, parts) {
  const one = seen.derived[CARRIED[number.name]];
  if (!one) return number.limits;
  const { value, unit } = one.shown;
  const limit = one.quality === "bad" || value === null ? null : { side: "high", value: number_text(value, unit), unit, exact: value };
  put_in(parts.limit, limit ? limit_text(limit) : "");
  return limit ? [limit] : [];
}

function drawTrend(name) {
  const { parts, number } = cards[name];
  draw(parts.trend, trend[`${brake}/${name}`] ?? [], number.limits.map((limit) => limit.exact), word("minutes", { n: TREND_POINTS / 60 }));
}
const drawTrends = () => Object.keys(cards).forEach(drawTrend);
addEventListener("resize", drawTrends);
// What to do stands above the buttons, also where names are so long that not all of a page is seen at once.
const foot = document.querySelector("footer");
new ResizeObserver(() => document.documentElement.style.setProperty("--foot", `${foot.offsetHeight}px`)).observe(foot);
document.addEventListener("light", drawTrends);

const number_text = (value, unit) => value.toFixed(rig.decimals[unit] ?? 2);

function showFirst(picture) {
  const holds = picture.alarms.filter((alarm) => alarm.state !== "normal");
  const first = leading(holds.filter((alarm) => alarm.first_out && alarm.respond)) ?? holds.find((alarm) => alarm.respond) ?? holds[0];
  const gravest = graver(first, holds.filter((alarm) => alarm.active && alarm.respond));
  by("first").dataset.urgent = String(Boolean(gravest?.respond && URGENT.includes(gravest.priority)));
  by("first").dataset.quiet = String(!first);
  put("first-text", first ? (first.first_out && holds.length > 1 && cameFirst(first, holds) ? word("first") : "") + local(first.text) : word("all-well"));
  put("gravest-text", gravest === first ? "" : local(gravest.text));
  put("first-respond", gravest?.respond ?? "");
  put("by-hand", picture.by_hand.length ? word("by-hand", { list: picture.by_hand.map((one) => word(one.what, { ...one, until: local(one.until) })).join("; ") }) : "");
  put("ahead", ahead(picture.times[brake] ?? {}));
  showAll(holds, [first, gravest]);
}

// Each brake and kind of alarm has a first of its own. The gravest of those that nobody has seen leads, then the oldest.
const leading = (firsts) => firsts.sort((one, other) => isSeen(one) - isSeen(other) || rank(one) - rank(other) || age(other) - age(one))[0];
const cameFirst = (first, holds) => holds.every((alarm) => !alarm.first_out || age(alarm) <= age(first));
const isSeen = (alarm) => Number(!alarm.state.endsWith("unacknowledged"));
const age = (alarm) => (alarm.since ? -Date.parse(alarm.since) : -Infinity);

// Every alarm that stands, those that wait first: windows show two names each, and some alarms have none.
function showAll(holds, told) {
  by("all-open").hidden = holds.every((alarm) => told.includes(alarm));
  by("all").hidden = by("all-open").hidden || by("all-open").getAttribute("aria-expanded") === "false";
  put("all-open", by("all-open").hidden ? "" : word("all-alarms", { n: holds.length }));
  if (by("all").hidden) return;
  const rows = [...holds].sort((one, other) => isSeen(one) - isSeen(other) || rank(one) - rank(other) || age(one) - age(other)).map((alarm) => {
    const what = local(alarm.text), row = make("li", "");
    row.append(make("b", "", alarm.since ? word("standing-line", { text: what, time: time(Date.parse(alarm.since)) }) : what));
    row.append(make("span", "", [word(`priority-${alarm.priority}`), isSeen(alarm) ? "" : word("new"), alarm.respond].filter(Boolean).join(" \u00b7 ")));
    return row;
  });
  if (rows.map((row) => row.textContent).join() !== [...by("all").children].map((row) => row.textContent).join()) by("all").replaceChildren(...rows);
}
by("all-open").onclick = () => {
  const open = by("all-open").getAttribute("aria-expanded") === "false";
  by("all-open").setAttribute("aria-expanded", String(open));
  by("all").hidden = !open; // its rows come with the next picture
};

const rank = (alarm) => (PRIORITIES.includes(alarm.priority) ? PRIORITIES.indexOf(alarm.priority) : PRIORITIES.length);

// What came first tells the cause; what to do is said for the gravest that holds by now.
function graver(first, holding) {
  return holding.reduce((one, other) => (one === undefined || rank(other) < rank(one) ? other : one), first);
}

const put = (id, text) => put_in(by(id), text);
function put_in(place, text) {
  if (place.textContent !== text) place.textContent = text; // a reader speaks only what changes
}

function ahead(times) {
  const known = Object.entries(times).filter(([, seconds]) => seconds !== null && seconds < 4 * 3600);
  if (!known.length) return "";
  const [what, seconds] = known.reduce((least, one) => (one[1] < least[1] ? one : least));
  return word("not-before", { what: word(what), time: span(seconds) });
}

function span(seconds) {
  if (seconds < 90) return word("seconds", { n: Math.floor(seconds) });
  return seconds < 5400 ? word("minutes", { n: Math.floor(seconds / 60) }) : word("hours", { n: (seconds / 3600).toFixed(1) });
}

function dead() {
  waits.clear();
  by("dead").hidden = false;
  by("dead-since").textContent = heardAt === null ? "" : word("dead-since", { time: time(heardAt) });
  by("watching").dataset.on = "false";
  for (const { parts } of Object.values(cards)) parts.value.textContent = "--";
  sound("off");
}

async function push(button) {
  const what = button.dataset.do, named = { what: word(button.dataset.word) };
  if (button.dataset.busy || performance.now() - pushed[what] < TWICE_MS) return; // tapped twice is meant once
  pushed[what] = performance.now();
  const { says: fresh, asked: shown } = onScreen()[what] ?? { says: "", asked: what === "reset" ? { alarm: "all" } : {} };
  if (fresh && !shown.alarms.length) { answered(fresh); return; }
  button.dataset.busy = "true";
  put("answer", word("sent", named));
  try {
    const asked = { do: what, ...shown };
    const answer = await fetch("/api/command", {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(asked), signal: AbortSignal.timeout(COMMAND_MS),
    });
    const found = await answer.json(), { says } = found;
    const unknown = answer.status === 401 || answer.status === 403;
    put("answer", answer.ok ? [word("done", named), fresh].filter(Boolean).join(". ") : answer.status === 409 ? idle(found, named) : refusal(unknown ? 403 : answer.status, why(found)));
    by("answer").title = says;
    if (unknown) await logIn();
  } catch {
    put("answer", word("not-sent", named));
  }
  delete button.dataset.busy;
  answered();
  showActor();
}

// An old answer must not be read as one to the next alarm.
function answered(text = by("answer").textContent) {
  put("answer", text);
  clearTimeout(answering);
  answering = setTimeout(put, ANSWER_MS, "answer", "");
}

// Why the watch did nothing: it may not, somebody else was first, or nothing waits.
function idle(found, named) {
  if (found.why) return word("refused", { says: why(found) });
  return found.first ? word("acknowledged-by", { ...named, who: found.first.actor, time: time(found.first.utc_ms) }) : word("none-waits", named);
}

// Why not, in the viewer's words where the kind of refusal has some; what the watch itself says stands behind.
function refusal(status, says) {
  const why = { 401: "wrong-pin", 403: "may-not", 503: "no-watch" }[status];
  return why ? word(why) : word("refused", { says });
}

function logIn() {
  const dialog = by("log-in");
  by("log-in-says").textContent = "";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.onclose = resolve;
    by("log-in-leave").onclick = () => dialog.close();
    dialog.querySelector("form").onsubmit = async (event) => {
      event.preventDefault();
      let answer;
      try {
        answer = await fetch("/api/log-in", {
          method: "POST", headers: { "Content-Type": "application/json" }, signal: AbortSignal.timeout(COMMAND_MS),
          body: JSON.stringify({ actor: by("actor").value.trim(), pin: by("pin").value }),
        });
      } catch { by("log-in-says").textContent = word("panel-away"); return; }
      by("pin").value = "";
      if (answer.ok) { await showActor(); dialog.close(); } else by("log-in-says").textContent = refusal(answer.status, why(await answer.json()));
    };
  });
}

function showSound() {
  const unheard = document.documentElement.dataset.unheard === "true";
  put("sound", word(isOn() ? "sound-on" : unheard ? "sound-wanted" : "sound-off"));
  by("sound").setAttribute("aria-pressed", String(isOn()));
}

by("sound").onclick = async () => {
  if (isOn()) await switchOff(); else await switchOn();
  localStorage.setItem("sound", isOn() ? "on" : "off");
  showSound();
};
for (const touch of ["pointerdown", "keydown"]) document.addEventListener(touch, async (event) => {
  if (event.target.closest("#sound") || isOn() || localStorage.getItem("sound") === "off") return; // the button sees to itself
  await switchOn();
  showSound();
});
by("log-in-open").onclick = () => { by("menu").open = false; logIn(); };
document.addEventListener("click", (event) => { if (!event.target.closest("#menu")) by("menu").open = false; });
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && by("menu").open) { by("menu").open = false; by("menu").firstElementChild.focus(); }
});
document.addEventListener("visibilitychange", () => { if (!document.hidden && rig) showActor(); }); // another tab may have logged out
by("log-out").onclick = async () => {
  const answer = await fetch("/api/log-out", { method: "POST" }).catch(() => null);
  if (answer === null) { answered(word("panel-away")); return; } // whoever walks away must know that the name still stands here
  await showActor();
};
for (const button of document.querySelectorAll(".push")) button.onclick = () => push(button);
await prefer();
await begin();
