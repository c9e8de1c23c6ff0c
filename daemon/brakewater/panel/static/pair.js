import { prefer, word } from "./words.js";

await prefer();
const code = location.hash.slice(1);
const says = document.getElementById("says");
if (!code) {
  says.textContent = word("pair-none");
} else {
  // The code stays in the address until it was answered: over a poor link the page is loaded again, not typed.
  const answer = await fetch("/api/pair", {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ code }),
  }).catch(() => null);
  if (answer !== null) history.replaceState(null, "", "/pair");
  const found = answer === null ? {} : await answer.json();
  says.textContent = answer === null ? word("pair-lost") : answer.ok ? word("paired", { name: found.station }) : answer.status === 403 ? word("pair-used") : found.says;
}
