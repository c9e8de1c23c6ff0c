// The upkeep book on a phone: tap a round, type what was measured, one button. A code on a printed sheet opens its form.

import { sha256 } from "./digest.js";
import { asked, known, pickers, prefer, units, why, word } from "./words.js";
import { inZone, local, minute, momentOf, setZone } from "./zone.js";

const $ = (id) => document.getElementById(id);
const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text ?? "", ...more });
const opened = new Set([decodeURIComponent(location.hash.slice(1))]);
let system = "us";

// Gaps are typed as a feeler gauge is marked: thousandths of an inch, or millimetres.
const isLength = (round) => round.kind === "gap";
const written = (round, key, text, system) => {
  if (!Number.isFinite(Number(text))) return text; // refused as it was typed
  if (isLength(round)) return system === "us" ? `${(Number(text) / 1000).toFixed(6)} in` : `${text} mm`;
  if (key === "temperature") return `${text} ${system === "us" ? "degF" : "degC"}`;
  return text;
};
const keyed = (key) => {
  const place = /^(plug|coil)-(\d+)-(.+)$/.exec(key);
  if (place === null) return known(`key-${key}`) ? word(`key-${key}`) : key;
  return place[1] === "plug" ? word("key-plug", { n: place[2], side: word(`side-${place[3]}`) }) : word(`key-coil-${place[3]}`, { n: place[2] });
};
const label = (round, key, system) => {
  const plain = keyed(key);
  if (isLength(round)) return `${plain}, ${system === "us" ? "1/1000 in" : "mm"}`;
  return key === "temperature" ? `${plain}, ${system === "us" ? "degF" : "degC"}` : plain;
};

// A round of the rig file's own has its own name; with several brakes a name begins with the brake's.
const named = (name, brake = "") => {
  const plain = brake && name.startsWith(`${brake}-`) ? name.slice(brake.length + 1) : name;
  const said = known(`round-${plain}`) ? word(`round-${plain}`) : plain;
  return plain === name ? said : `${brake}: ${said}`;
};
const told = (round) => word("round-text", {
  state: word(`state-${round.state}`), used: word(`used-${round.by}`, { percent: Math.round(100 * round.share) }),
  done: round.done ? word("done-at", { time: minute(round.done) }) : word("never-logged"),
  hours: (round.running_s / 3600).toFixed(1), trips: round.trips,
});

const say = (text, ok) => {
  $("says").textContent = text;
  $("says").dataset.ok = ok;
};

// Says what became of it: done, refused, not asked since the log-in ended, or nothing known since the connection was lost.
const post = async (path, body, done) => {
  let answer, found;
  try {
    answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal: AbortSignal.timeout(ANSWER_MS) });
    found = await answer.json();
  } catch {
    say(word("entry-not-sent"), false);
    return "lost";
  }
  if (path === "/api/command" && (answer.status === 401 || answer.status === 403)) {
    await me(); // the panel began anew, or the tour is over: the way in stands there again
    say(word("log-in-ended"), false);
    $("log-in").elements.pin.focus();
    return "ended";
  }
  say(answer.ok ? done : { 401: word("wrong-pin"), 403: word("may-not"), 503: word("no-watch") }[answer.status]
    ?? (found.why === "logged-just-now" ? why(found) : word("refused", { says: why(found, keyed) })), answer.ok);
  if (found.why === "logged-just-now") return "asked";
  return answer.ok ? "done" : answer.status === 503 ? "lost" : "refused";
};

// What is being typed is kept in this browser until it is logged, a day at most: a reload or a dead battery loses
// nothing. Its id goes with it: sent again over a poor link it is entered once.
const DAY_MS = 86400000;
const ANSWER_MS = 15000;
const FRESH_MS = 60000;
const fresh = () => crypto.getRandomValues(new Uint32Array(4)).join("-");
const draft = (name) => {
  try {
    const found = JSON.parse(localStorage.getItem(`draft-${name}`));
    if (found && Date.now() - found.at < DAY_MS) return found;
  } catch { /* not ours */ }
  return { id: fresh(), texts: {}, sent: null };
};
const keep = (name, one) => localStorage.setItem(`draft-${name}`, JSON.stringify({ ...one, at: Date.now() }));
const forget = (name) => localStorage.removeItem(`draft-${name}`);
// An answer that was lost on its way: the book tells whether the entry had been taken.
const entered = async (round, before) => {
  try {
    const book = await (await fetch(`/api/book?${asked()}`)).json();
    return book.entries.some((one) => one.round === round && one.actor === $("who").textContent && !before.includes(one.entry));
  } catch {
    return false;
  }
};

// The picture stays on the phone or the rig's share: by this the record can tell that it is the one.
const fingerprint = async (file) => ({ name: file.name.slice(0, 120), sha256: await sha256(await file.arrayBuffer()) });

// Enter goes to the next reading; on the last one it logs, as the button does.
const ASIDE = ["file", "datetime-local"];
const next = (event) => {
  if (event.key !== "Enter" || event.target.localName !== "input" || ASIDE.includes(event.target.type)) return;
  const all = [...event.target.form.querySelectorAll("input")].filter((one) => !ASIDE.includes(one.type));
  const after = all[all.indexOf(event.target) + 1];
  if (!after) return;
  event.preventDefault();
  after.focus();
};

// The leaves of a feeler gauge between the gap's limits: a tap is a reading, and goes on to the next place.
let limits = null;
const leaves = (fields, system) => {
  const row = make("div", "", { className: "leaves" });
  const step = system === "us" ? 1.27e-5 : 1e-5;
  let at = null;
  fields.addEventListener("focusin", (event) => { at = event.target; });
  for (let n = Math.ceil(limits.least_m / step - 1e-6); n * step <= limits.most_m * 1.000001; n += 1) {
    const text = system === "us" ? String(n / 2) : (n / 100).toFixed(2);
    const leaf = make("button", text, { type: "button" });
    leaf.addEventListener("pointerdown", (event) => event.preventDefault()); // the place that is typed into stays so
    leaf.addEventListener("click", () => {
      const all = [...fields.querySelectorAll("input")].filter((one) => one.name !== "scale");
      const place = at && all.includes(at) ? at : all.find((one) => !one.value);
      if (!place) return;
      place.value = text;
      place.dispatchEvent(new Event("input", { bubbles: true }));
      at = all[all.indexOf(place) + 1] ?? null;
      for (const one of all) one.classList.toggle("at", one === at);
      if (document.activeElement === place && at) at.focus();
    });
    row.append(leaf);
  }
  return row;
};

const form = (round) => {
  const one = make("form");
  const kept = draft(round.round), typed = Object.values(kept.texts).some(Boolean);
  if (!typed || !kept.units) kept.units = system; // a reading stays in the units it was typed in
  one.append(make("p", round.plain ? word(`what-${round.plain}`) : round.what), make("p", told(round), { className: "soft" }));
  if (typed) one.append(make("p", word("kept-typed"), { className: "soft" }));
  const fields = make("div", "", { className: "fields" });
  for (const key of round.keys) {
    const field = make("label", label(round, key, kept.units), { className: key === "ph" ? "exact" : "" });
    field.append(make("input", "", { name: key, inputMode: "decimal", autocomplete: "off", enterKeyHint: "next", value: kept.texts[key] ?? "" }));
    fields.append(field);
  }
  const remark = make("label", word("remark"));
  remark.append(make("input", "", { name: "remark", maxLength: 300, autocomplete: "off", enterKeyHint: "done", value: kept.texts.remark ?? "" }));
  const done = make("label", word("done-earlier", { zone: inZone() }));
  done.append(make("input", "", { name: "at", type: "datetime-local", value: kept.texts.at ?? "" }));
  const photo = make("label", word("photo"));
  photo.append(make("input", "", { name: "photo", type: "file", accept: "image/*" }));
  const button = make("button", word("log-it", { round: named(round.round, round.brake) }));
  if (isLength(round) && limits) one.append(leaves(fields, kept.units));
  one.append(fields, remark, done, photo, button);
  one.addEventListener("keydown", next);
  one.addEventListener("input", (event) => {
    if (event.target.type === "file") return;
    kept.texts[event.target.name] = event.target.value;
    keep(round.round, kept);
  });
  one.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (button.disabled) return;
    button.disabled = true;
    await log(round, one, kept);
    button.disabled = false;
  });
  return one;
};

// What may well be a thousand and more; where a reading cannot, a point is one for decimals.
const bears = (key) => /-(mg-l|us-cm|mohm)$/.test(key);

// A gap read in inches, or in the other unit: so many times away from what it may be it is asked about.
const FAR = 20;
const isFar = (typed, system) => {
  const metres = (system === "us" ? 2.54e-5 : 1e-3) * Number(typed.replace(",", "."));
  return limits !== null && (metres * FAR < limits.least_m || metres > FAR * limits.most_m);
};
const gapLimits = (system) => {
  const [unit, step] = system === "us" ? ["1/1000 in", 2.54e-5] : ["mm", 1e-3];
  const shown = (metres) => String(Number((metres / step).toFixed(system === "us" ? 1 : 3)));
  return { least: shown(limits.least_m), most: shown(limits.most_m), unit };
};

const log = async (round, one, kept) => {
  const values = {};
  for (const key of round.keys) {
    const typed = one.elements[key].value.trim();
    if (/^[1-9]\d{0,2}(,\d{3})+$/.test(typed)) { // thousands, or a decimal comma: a thousand times apart
      say(word("comma-which", { key: keyed(key), said: typed }), false);
      one.elements[key].focus();
      return;
    }
    if (bears(key) && /^[1-9]\d{0,2}(\.\d{3})+$/.test(typed)) {
      say(word("point-which", { key: keyed(key), said: typed, thousands: typed.replaceAll(".", ""), decimals: String(Number(typed)) }), false);
      one.elements[key].focus();
      return;
    }
    if (typed && isLength(round) && key !== "scale" && isFar(typed, kept.units) && !kept.sure?.includes(`${key} ${typed}`)) {
      kept.sure = [...(kept.sure ?? []), `${key} ${typed}`];
      say(word("gap-far", { key: keyed(key), said: typed, ...gapLimits(kept.units) }), false);
      one.elements[key].focus();
      return;
    }
    if (typed) values[key] = written(round, key, typed.replace(",", "."), kept.units);
  }
  const asking = { do: "log-round", round: round.round, id: `book-${kept.id}` };
  if (Object.keys(values).length) asking.values = values;
  const remark = one.elements.remark.value.trim();
  if (remark) asking.remark = remark;
  const at = one.elements.at.value ? momentOf(one.elements.at.value) : undefined;
  if (at === null) {
    say(word("time-not-there", { said: one.elements.at.value.replace("T", " "), zone: inZone() }), false);
    one.elements.at.focus();
    return;
  }
  if (at) asking.at = at;
  if (kept.again) asking.again = true;
  const picture = one.elements.photo.files[0];
  if (picture) asking.photo = await fingerprint(picture);
  const before = kept.sent;
  kept.sent ??= newest;
  keep(round.round, kept);
  const done = at ? word("logged-then", { round: named(round.round, round.brake), time: local(at) }) : word("logged", { round: named(round.round, round.brake) });
  let became = await post("/api/command", asking, done);
  if ((became === "refused" || became === "asked") && before !== null && (await entered(round.round, before))) {
    say(done, true);
    became = "done";
  }
  if (became === "lost") return;
  if (became === "ended") {
    kept.sent = before;
    keep(round.round, kept);
    return;
  }
  if (became === "done") {
    forget(round.round);
    opened.delete(round.round);
    await show(round.round);
    return;
  }
  Object.assign(kept, { id: fresh(), sent: null, again: became === "asked" });
  keep(round.round, kept);
};

const mark = (state, round) => {
  state.textContent = round.state === "ok" ? `${Math.round(100 * round.share)} %` : word(`state-${round.state}`);
  state.dataset.state = round.state;
};

const card = (round) => {
  const one = make("details", "", { className: "round", id: `round-${round.round}`, open: opened.has(round.round) });
  const head = make("summary");
  const state = make("span", "", { className: "state" });
  mark(state, round);
  head.append(make("b", named(round.round, round.brake)), state);
  one.append(head, form(round));
  one.addEventListener("toggle", () => (one.open ? opened.add(round.round) : opened.delete(round.round)));
  return one;
};

// What is being typed into another round's form stays: only the one that was logged is made anew.
const rounds = (book, logged) => {
  for (const one of document.querySelectorAll("#rounds > details")) {
    if (!book.rounds.some((round) => one.id === `round-${round.round}`)) one.remove(); // of the rig file before
  }
  for (const round of book.rounds) {
    const there = $(`round-${round.round}`);
    if (!there) $("rounds").append(card(round));
    else if (round.round === logged) there.replaceWith(card(round));
    else {
      mark(there.querySelector(".state"), round);
      there.querySelector("form .soft").textContent = told(round);
    }
  }
};

const health = (book) => [make("h2", word("health")), ...book.health.map((line) => make("p", line))];

const entries = (book) => [make("h2", word("newest-entries")), ...(book.entries.length ? [] : [make("p", word("none"), { className: "soft" })]), ...book.entries.slice(-10).reverse().map((one) => struck(one, make("p", word("entry-text", {
  time: minute(one.done), round: named(one.round, one.brake), actor: one.actor,
  corrected: one.corrected_by ? word("entry-corrected", { entry: one.corrected_by }) : one.void ? word("entry-void", { entry: one.corrects }) : "", remark: one.remark ? `: ${one.remark}` : "",
}))))];

// A wrong entry is struck out by whoever is logged in, with a second tap, and then logged anew; both stay in the record.
const struck = (one, line) => {
  if (one.corrected_by || one.void || !$("who").textContent) return line;
  const button = make("button", word("strike-out"), { type: "button", className: "screen" });
  const id = fresh();
  button.setAttribute("aria-label", `${word("strike-out")}: ${line.textContent}`);
  button.onclick = async () => {
    if (button.dataset.sure !== "true") {
      button.dataset.sure = "true";
      button.textContent = word("strike-sure");
      button.setAttribute("aria-label", `${word("strike-sure")} ${line.firstChild.textContent}`);
      return;
    }
    button.disabled = true;
    if (await post("/api/command", { do: "log-round", round: one.round, corrects: one.entry, void: true, id: `strike-${id}` }, word("struck")) === "lost") button.disabled = false;
    else await show();
  };
  line.append(" ", button);
  return line;
};

let newest = [], unheard = false;

const show = async (logged, again = false) => {
  let answer, book;
  try {
    answer = await fetch(`/api/book?${asked()}`);
    book = await answer.json();
  } catch {
    unheard = true;
    say(word("no-watch"), false);
    return;
  }
  if (!answer.ok || book.ok === false) {
    unheard = true;
    say(answer.ok ? word("no-book") : answer.status === 401 ? word("log-in-first") : answer.status === 503 ? word("no-watch") : why(book), false);
    $("says").title = book.says;
    if (!again) pickers(null, anew);
    return;
  }
  if (unheard) say("", true);
  unheard = false;
  system = units ?? book.units;
  setZone(book.time_zone);
  limits = book.gap_limits;
  newest = book.entries.map((one) => one.entry);
  if (!again) pickers(book.units, anew);
  rounds(book, logged);
  $("as-of").textContent = book.now ? word("book-as-of", { rig: book.rig, time: minute(book.now), zone: inZone() }) : book.rig;
  $("health").replaceChildren(...health(book));
  if (!again || !document.querySelector('#entries [data-sure="true"]')) $("entries").replaceChildren(...entries(book));
  $("signatures").replaceChildren(...book.signatures.map((line) => make("p", line)));
};

// In another language or other units everything is made anew.
const anew = async () => {
  $("rounds").replaceChildren();
  await show();
};

const me = async () => {
  const found = await fetch("/api/me").then((answer) => answer.json()).catch(() => ({}));
  const may = found.kind === "person";
  $("log-in").hidden = may;
  $("sign").hidden = !may;
  $("who").textContent = may ? found.actor : "";
};

$("log-in").addEventListener("keydown", next);
$("sign").addEventListener("keydown", next);
$("log-in").addEventListener("submit", async (event) => {
  event.preventDefault();
  const fields = event.target.elements;
  const who = fields.actor.value.trim();
  if (await post("/api/log-in", { actor: who, pin: fields.pin.value }, word("logged-in", { who })) === "done") {
    localStorage.setItem("actor", who);
    await me();
    await show(undefined, true);
  }
  fields.pin.value = "";
});

// The book is signed as it stands; the record keeps who, when and at which input.
let signing = fresh();
$("sign").addEventListener("submit", async (event) => {
  event.preventDefault();
  const { by, remark } = event.target.elements;
  const asking = { do: "sign-book", id: `sign-${signing}`, by: by.value.trim() };
  if (remark.value.trim()) asking.remark = remark.value.trim();
  const became = await post("/api/command", asking, word("book-signed-now"));
  if (became === "lost" || became === "ended") return;
  signing = fresh();
  if (became !== "done") return;
  localStorage.setItem("signs", asking.by);
  remark.value = "";
  await show();
});
$("print").onclick = () => print();

// Names, never PINs, are what this phone remembers.
$("log-in").elements.actor.value = localStorage.getItem("actor") ?? "";
$("sign").elements.by.value = localStorage.getItem("signs") ?? "";
await prefer();
await me();
await show();
// A phone in a pocket, or another mechanic's entry: what stands here is looked at again.
const look = () => { if (!document.hidden) show(undefined, true); };
setInterval(look, FRESH_MS);
document.addEventListener("visibilitychange", look);
