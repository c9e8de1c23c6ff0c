// Every word on a page comes from one table a language: words/<code>/pages.json. Language and units are the viewer's:
// kept in the browser, or said in the address (?lang=es&units=metric); else the rig file's.
import { local } from "./zone.js";

let table = {}, names = {}, given = {};
export let language = "en";
export let units = null;

const SYSTEMS = ["us", "metric"];
const kept = (name) => new URLSearchParams(location.search).get(name === "language" ? "lang" : name) ?? localStorage.getItem(name);

// What the server needs to send the next page in the right words and light from the first moment on.
function keep(name, value) {
  localStorage.setItem(name, value);
  document.cookie = `${name}=${value}; path=/; max-age=31536000; samesite=strict`;
}

// Once, when a page opens: its language, its units, its light. The page brings the words of one language.
export async function prefer() {
  const found = JSON.parse(document.getElementById("words").textContent);
  names = found.languages;
  given = found;
  const said = new URLSearchParams(location.search).get("lang");
  if (said in names) keep("language", said);
  const wanted = kept("language");
  units = SYSTEMS.includes(kept("units")) ? kept("units") : null;
  if (units) localStorage.setItem("units", units);
  const light = localStorage.getItem("light") === "night" ? "night" : "day";
  if (document.documentElement.dataset.light !== light) keep("light", light); // kept before there were cookies for it
  document.documentElement.dataset.light = light;
  await choose(wanted in names ? wanted : found.language);
}

async function choose(code) {
  if (code === given.language) table = given.table;
  else {
    const found = await fetch(`/words/${code}/pages.json`);
    if (!found.ok) return;
    table = await found.json();
    keep("language", code);
  }
  language = code;
  document.documentElement.lang = code;
  for (const one of document.querySelectorAll("[data-word]")) one.textContent = word(one.dataset.word);
  for (const one of document.querySelectorAll("[data-label]")) one.setAttribute("aria-label", word(one.dataset.label));
  if (document.documentElement.dataset.title) document.title = `Brakewater: ${word(document.documentElement.dataset.title)}`;
}

// A word with its places filled; a name without a word stands for itself.
export function word(name, places = {}) {
  const text = table[name] ?? name.replaceAll("-", " ");
  return text.replace(/\{(\w+)(?::([^|}]*)\|([^}]*))?\}/g, (whole, place, single, several) => {
    const value = places[place];
    if (value === undefined || value === null) return whole;
    return single === undefined ? value : `${value} ${String(value) === "1" ? single : several}`; // {n:trip|trips}
  });
}

export const known = (name) => name in table;

// Why the watch refuses, in the viewer's language where it has words for that; ``named`` names a place of its form.
export function why(answer, named = (key) => key) {
  if (!answer.why || !known(`refused-${answer.why}`)) return answer.says ?? "";
  const places = { ...answer.places };
  if (known(`round-${places.round}`)) places.round = word(`round-${places.round}`);
  for (const place of ["do", "may"]) if (places[place]) places[place] = places[place].split(", ").map((one) => (known(`do-${one}`) ? word(`do-${one}`) : one)).join(", ");
  for (const place of Object.keys(places)) places[place] = local(places[place]);
  if (places.key) places.key = named(places.key);
  if (places.keys) places.keys = places.keys.split(", ").map(named).join("; ");
  return word(`refused-${answer.why}`, places);
}

// What a viewer has chosen, for an address of the panel's: in one language and units.
export const asked = () => `lang=${language}${units ? `&units=${units}` : ""}`;

// The pickers of a page: #language, #units, #light. A choice stays in this browser; the page then begins anew.
export function pickers(inForce, changed) {
  fill("language", Object.entries(names), language, async (code) => {
    await choose(code);
    await changed();
  });
  fill("units", SYSTEMS.map((name) => [name, word(`units-${name}`)]), units ?? inForce, async (name) => {
    units = name;
    await changed();
  });
  const light = document.getElementById("light");
  if (!light) return;
  sayLight();
  light.onclick = () => {
    const now = document.documentElement.dataset.light === "night" ? "day" : "night";
    document.documentElement.dataset.light = now;
    keep("light", now);
  };
}

function sayLight() {
  const light = document.getElementById("light");
  if (light) light.textContent = word(document.documentElement.dataset.light === "night" ? "day" : "night");
}

// Whoever turned it: what is drawn keeps the colours it was drawn with, and hears of it here.
new MutationObserver(() => { sayLight(); document.dispatchEvent(new Event("light")); })
  .observe(document.documentElement, { attributeFilter: ["data-light"] });

function fill(name, choices, chosen, act) {
  const place = document.getElementById(name);
  if (!place) return;
  place.replaceChildren(...choices.map(([value, text]) => Object.assign(document.createElement("option"), { value, textContent: text, selected: value === chosen })));
  place.onchange = async () => {
    keep(name, place.value);
    history.replaceState(null, "", location.pathname + location.hash);
    await act(place.value);
  };
}
