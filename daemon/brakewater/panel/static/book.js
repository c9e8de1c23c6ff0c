// The upkeep book on a phone: tap a round, type what was measured, one button. A code on a printed sheet opens its form.

const $ = (id) => document.getElementById(id);
const make = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text ?? "", ...more });
const opened = new Set([decodeURIComponent(location.hash.slice(1))]);
let units = "us";

// Gaps are typed as a feeler gauge is marked: thousandths of an inch, or millimetres.
const isLength = (round) => round.kind === "gap";
const written = (round, key, text) => {
  if (isLength(round)) return units === "us" ? `${(Number(text) / 1000).toFixed(6)} in` : `${text} mm`;
  if (key === "temperature") return `${text} ${units === "us" ? "degF" : "degC"}`;
  return text;
};
const label = (round, key) => {
  const plain = key.replaceAll("-", " ");
  if (isLength(round)) return `${plain}, ${units === "us" ? "1/1000 in" : "mm"}`;
  if (key === "temperature") return `${plain}, ${units === "us" ? "degF" : "degC"}`;
  return plain;
};

const say = (text, ok) => {
  $("says").textContent = text;
  $("says").dataset.ok = ok;
};

const post = async (path, body) => {
  const answer = await fetch(path, {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
  });
  const found = await answer.json();
  say(found.says, answer.ok);
  return answer.ok;
};

const form = (round) => {
  const one = make("form");
  one.append(make("p", round.what), make("p", round.text, { className: "soft" }));
  const fields = make("div", "", { className: "fields" });
  for (const key of round.keys) {
    const field = make("label", label(round, key));
    field.append(make("input", "", { name: key, inputMode: "decimal", autocomplete: "off" }));
    fields.append(field);
  }
  const remark = make("label", "remark");
  remark.append(make("input", "", { name: "remark", maxLength: 300, autocomplete: "off" }));
  one.append(fields, remark, make("button", `Log ${round.round}`));
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
    if (await post("/api/command", asked)) {
      opened.delete(round.round);
      await show(round.round);
    } else {
      id = crypto.getRandomValues(new Uint32Array(4)).join("-");
    }
  });
  return one;
};

const mark = (state, round) => {
  state.textContent = round.state === "ok" ? `${Math.round(100 * round.share)} %` : round.state.toUpperCase();
  state.dataset.state = round.state;
};

const card = (round) => {
  const one = make("details", "", { className: "round", id: `round-${round.round}`, open: opened.has(round.round) });
  const head = make("summary");
  const state = make("span", "", { className: "state" });
  mark(state, round);
  head.append(make("b", round.round), state);
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

const length = (metres) => (units === "us" ? `${(metres / 2.54e-5).toFixed(1)}/1000 in` : `${(1e3 * metres).toFixed(3)} mm`);
const worn = (one) => `${(one.running_s / 3600).toFixed(1)} h run, ${one.trips} trips, ${(one.heat_j / 1e9).toFixed(2)} GJ`;

const health = (book) => {
  const lines = [make("h2", "Health")];
  for (const one of book.worked) lines.push(make("p", `${one.brake}: ${worn(one)}`));
  for (const one of book.parts) lines.push(make("p", `${one.part} ${one.serial} since ${one.since.slice(0, 10)}: ${worn(one)}`));
  for (const one of book.gaps) {
    const ahead = one.mean_ahead_m
      ? `; in 30 days ${length(one.mean_ahead_m[1])} (${length(one.mean_ahead_m[0])} to ${length(one.mean_ahead_m[2])})` : "";
    lines.push(make("p", `air gap of ${one.brake}: mean ${length(one.mean_m)}, spread ${length(one.spread_m)}, leaves `
      + `${Math.round(100 * one.torque_share)} % of the torque${ahead}; ${one.drifts ? "drifts" : "no sure trend"}`));
  }
  for (const one of book.torque) {
    if (one.newest === null) continue;
    const trend = one.slope_per_trip !== null ? `${one.slope_per_trip > 0 ? "+" : ""}${one.slope_per_trip.toFixed(4)} a trip over ${one.trips} trips`
      : one.trips > 1 ? `no sure trend over ${one.trips} trips` : "of one trip only";
    lines.push(make("p", `torque index of ${one.brake}: ${one.newest.toFixed(2)} ± ${(2 * one.std).toFixed(2)} (1 is as new), ${trend}`));
  }
  const shares = book.trips.filter((one) => one.heat_share !== null).slice(-1);
  for (const one of shares) {
    lines.push(make("p", `share of the load's heat in the water of ${one.brake}: ${Math.round(100 * one.heat_share)} `
      + `± ${Math.round(200 * one.heat_share_std)} % in trip ${one.trip}`));
  }
  for (const one of book.water.slice(-3)) {
    lines.push(make("p", `water of ${one.taken.slice(0, 10)}: ${one.hot.verdict} when hot, ${one.inlet.verdict} at the inlet. `
      + one.advice));
  }
  return lines;
};

const entries = (book) => [make("h2", "Newest entries"), ...book.entries.slice(-10).reverse().map((one) => make("p",
  `${one.done.slice(0, 16).replace("T", " ")} UTC, ${one.round}, ${one.actor}`
  + `${one.corrected_by ? `, corrected by ${one.corrected_by}` : ""}${one.remark ? `: ${one.remark}` : ""}`))];

const show = async (logged) => {
  const answer = await fetch("/api/book");
  const book = await answer.json();
  if (!answer.ok || book.ok === false) {
    say(book.says, false);
    return;
  }
  units = book.units;
  rounds(book, logged);
  $("health").replaceChildren(...health(book));
  $("entries").replaceChildren(...entries(book));
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
  if (await post("/api/log-in", { actor: fields.actor.value.trim(), pin: fields.pin.value })) await me();
  fields.pin.value = "";
});

await me();
await show();
