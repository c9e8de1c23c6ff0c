// Every word on a page comes from one table a language: words/<code>/pages.json. Language and units are the viewer's:
// kept in the browser, or said in the address (?lang=es&units=metric); else the rig file's.
let table = {}, names = {};
export let language = "en";
export let units = null;

const SYSTEMS = ["us", "metric"];
const kept = (name) => new URLSearchParams(location.search).get(name === "language" ? "lang" : name) ?? localStorage.getItem(name);

// Once, when a page opens: its language, its units, its light.
export async function prefer() {
  const found = await fetch("/api/languages").then((answer) => answer.json()).catch(() => ({ languages: { en: "English" }, language: "en" }));
  names = found.languages;
  const said = new URLSearchParams(location.search).get("lang");
  if (said in names) localStorage.setItem("language", said);
  const wanted = kept("language");
  units = SYSTEMS.includes(kept("units")) ? kept("units") : null;
  if (units) localStorage.setItem("units", units);
  document.documentElement.dataset.light = localStorage.getItem("light") === "night" ? "night" : "day";
  await choose(wanted in names ? wanted : found.language);
}

async function choose(code) {
  const found = await fetch(`/words/${code}/pages.json`);
  if (!found.ok) return;
  table = await found.json();
  language = code;
  document.documentElement.lang = code;
  for (const one of document.querySelectorAll("[data-word]")) one.textContent = word(one.dataset.word);
  for (const one of document.querySelectorAll("[data-label]")) one.setAttribute("aria-label", word(one.dataset.label));
  if (document.documentElement.dataset.title) document.title = `Brakewater: ${word(document.documentElement.dataset.title)}`;
}

// A word with its places filled; a name without a word stands for itself.
export function word(name, places = {}) {
  const text = table[name] ?? name.replaceAll("-", " ");
  return text.replace(/\{(\w+)\}/g, (whole, place) => places[place] ?? whole);
}

export const known = (name) => name in table;

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
  const say = () => { light.textContent = word(document.documentElement.dataset.light === "night" ? "day" : "night"); };
  say();
  light.onclick = () => {
    const now = document.documentElement.dataset.light === "night" ? "day" : "night";
    document.documentElement.dataset.light = now;
    localStorage.setItem("light", now);
    say();
  };
}

function fill(name, choices, chosen, act) {
  const place = document.getElementById(name);
  if (!place) return;
  place.replaceChildren(...choices.map(([value, text]) => Object.assign(document.createElement("option"), { value, textContent: text, selected: value === chosen })));
  place.onchange = async () => {
    localStorage.setItem(name, place.value);
    history.replaceState(null, "", location.pathname + location.hash);
    await act(place.value);
  };
}
