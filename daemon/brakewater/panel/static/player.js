// Scrub and play: what the driller's page showed at a moment of the past. Never to be taken for what is live.
import { by, make, quietly, toldJson } from "./past.js";
import { clockExact } from "./zone.js";
import { asked, word } from "./words.js";

const FRAMES = 5; // a second
const SPEEDS = [1, 2, 5, 10, 30, 60, 120, 300, 600];
const OLD_MS = 5000;

let outer = null, at = null, brake = null, names = {}, frames = [], decimals = {}, playing = 0, fetched = 0, wanted = 0, onMove = () => {}, timer = 0;

export const position = () => at;
export const setBrake = (name) => { brake = name; };

export function begin(window, rig, moved) {
  stop();
  outer = window;
  at = null;
  onMove = moved;
  for (const one of rig?.brakes ?? []) names[one.name] = one.numbers;
  decimals = rig?.decimals ?? {};
  by("scrub").min = 0;
  by("scrub").max = Math.max(1, Math.round((outer.to - outer.from) / 200));
  by("scrub").value = 0;
  by("player").hidden = false;
  by("seen").hidden = true;
  by("at").textContent = clockExact(outer.from);
}

export async function go(ms) {
  at = Math.min(outer.to, Math.max(outer.from, Math.round(ms)));
  by("scrub").value = Math.round((at - outer.from) / 200);
  by("scrub").setAttribute("aria-valuetext", clockExact(at));
  by("at").textContent = clockExact(at);
  onMove(at);
  const mine = ++wanted;
  const found = await toldJson(`/api/past/seen?from_ms=${at}&to_ms=${at}&count=1&${asked()}`);
  if (mine === wanted) show(found[0], at);
}

function stop() {
  clearInterval(timer);
  playing = 0;
  frames = [];
  by("play").textContent = word("play");
  by("play").setAttribute("aria-pressed", "false");
}

async function fill(mine) {
  const speed = Number(by("speed").value), from = fetched, to = Math.min(outer.to, from + 1000 * speed);
  if (from >= to) return;
  fetched = to;
  const step = (to - from) / FRAMES, begin = Math.round(from + step);
  const found = await toldJson(`/api/past/seen?from_ms=${Math.min(begin, Math.round(to))}&to_ms=${Math.round(to)}&count=${FRAMES}&${asked()}`);
  if (mine !== playing) return;
  found.forEach((picture, n) => frames.push([Math.round(from + step * (n + 1)), picture]));
}

function play() {
  if (playing) { stop(); return; }
  playing = ++wanted;
  const mine = playing;
  fetched = at === null || at >= outer.to ? outer.from : at;
  by("play").textContent = word("pause");
  by("play").setAttribute("aria-pressed", "true");
  let filling = false;
  timer = setInterval(() => {
    const next = frames.shift();
    if (next) {
      at = next[0];
      by("scrub").value = Math.round((at - outer.from) / 200);
      by("at").textContent = clockExact(at);
      onMove(at);
      show(next[1], at);
    } else if (fetched >= outer.to && !filling) { stop(); return; }
    if (frames.length < FRAMES && !filling) {
      filling = true;
      fill(mine).catch((error) => { by("says").textContent = error.message; stop(); }).finally(() => { filling = false; });
    }
  }, 1000 / FRAMES);
}

function show(picture, ms) {
  by("seen").hidden = false;
  const gone = Math.abs(picture.utc_ms - ms) > OLD_MS;
  by("seen-when").textContent = gone ? word("seen-nothing", { time: clockExact(ms) }) : word("seen-at", { time: clockExact(ms) });
  by("seen-body").hidden = gone;
  if (gone) return;
  by("seen-windows").replaceChildren(...Object.entries(picture.windows).map(([name, one]) => {
    const tile = make("li", `${word(`window-${name}`).replace(/^window /, "")}: ${word(`aspect-${one.aspect}`)}`);
    if (one.aspect !== "off") tile.dataset.lit = one.colour;
    return tile;
  }));
  const seen = picture.brakes[brake] ?? Object.values(picture.brakes)[0];
  const numbers = names[brake] ?? Object.values(names)[0] ?? [];
  by("seen-numbers").replaceChildren(...numbers.flatMap((number) => {
    const one = seen[number.derived ? "derived" : "readings"][number.name];
    if (!one) return [];
    const { value: shown, unit } = one.shown;
    const value = shown === null ? "--" : `${shown.toFixed(decimals[unit] ?? 2)}${unit === "1" ? "" : ` ${unit}`}`;
    const row = make("li");
    row.append(make("span", word(number.quantity)), make("strong", value), make("em", one.quality === "good" ? "" : word(one.quality)));
    return [row];
  }));
  const holds = picture.alarms.filter((alarm) => alarm.state !== "normal");
  by("seen-alarms").replaceChildren(...(holds.length ? holds : [{ text: word("all-well") }]).map((alarm) => {
    const row = make("li", `${alarm.first_out ? word("first") : ""}${alarm.text}`);
    if (alarm.respond) row.append(make("small", alarm.respond));
    return row;
  }));
}

for (const speed of SPEEDS) {
  const one = make("option", `${speed}x`);
  one.value = speed;
  by("speed").append(one);
}
by("speed").value = 10;
by("play").onclick = () => { if (outer) play(); };
by("speed").onchange = () => { if (playing) { stop(); play(); } };
by("scrub").oninput = () => { stop(); clearTimeout(timer); timer = setTimeout(quietly(go), 60, outer.from + by("scrub").value * 200); };
