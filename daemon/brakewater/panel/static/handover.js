// The change of crew: read it together at the brake, then sign. What is signed stands in the record as a command.
import { asked, pickers, prefer, why, word } from "./words.js";

const $ = (id) => document.getElementById(id);
const make = (tag, text = "", more = {}) => Object.assign(document.createElement(tag), { textContent: text, ...more });
const ANSWER_MS = 15000;
let asks = 0; // an answer that comes after that to a later question is none any more
let tour = null, since = null, heard = null; // heard: the watch's clock, and when; this browser's own may be wrong

const say = (text, ok = true) => {
  $("says").textContent = text;
  $("says").dataset.ok = ok;
};

const list = (lines) => {
  if (!lines.length) return make("p", word("none"), { className: "soft" });
  const all = make("ul");
  all.append(...lines.map((line) => make("li", line.text, { title: line.utc ?? "" })));
  return all;
};

const part = (title, lines) => {
  const one = make("section");
  one.append(make("h2", title), list(lines));
  return one;
};

async function show() {
  const { rangeUnderflow, rangeOverflow } = $("hours").validity;
  if (rangeUnderflow || rangeOverflow) {
    say(word("hours-between", { least: $("hours").min, most: $("hours").max }), false);
    return;
  }
  asks += 1;
  const mine = asks;
  say(word("reading"));
  const reading = $("says").textContent;
  // Once signed, the tour that was handed over stays to be read and printed.
  const back = $("hours").value || (since === null ? "" : ((heard.utc + performance.now() - heard.at - since) / 3.6e6).toFixed(3));
  const hours = back ? `&hours=${encodeURIComponent(back)}` : "";
  const answer = await fetch(`/api/past/handover?${asked()}${hours}`).catch(() => null);
  if (mine !== asks) return;
  pickers(null, show);
  if (answer === null) {
    say(word("panel-away"), false);
    return;
  }
  if (!answer.ok) {
    tour = null;
    const found = await answer.json();
    say(answer.status === 401 ? word("log-in-first") : answer.status === 503 && !found.why ? word("no-watch") : word("refused", { says: why(found) }), false);
    return;
  }
  const told = await answer.json();
  if (mine !== asks) return;
  tour = told;
  heard = { utc: Date.parse(tour.to), at: performance.now() };
  if ($("says").textContent === reading) say(tour.damaged.join(" "), tour.damaged.length === 0); // an answer that came meanwhile stays
  $("tour").textContent = `${tour.rig}, ${tour.pad}. ${tour.tour}`;
  $("hours").placeholder = ((Date.parse(tour.to) - Date.parse(tour.from)) / 3.6e6).toFixed(1);
  $("tour").title = `${tour.from} ${tour.to}`;
  $("sections").replaceChildren(...tour.sections.map((one) => part(one.title, one.lines)));
  $("signed").replaceChildren(...part(word("signed"), tour.signed).childNodes);
}

const FIELDS = { by: "handed-by", to: "taken-by", remark: "remark" };
const field = (key) => (key in FIELDS ? word(FIELDS[key]) : key);

// Whether an answer came; where none did, nobody knows whether it was taken. Null: not asked, since the log-in ended.
async function post(path, body, done) {
  let answer, found;
  try {
    answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal: AbortSignal.timeout(ANSWER_MS) });
    found = await answer.json();
  } catch {
    say(word("tour-not-sent"), false);
    return false;
  }
  if (path === "/api/command" && (answer.status === 401 || answer.status === 403)) {
    await me(); // the panel began anew, or the log-in is over: the way in stands there again
    say(word("log-in-ended"), false);
    $("log-in").elements.pin.focus();
    return null;
  }
  if (!answer.ok) say({ 401: word("wrong-pin"), 403: word("may-not"), 503: word("no-watch") }[answer.status] ?? word("refused", { says: why(found, field) }), false);
  else if (done) await done();
  return answer.status !== 503;
}

async function me() {
  const answer = await fetch("/api/me").catch(() => ({ ok: false }));
  const found = answer.ok ? await answer.json() : { kind: "looker", actor: null };
  const is = found.kind === "person";
  $("log-in").hidden = is;
  $("sign").hidden = !is;
  $("who").textContent = is ? word("who", { who: found.actor }) : word("nobody");
}

$("log-in").onsubmit = async (event) => {
  event.preventDefault();
  const { actor, pin } = event.target.elements;
  await post("/api/log-in", { actor: actor.value.trim(), pin: pin.value }, async () => { await me(); await show(); });
  pin.value = "";
};
// One id for one filling-in: tapped twice, or sent again over a poor link, it is signed once.
let id = crypto.getRandomValues(new Uint32Array(4)).join("-"), sent = false;
$("sign").onsubmit = async (event) => {
  event.preventDefault();
  if (tour === null) return;
  const { by, to, remark } = event.target.elements;
  const asking = { do: "hand-over", id: `tour-${id}`, by: by.value.trim(), to: to.value.trim(), from: tour.from };
  if (remark.value.trim()) asking.remark = remark.value.trim();
  const form = event.target;
  const answered = await post("/api/command", asking, async () => {
    form.reset();
    since = Date.parse(tour.from);
    await signed();
    say(word("signed-now"));
  });
  if (answered === null) return;
  const lost = sent;
  sent = !answered;
  if (lost && answered) await whether(asking);
  if (answered) id = crypto.getRandomValues(new Uint32Array(4)).join("-");
};
// An answer that was lost on its way: the record tells whether the signature had been taken, which is then refused as a second.
async function whether({ by, to }) {
  const refused = $("says").textContent;
  const taken = () => tour.signed.some((line) => line.text.includes(by) && line.text.includes(to));
  await readUntil(taken);
  if (tour === null) return;
  if (taken()) say(word("signed-now"));
  else say(refused, false);
}
async function signed() {
  const before = tour.signed.length;
  await readUntil(() => tour.signed.length > before);
}
// The record has it a moment after the watch has taken it.
async function readUntil(stands) {
  for (let tries = 0; tries < 10; tries += 1) {
    await show();
    if (tour === null || stands()) return;
    await new Promise((resolve) => setTimeout(resolve, 300));
  }
}
$("print").onclick = () => print();
$("hours").onchange = show;
await prefer();
await me();
await show();
