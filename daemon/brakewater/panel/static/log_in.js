// Log-in where something is asked for that must carry a name; what was asked for is then asked again.
import { by, quietly, sent } from "./past.js";
import { why, word } from "./words.js";

export async function showActor() {
  const me = await (await fetch("/api/me")).json().catch(() => ({}));
  by("who").textContent = me.actor ?? "";
  by("log-out").hidden = me.kind !== "person";
  by("enter").hidden = me.kind === "person";
}

export function logIn() {
  const dialog = by("log-in");
  by("log-in-says").textContent = "";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.onclose = () => resolve(dialog.returnValue === "in");
    by("log-in-leave").onclick = () => dialog.close("");
    dialog.querySelector("form").onsubmit = async (event) => {
      event.preventDefault();
      let answer;
      try {
        answer = await sent("/api/log-in", { actor: by("actor").value.trim(), pin: by("pin").value });
      } catch (error) { by("log-in-says").textContent = error.message; return; }
      by("pin").value = "";
      if (!answer.ok) { by("log-in-says").textContent = answer.status === 401 ? word("wrong-pin") : why(await answer.json()); return; }
      await showActor();
      dialog.close("in");
    };
  });
}

// Asks once more after a log-in; gives the answer, or null where nobody logged in.
export async function asPerson(ask) {
  const answer = await ask();
  if (answer.status !== 401 && answer.status !== 403) return answer;
  return (await logIn()) ? ask() : null;
}

by("enter").onclick = logIn;
by("log-out").onclick = quietly(async () => { await sent("/api/log-out", {}); await showActor(); by("says").textContent = word("logged-out"); });
