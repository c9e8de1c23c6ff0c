import { prefer, word } from "./words.js";

await prefer();
const code = location.hash.slice(1);
const says = document.getElementById("says");
if (!code) {
  says.textContent = word("pair-none");
} else {
  history.replaceState(null, "", "/pair");
  const answer = await fetch("/api/pair", {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ code }),
  });
  const found = await answer.json();
  says.textContent = answer.ok ? word("paired", { name: found.station }) : answer.status === 403 ? word("pair-used") : found.says;
}
