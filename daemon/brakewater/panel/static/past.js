// Asking the record: what every part of the engineer's page needs.
import { why, word } from "./words.js";

export const by = (id) => document.getElementById(id);

export function make(tag, text = "", name = "") {
  const one = document.createElement(tag);
  one.className = name;
  one.textContent = text;
  return one;
}

export function press(text, act, name = "") {
  const one = make("button", text, name);
  one.type = "button";
  one.onclick = act;
  return one;
}

// Tells whether something lies in sight, or nearly so, whenever that changes. Gives what ends it.
const told_ = new Map();
const eyes = new IntersectionObserver((entries) => { for (const one of entries) told_.get(one.target)?.(one.isIntersecting); }, { rootMargin: "120px" });
export function whenSeen(element, act) {
  told_.set(element, act);
  eyes.observe(element);
  return () => { eyes.unobserve(element); told_.delete(element); };
}

// A browser says in its own words that nobody was reached; this says it in the page's.
const reached = (answer) => answer.catch(() => { throw new Error(word("panel-away")); });

let asking = 0;
export async function told(path) {
  asking += 1;
  by("says").textContent = word("reading");
  try {
    const answer = await reached(fetch(path));
    if (!answer.ok) throw new Error(answer.status === 401 ? word("log-in-first") : why(await answer.json()));
    const text = await reached(answer.text());
    if (asking === 1) by("says").textContent = "";
    return text;
  } catch (error) {
    by("says").textContent = error.message;
    throw error;
  } finally {
    asking -= 1;
  }
}

export const toldJson = async (path) => JSON.parse(await told(path));

export const sent = (path, body) => reached(fetch(path, {
  method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
}));

// What went wrong stands on the page already, or is said there now.
export const quietly = (act) => (...given) => Promise.resolve(act(...given)).catch((error) => { by("says").textContent = error.message; });
