// The upkeep book on a phone: tap a round, type what was measured, one button. A code on a printed sheet opens its form.

import { known, pickers, prefer, units, word } from "./words.js";

const $ = (id) => document.getElementById(id);
const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text ?? "", ...more });
const opened = new Set([decodeURIComponent(location.hash.slice(1))]);
let system = "us";

// Gaps are typed as a feeler gauge is marked: thousandths of an inch, or millimetres.
const isLength = (round) => round.kind === "gap";
const written = (round, key, text) => {
  if (isLength(round)) return system === "us" ? `${(Number(text) / 1000).toFixed(6)} in` : `${text} mm`;
  if (key === "temperature") return `${text} ${system === "us" ? "degF" : "degC"}`;
  return text;
};
const label = (round, key) => {
  const place = /^(plug|coil)-(\d+)-(.+)$/.exec(key);
  const plain = place === null ? word(`key-${key}`) : place[1] === "plug"
    ? word("key-plug", { n: place[2], side: word(`side-${place[3]}`) }) : word(`key-coil-${place[3]}`, { n: place[2] });
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
  done: round.done ? word("done-at", { time: round.done.slice(0, 16).replace("T", " ") }) : word("never-logged"),
  hours: (round.running_s / 3600).toFixed(1), trips: round.trips,
});

const say = (text, ok) => {
  $("says").textContent = text;
  $("says").dataset.ok = ok;
};

const post = async (path, body, done) => {
  const answer = await fetch(path, {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
  });
  const found = await answer.json();
  say(answer.ok ? done : { 401: word("wrong-pin"), 403: word("may-not"), 503: word("no-watch") }[answer.status]
    ?? word("refused", { says: found.says }), answer.ok);
  return answer.ok;
};

// The picture stays on the phone or the rig's share: by this the record can tell that it is the one.
const fingerprint = async (file) => {
  const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", await file.arrayBuffer()));
  return { name: file.name.slice(0, 120), sha256: [...digest].map((byte) => byte.toString(16).padStart(2, "0")).join("") };
};

const form = (round) => {
  const one = make("form");
  one.append(make("p", round.plain ? word(`what-${round.plain}`) : round.what), make("p", told(round), { className: "soft" }));
  const fields = make("div", "", { className: "fields" });
  for (const key of round.keys) {
    const field = make("label", label(round, key));
    field.append(make("input", "", { name: key, inputMode: "decimal", autocomplete: "off" }));
    fields.append(field);
  }
  const remark = make("label", word("remark"));
  remark.append(make("input", "", { name: "remark", maxLength: 300, autocomplete: "off" }));
  const photo = make("label", word("photo"));
  photo.append(make("input", "", { name: "photo", type: "file", accept: "image/*" }));
  one.append(fields, remark, photo, make("button", word("log-it", { round: named(round.round, round.brake) })));
  // One id for one filling-in: tapped twice, or sent again over a poor link, it is entered once.
  let id = crypto.getRandomValues(new Uint32Array(4)).join("-");
  one.addEventListener("submit", async (event) => {
    event.preventDefault();
    const values = {};
    for (const key of round.keys) {
      const text = one.elements[key].value.trim().replace(",", ".");
      if (text) values[key] = written(round, key, text);
    }
    const asked = { do: "log-round", round: round.round, id: `book-${id}` };
    if (Object.keys(values).length) asked.values = values;
    if (remark.firstElementChild.value.trim()) asked.remark = remark.firstElementChild.value.trim();
    const picture = one.elements.photo.files[0];
    if (picture) asked.photo = await fingerprint(picture);
    if (await post("/api/command", asked, word("logged", { round: named(round.round, round.brake) }))) {
      opened.delete(round.round);
      await show(round.round);
    } else {
      id = crypto.getRandomValues(new Uint32Array(4)).join("-");
    }
  });
  return one;
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
  for (const round of book.rounds) {
    const there = $(`round-${round.round}`);
    if (!there) $("rounds").append(card(round));
    else if (round.round === logged) there.replaceWith(card(round));
    else mark(there.querySelector(".state"), round);
  }
};

const length = (metres) => (system === "us" ? `${(metres / 2.54e-5).toFixed(1)}/1000 in` : `${(1e3 * metres).toFixed(3)} mm`);
const worn = (one) => word("worn", { hours: (one.running_s / 3600).toFixed(1), trips: one.trips, heat: (one.heat_j / 1e9).toFixed(2) });

const health = (book) => {
  const lines = [make("h2", word("health"))];
  for (const one of book.worked) lines.push(make("p", word("worn-of", { what: one.brake, worn: worn(one) })));
  for (const one of book.parts) {
    lines.push(make("p", word("part-since", { part: word(`part-${one.part}`), serial: one.serial, day: one.since.slice(0, 10), worn: worn(one) })));
  }
  for (const one of book.gaps) {
    const ahead = one.mean_ahead_m ? word("gap-ahead", {
      low: length(one.mean_ahead_m[0]), middle: length(one.mean_ahead_m[1]), high: length(one.mean_ahead_m[2]),
    }) : "";
    lines.push(make("p", word("gap-text", {
      brake: one.brake, mean: length(one.mean_m), spread: length(one.spread_m), torque: Math.round(100 * one.torque_share), ahead,
      trend: word(one.drifts ? "gap-drifts" : "gap-still"),
    })));
  }
  for (const one of book.torque) {
    if (one.newest === null) continue;
    const n = one.trips, slope = one.slope_per_trip === null ? "" : `${one.slope_per_trip > 0 ? "+" : ""}${one.slope_per_trip.toFixed(4)}`;
    const trend = word(slope ? "torque-trend" : n > 1 ? "torque-still" : "torque-once", { slope, n });
    lines.push(make("p", word("torque-text", { brake: one.brake, index: one.newest.toFixed(2), about: (2 * one.std).toFixed(2), trend })));
  }
  for (const one of book.trips.filter((trip) => trip.heat_share !== null).slice(-1)) {
    lines.push(make("p", word("share-text", {
      brake: one.brake, share: Math.round(100 * one.heat_share), about: Math.round(200 * one.heat_share_std), trip: one.trip,
    })));
  }
  for (const one of book.water.slice(-3)) {
    lines.push(make("p", word("water-text", {
      day: one.taken.slice(0, 10), hot: word(`verdict-${one.hot.verdict}`), inlet: word(`verdict-${one.inlet.verdict}`),
      advice: word(`advice-${one.hot.verdict}`),
    })));
  }
  return lines;
};

const entries = (book) => [make("h2", word("newest-entries")), ...book.entries.slice(-10).reverse().map((one) => make("p", word("entry-text", {
  time: one.done.slice(0, 16).replace("T", " "), round: named(one.round, one.brake), actor: one.actor,
  corrected: one.corrected_by ? word("entry-corrected", { entry: one.corrected_by }) : "", remark: one.remark ? `: ${one.remark}` : "",
})))];

const show = async (logged) => {
  const answer = await fetch("/api/book");
  const book = await answer.json();
  if (!answer.ok || book.ok === false) {
    say(book.says, false);
    pickers(null, anew);
    return;
  }
  system = units ?? book.units;
  pickers(book.units, anew);
  rounds(book, logged);
  $("health").replaceChildren(...health(book));
  $("entries").replaceChildren(...entries(book));
};

// In another language or other units everything is made anew.
const anew = async () => {
  $("rounds").replaceChildren();
  await show();
};

const me = async () => {
  const found = await (await fetch("/api/me")).json();
  const may = found.kind === "person";
  $("log-in").hidden = may;
  $("who").textContent = may ? found.actor : "";
};

$("log-in").addEventListener("submit", async (event) => {
  event.preventDefault();
  const fields = event.target.elements;
  const who = fields.actor.value.trim();
  if (await post("/api/log-in", { actor: who, pin: fields.pin.value }, word("logged-in", { who }))) await me();
  fields.pin.value = "";
});

await prefer();
await me();
await show();
