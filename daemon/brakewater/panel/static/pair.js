import { choose, word } from "./words.js";

await choose(localStorage.getItem("language") ?? "en");
const code = location.hash.slice(1);
const says = document.getElementById("says");
if (!code) {
  says.textContent = word("pair-none");
} else {
  history.replaceState(null, "", "/pair");
  const answer = await fetch("/api/pair", {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ code }),
  });
  says.textContent = (await answer.json()).says;
}
