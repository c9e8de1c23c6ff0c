// Asking the record: what every part of the engineer's page needs.
import { word } from "./words.js";

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

let zone = "UTC";
export const setZone = (name) => { zone = name; };
export const zoned = (ms) => ({ timeZone: zone, ms });
export const inZone = () => zone;
export const clock = (ms) => new Date(ms).toLocaleString("sv", { timeZone: zone }); // year first, which nobody misreads
export const clockExact = (ms) => `${clock(ms)}.${Math.floor((((ms % 1000) + 1000) % 1000) / 100)}`;

let asking = 0;
export async function told(path) {
  asking += 1;
  by("says").textContent = word("reading");
  try {
    const answer = await fetch(path);
    if (!answer.ok) throw new Error(answer.status === 401 ? word("log-in-first") : (await answer.json()).says);
    const text = await answer.text();
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

export const sent = (path, body) => fetch(path, {
  method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
});

// What went wrong stands on the page already, or is said there now.
export const quietly = (act) => (...given) => Promise.resolve(act(...given)).catch((error) => { by("says").textContent = error.message; });
