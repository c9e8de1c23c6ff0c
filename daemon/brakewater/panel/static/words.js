// Every word on a page comes from one table a language: words/<code>/pages.json.
let table = {};
export let language = "en";

export async function choose(code) {
  const found = await fetch(`/words/${code}/pages.json`);
  if (!found.ok) return;
  table = await found.json();
  language = code;
  localStorage.setItem("language", code);
  document.documentElement.lang = code;
  for (const one of document.querySelectorAll("[data-word]")) one.textContent = word(one.dataset.word);
  for (const one of document.querySelectorAll("[data-label]")) one.setAttribute("aria-label", word(one.dataset.label));
}

// A word with its places filled; a name without a word stands for itself.
export function word(name, places = {}) {
  const text = table[name] ?? name.replaceAll("-", " ");
  return text.replace(/\{(\w+)\}/g, (whole, place) => places[place] ?? whole);
}

export const known = (name) => name in table;
